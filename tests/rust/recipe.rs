//! Recipes: what a step learns from those that follow.

use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};
use vatwright::mesh::shapes::cuboid;
use vatwright::passes::{Orient, Pass, Raft};
use vatwright::{
    Context, Done, Finding, Part, Recipe, Report, Result, Setup, Severity, Step, Vector,
};

/// Notes how high a part hangs.
struct Height(Arc<Mutex<f64>>);

impl Pass<Part> for Height {
    type Out = Part;

    fn name(&self) -> &'static str {
        "height"
    }

    fn apply(&self, part: Part, _: &Context) -> Result<Done<Part>> {
        *self.0.lock().unwrap() = part.bounds().min.z;
        let report = Report::new("height", &part.name);
        Ok(Done { value: part, report })
    }
}

#[test]
fn a_part_is_oriented_at_the_height_that_its_raft_gives_it() {
    let height = |orient_mm: f64, raft: Option<Raft>| {
        let seen = Arc::new(Mutex::new(0.0));
        let orient = Orient { directions: 12, refine: 1, lift_mm: orient_mm, ..Orient::default() };
        let mut steps = vec![Step::Orient(orient), Step::Own(Arc::new(Height(seen.clone())))];
        steps.extend(raft.map(Step::Raft));
        let part = Part::new(cuboid(4.0, 3.0, 2.0).unwrap());
        Recipe { steps }.apply(part, &Context::new(Setup::default())).unwrap();
        let mm = *seen.lock().unwrap();
        (mm * 1e6).round() / 1e6
    };
    let raft = Raft { thickness_mm: 0.6, lift_mm: 4.0, ..Raft::default() };
    assert_eq!(height(0.0, Some(raft.clone())), 4.6);
    assert_eq!(height(7.0, Some(raft)), 7.0);
    assert_eq!(height(1.5, None), 1.5);
    assert_eq!(height(0.0, None), 0.0);
}

#[test]
fn a_part_is_turned_so_that_its_base_finds_room() {
    let mut setup = Setup::default();
    (setup.machine.width_mm, setup.machine.depth_mm) = (130.0, 80.0);
    let ctx = Context::new(setup);
    let raft = Raft::default();
    let deepest = |size: [f64; 3]| {
        let orient = Orient { directions: 12, refine: 1, ..Orient::default() };
        let steps = vec![Step::Orient(orient), Step::Raft(raft.clone())];
        let part = Part::new(cuboid(size[0], size[1], size[2]).unwrap());
        let done = Recipe { steps }.apply(part, &ctx).unwrap();
        assert_eq!(done.report.worst(), None);
        done.value.body.bounds_at(&done.value.pose).size().y
    };
    // Lying flat it is lowest, and 78 mm deep: no room for a rim of 2.1 mm on either side.
    assert!(deepest([100.0, 78.0, 66.0]) <= 80.0 - 2.0 * raft.rim_mm());
    // What fits no other way goes without.
    assert!(deepest([100.0, 78.0, 78.0]) <= 80.0);
}

/// A pass that finds a fault as often as told.
struct Fussy {
    faults: usize,
    asked: AtomicUsize,
    poses: Mutex<Vec<Vector>>,
}

impl Pass<Part> for Fussy {
    type Out = Part;

    fn name(&self) -> &'static str {
        "fussy"
    }

    fn apply(&self, part: Part, _: &Context) -> Result<Done<Part>> {
        let mut report = Report::new("fussy", &part.name);
        self.poses.lock().unwrap().push(part.pose.rotation.inverse() * Vector::z());
        if self.asked.fetch_add(1, Ordering::Relaxed) < self.faults {
            report.findings.push(Finding::new("island", Severity::Fault, &part.name, "it hangs"));
        }
        Ok(Done { value: part, report })
    }
}

/// What fails in the best pose is tried in others, well apart and at most three in all, before it is
/// told.
#[test]
fn another_pose_is_tried_before_a_fault_is_told() {
    let part = Part::new(cuboid(12.0, 5.0, 3.0).unwrap());
    let ctx = Context::new(Setup::default());
    for (faults, tried) in [(0, 1), (1, 2), (9, 3)] {
        let (asked, poses) = (AtomicUsize::new(0), Mutex::default());
        let fussy = Arc::new(Fussy { faults, asked, poses });
        let orient = Orient { directions: 40, refine: 6, ..Orient::default() };
        let recipe = Recipe { steps: vec![Step::Orient(orient), Step::Own(fussy.clone())] };
        let done = recipe.apply(part.clone(), &ctx).unwrap();
        let poses = fussy.poses.lock().unwrap().clone();
        assert_eq!(poses.len(), tried);
        for (i, a) in poses.iter().enumerate() {
            assert!(poses[..i].iter().all(|b| a.dot(b) < 20_f64.to_radians().cos()), "{poses:?}");
        }
        let said = done.report.numbers.get("poses_tried");
        assert_eq!(said.copied().unwrap_or(1.0), tried as f64);
        assert_eq!(done.report.inner.len(), 2, "one report a step");
        let taken = done.value.pose.rotation.inverse() * Vector::z();
        // Where all fail alike it stays with the best score.
        let expected = if faults == 1 { poses[1] } else { poses[0] };
        assert!(taken.dot(&expected) > 1.0 - 1e-9);
        let words = done.report.words.get("poses").map(String::as_str);
        assert_eq!(words.is_some(), tried > 1);
        assert!(words.is_none_or(|w| w.contains("island")), "{words:?}");
    }
}
