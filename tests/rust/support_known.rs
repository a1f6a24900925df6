//! Supports of parts whose answer can be thought out beforehand.

use crate::common::mean_stress;
use crate::support_data::{bars_keep_off, what_fails_is_told};
use nalgebra::{UnitQuaternion, Vector3};
use std::sync::Arc;
use vatwright::check::{Evidence, Reach, inspect};
use vatwright::layers::{Grid, Scan};
use vatwright::mechanics::bar;
use vatwright::mesh::{Mesh, Point, Pose, Vector, select, shapes};
use vatwright::passes::orient::Weights;
use vatwright::passes::{Pass, Raft, Support};
use vatwright::{
    Context, Done, Finding, FindingCode, Job, Part, Recipe, Role, Setup, Severity, Solid, Step, Tip,
};

/// A coarser pixel than any printer's keeps the tests quick; layers are final.
pub(crate) fn context() -> Context {
    let mut setup = Setup::load("desk-50um").unwrap();
    setup.machine.pixel_mm = 0.1;
    Context::new(setup)
}

/// A part turned about x, then about y.
pub(crate) fn tilted(body: Solid, x_deg: f64, y_deg: f64) -> Part {
    let about = |axis, deg: f64| UnitQuaternion::from_axis_angle(&axis, deg.to_radians());
    let turn = about(Vector3::y_axis(), y_deg) * about(Vector3::x_axis(), x_deg);
    Part::new(body).turned(turn, 0.0).unwrap()
}

/// A part whose facets are kept clean where the choice says so.
fn clean(part: Part, choice: impl Fn(&Mesh) -> Vec<bool>) -> Part {
    let keep_clean = Arc::new(choice(&part.body));
    Part { keep_clean, ..part }
}

/// Solids that overlap as one, each moved.
fn joined(name: &str, pieces: &[(Solid, [f64; 3])]) -> Solid {
    let moved = |(s, by): &(Solid, [f64; 3])| {
        let pose = Pose::translation(by[0], by[1], by[2]);
        let at = s.vertices().iter().map(|v| pose * v).collect();
        Mesh::new(name, at, s.triangles().to_vec()).unwrap()
    };
    let meshes: Vec<Mesh> = pieces.iter().map(moved).collect();
    Solid::try_from(Mesh::concat(name, &meshes)).unwrap()
}

fn prism(name: &str, outline: &[[f64; 2]], depth_mm: f64) -> Solid {
    shapes::extrude(name, &[outline.to_vec()], depth_mm).unwrap()
}

/// A beam on a post, in the plane of the paper.
fn tee() -> Solid {
    let half = [[2.0, 0.0], [2.0, 14.0], [10.0, 14.0], [10.0, 18.0]];
    let mut outline = half.to_vec();
    outline.extend(half.iter().rev().map(|p| [-p[0], p[1]]));
    prism("tee", &outline, 6.0)
}

/// A block 24 wide and 14 high with a round passage of 16 mm.
fn arch() -> Solid {
    let mut outline = vec![[12.0, 0.0], [12.0, 14.0], [-12.0, 14.0], [-12.0, 0.0]];
    outline.extend((0..=40).map(|i| {
        let (sin, cos) = (std::f64::consts::PI * f64::from(i) / 40.0).sin_cos();
        [-8.0 * cos, 8.0 * sin]
    }));
    prism("arch", &outline, 6.0)
}

fn mushroom() -> Solid {
    let mut side = vec![[0.0, 0.0], [3.0, 0.0], [3.0, 10.0]];
    side.extend((0..=16).map(|i| {
        let (sin, cos) = (std::f64::consts::FRAC_PI_2 * f64::from(i) / 16.0).sin_cos();
        [9.0 * cos, 10.0 + 6.0 * sin]
    }));
    shapes::lathe("mushroom", &[side], 60).unwrap()
}

fn table() -> Solid {
    let leg = || shapes::cuboid(3.0, 3.0, 10.0).unwrap();
    let mut pieces = vec![(shapes::cuboid(22.0, 16.0, 2.0).unwrap(), [0.0, 0.0, 10.0])];
    for (x, y) in [(0.0, 0.0), (19.0, 0.0), (0.0, 13.0), (19.0, 13.0)] {
        pieces.push((leg(), [x, y, 0.5]));
    }
    joined("table", &pieces)
}

/// Trunk, head, and arms that reach out level.
fn figure() -> Solid {
    let arm = shapes::cuboid(18.0, 2.5, 2.5).unwrap();
    joined(
        "figure",
        &[
            (shapes::capsule(3.5, 16.0, 40).unwrap(), [0.0, 0.0, 3.5]),
            (shapes::sphere(2.6, 2000).unwrap(), [0.0, 0.0, 25.0]),
            (arm.clone(), [1.0, -1.25, 17.0]),
            (arm, [-19.0, -1.25, 17.0]),
        ],
    )
}

/// A gear whose teeth, flanks and roots, are to be kept clean.
fn gear(tilt_deg: f64) -> Part {
    let body = shapes::gear(1.0, 20, 5.0, 6.0, 6).unwrap();
    clean(tilted(body, tilt_deg, 0.0), |m| {
        let bore = select::by_cylinder(m, Point::origin(), Vector::z(), 3.0, 0.05).unwrap();
        let upright = |i: usize| m.area_normal(i).normalize().z.abs() < 0.1;
        (0..m.triangles().len()).map(|i| upright(i) && !bore[i]).collect()
    })
}

/// A lens whose two faces are to be kept clean.
fn lens(tilt_deg: f64) -> Part {
    let body = shapes::biconvex(30.0, 30.0, 18.0, 5.0, 80).unwrap();
    clean(tilted(body, tilt_deg, 0.0), |m| {
        let upright = |i: usize| m.area_normal(i).normalize().z.abs() < 0.1;
        (0..m.triangles().len()).map(|i| !upright(i)).collect()
    })
}

/// All of them by name.
pub(crate) fn parts() -> Vec<(&'static str, Part)> {
    let slab = || shapes::plate(20.0, 14.0, 2.5).unwrap();
    vec![
        ("tee", tilted(tee(), 90.0, 0.0)),
        ("arch", tilted(arch(), 90.0, 0.0)),
        ("mushroom", Part::new(mushroom())),
        ("ball", Part::new(shapes::sphere(8.0, 5000).unwrap())),
        ("lying cylinder", tilted(shapes::cylinder(4.0, 16.0, 60).unwrap(), 90.0, 0.0)),
        ("slab at 0°", Part::new(slab())),
        ("slab at 15°", tilted(slab(), 15.0, 0.0)),
        ("slab at 45°", tilted(slab(), 45.0, 0.0)),
        ("table", Part::new(table())),
        ("ring", Part::new(shapes::torus(8.0, 2.0, 60).unwrap())),
        ("standing ring", tilted(shapes::torus(8.0, 2.0, 60).unwrap(), 90.0, 0.0)),
        ("gear", gear(0.0)),
        ("lens", lens(90.0)),
        ("figure", Part::new(figure())),
        ("cube on its corner", tilted(shapes::cuboid(14.0, 14.0, 14.0).unwrap(), 45.0, 35.264)),
    ]
}

pub(crate) fn supported(part: Part, ctx: &Context) -> Done<Part> {
    let part = Raft::default().apply(part, ctx).unwrap().value;
    Support::default().apply(part, ctx).unwrap()
}

/// What the check finds of at least that severity.
fn found(part: &Part, least: Severity, ctx: &Context) -> Vec<Finding> {
    let found = inspect(part, ctx).unwrap().findings;
    found.into_iter().filter(|f| f.severity >= least).collect()
}

/// How much of what tips are for the check misses.
fn missed(part: &Part, ctx: &Context) -> usize {
    let of = |f: &&Finding| ["island", "overhang", "sag", "tips"].contains(&f.code.as_str());
    found(part, Severity::Warning, ctx).iter().filter(of).count()
}

fn assert_no_fault(name: &str, part: &Part, ctx: &Context) {
    let faults = found(part, Severity::Fault, ctx);
    assert!(faults.is_empty(), "{name}: {faults:#?}");
}

/// Tips that stand on facets to be kept clean.
fn marks(part: &Part) -> usize {
    let s = part.supports.as_ref().unwrap();
    let on = |t: &&Tip| t.facet.is_some_and(|f| part.is_keep_clean(f as usize));
    s.tips.iter().chain(&s.landings).filter(on).count()
}

#[test]
fn the_check_finds_no_fault() {
    let ctx = context();
    for (name, part) in parts() {
        let done = supported(part, &ctx);
        assert_no_fault(name, &done.value, &ctx);
        assert_eq!(marks(&done.value), 0, "{name}");
        assert!(done.report.worst() < Some(Severity::Fault), "{name}");
        // Only where surfaces are to stay clean may an overhang be left as it is; the figure's arm
        // bends its few tips beyond what the safety leaves, and is told.
        let told = |f: &&Finding| f.severity == Severity::Warning;
        let arm = |f: &Finding| name == "figure" && f.code == FindingCode::Neck;
        let clean = !done.value.keep_clean.is_empty();
        let told: Vec<_> = done.report.findings.iter().filter(told).collect();
        assert!(clean || told.iter().all(|f| arm(f)), "{name}: {told:?}");
    }
}

/// However a part is turned, the check finds nothing that the pass has not told.
#[test]
fn any_pose_holds_or_is_told() {
    let ctx = context();
    let mut seed = 11u64;
    let mut dice = || {
        seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (seed >> 11) as f64 / (1u64 << 53) as f64
    };
    for (name, part) in parts() {
        for _ in 0..ROLLS {
            let (x, y) = (360.0 * dice(), 360.0 * dice());
            let turned = tilted(part.body.clone(), x, y);
            let turned = Part { keep_clean: part.keep_clean.clone(), ..turned };
            let done = supported(turned, &ctx);
            let name = format!("{name} turned by {x}° and {y}°");
            what_fails_is_told(&name, &done.report, &done.value, &ctx);
            bars_keep_off(&name, &done.value, done.value.supports.as_ref().unwrap());
            assert_eq!(marks(&done.value), 0, "{name}");
        }
    }
}

/// Poses of each part.
const ROLLS: usize = 2;

/// Bodies that stand on a point or an edge: few tips are needed to begin them, many to hold them.
#[test]
fn where_load_governs_tips_are_few() {
    let ctx = context();
    let resin = &ctx.setup.resin;
    let neck_n = bar::neck_n(resin.green_strength_mpa, Support::default().tip_mm);
    for (name, part) in [
        ("cone", tilted(shapes::cone(9.0, 14.0, 60).unwrap(), 180.0, 0.0)),
        ("big cone", tilted(shapes::cone(15.0, 25.0, 60).unwrap(), 180.0, 0.0)),
    ] {
        let done = supported(part, &ctx);
        assert_no_fault(name, &done.value, &ctx);
        // The peak is read from the check, which knows nothing of what the pass thought.
        let bare = Evidence::gather(&done.value, &ctx).unwrap();
        let pull = |k: u32| -> f64 {
            bare.loads[bare.body_survey().regions_of(k)].iter().map(|l| l.peel.force_n).sum()
        };
        let peak_n = (0..bare.grid().layers).map(pull).fold(0.0, f64::max);
        let least = bar::necks_for(peak_n, ctx.setup.limits.safety, neck_n);
        let tips = done.value.supports.unwrap().tips.len();
        // Necks bend, the peeling front passes, the way back presses: up to six times as many as
        // the pull alone asks for.
        assert!(tips as f64 <= 6.0 * f64::from(least), "{name}: {tips} tips, {least} needed");
        assert!(tips >= least as usize, "{name}: {tips} tips, {least} needed");
    }
}

/// Where a piece begins on surfaces to be kept clean, nothing touches it and the pass says where.
#[test]
fn what_clean_surfaces_forbid_is_told() {
    let ctx = context();
    for (name, part) in [("gear", gear(35.0)), ("lens", lens(0.0)), ("lens", lens(80.0))] {
        let done = supported(part, &ctx);
        assert_eq!(marks(&done.value), 0, "{name}");
        let told = done.report.findings.iter().filter(|f| f.code == "island" && f.place.is_some());
        assert!(told.count() > 0, "{name}");
    }
}

/// The proof is not idle: without some of its tips the check sees what they held.
#[test]
fn without_some_tips_the_check_sees_the_fault() {
    let ctx = context();
    let mut seed = 7u64;
    let mut dice = |n: usize| {
        seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (seed >> 33) as usize % n
    };
    for (name, part) in parts() {
        let edit = Support::default().edit(supported(part, &ctx).value, &ctx).unwrap();
        assert_no_fault(name, &edit.done().value, &ctx);
        let before = missed(&edit.done().value, &ctx);
        // What begins in mid-air begins on the lowest tips.
        let z = |i: &usize| edit.tips()[*i].contact.z;
        let lowest = (0..edit.tips().len()).map(|i| z(&i)).fold(f64::INFINITY, f64::min);
        let lost: Vec<usize> = (0..edit.tips().len()).filter(|i| z(i) < lowest + 0.1).collect();
        let less = edit.without(&lost, &ctx).unwrap();
        assert!(missed(&less.done().value, &ctx) > before, "{name} without its lowest tips");
        // Many tips are there because each carries its own piece of a flat underside.
        for _ in 0..if edit.tips().len() > 40 { 3 } else { 0 } {
            let lost: Vec<usize> = (0..edit.tips().len()).filter(|_| dice(3) == 0).collect();
            let less = edit.without(&lost, &ctx).unwrap();
            assert!(missed(&less.done().value, &ctx) > before, "{name} without {lost:?}");
        }
    }
}

/// What upright columns of full thickness take that carry the same: one under every node of a
/// square grid so close that no underside lies farther from one than a tip reaches, on the base or
/// on the part below, but no fewer than one under every tip.
fn naive_mm3(part: &Part, ctx: &Context) -> f64 {
    let o = Support::default();
    let young = Reach::of(&ctx.setup);
    let reach_mm = young.free_mm.min(young.span_mm / 2.0) + o.tip_mm / 2.0;
    let pitch_mm = reach_mm * std::f64::consts::SQRT_2;
    let top_mm = Raft::default().thickness_mm;
    let b = part.body.bounds_at(&part.pose);
    let across = |k: usize| (1..).map(move |i| b.min[k] + (f64::from(i) - 0.5) * pitch_mm);
    let mut sum_mm = 0.0;
    for x in across(0).take_while(|&x| x < b.max.x) {
        for y in across(1).take_while(|&y| y < b.max.y) {
            // Heights at which the upright line enters or leaves the part, and how flat it is there.
            let mut meets: Vec<(f64, f64)> = (0..part.body.triangles().len())
                .filter_map(|i| {
                    let [p, q, r] = part.body.corners(i).map(|c| part.pose * c);
                    let side =
                        |a: Point, b: Point| (b.x - a.x) * (y - a.y) - (b.y - a.y) * (x - a.x);
                    let (u, v, w) = (side(q, r), side(r, p), side(p, q));
                    let up = u + v + w;
                    let inside = (u >= 0.0) == (v >= 0.0) && (v >= 0.0) == (w >= 0.0);
                    let n = (q - p).cross(&(r - p)).normalize();
                    (inside && up != 0.0).then(|| ((u * p.z + v * q.z + w * r.z) / up, n.z))
                })
                .collect();
            meets.sort_by(|a, b| a.0.total_cmp(&b.0));
            let mut below = top_mm;
            for (z, up) in meets {
                if up < -o.self_deg.to_radians().cos() {
                    sum_mm += (z - below).max(0.0);
                }
                if up > 0.0 {
                    below = z;
                }
            }
        }
    }
    let tips = &part.supports.as_ref().unwrap().tips;
    let under_tips = tips.iter().map(|t| t.contact.z - top_mm).sum();
    sum_mm.max(under_tips) * bar::area_mm2(o.column_mm)
}

/// Volume of the part alone, by its layers.
fn body_mm3(part: &Part, ctx: &Context) -> f64 {
    let surfaces = part.surfaces(&[Role::Body, Role::Lattice]);
    let grid = Grid::around(&surfaces, ctx.setup.exposure.layer_mm, 0.05).unwrap();
    Scan::new(&surfaces, grid).layers(&ctx.job).unwrap().volume_mm3()
}

#[test]
fn supports_take_less_resin_than_a_grid_of_columns() {
    let ctx = context();
    for (name, part) in parts() {
        let done = supported(part, &ctx);
        let naive = naive_mm3(&done.value, &ctx);
        let ours = done.report.numbers["support_mm3"];
        assert!(ours < 0.8 * naive, "{name}: {ours:.1} mm³, columns {naive:.1} mm³");
        // Shells of a body may overlap; its layers count what they share once.
        let share = ours / body_mm3(&done.value, &ctx);
        assert!((done.report.numbers["support_share"] - share).abs() < 0.02 * share, "{name}");
    }
}

/// A neck that stands on a steep wall of the part reaches in so far that no edge of it begins in
/// mid-air.
#[test]
fn what_stands_on_the_part_begins_inside_it() {
    // The pose that this film chooses has such a wall under an island.
    let ctx = Context::new(mean_stress());
    let part = Part::new(shapes::figure(4, 32.0, 50_000, &Job::default()).unwrap());
    // A cavity with a flat ceiling, in a pose chosen for all but looks, needs columns inside.
    let mut flat = Recipe::default();
    for step in &mut flat.steps {
        match step {
            Step::Hollow(hollow) => {
                (hollow.roof, hollow.least_saved, hollow.least_cavity_mm3) = (false, 0.0, 50.0);
            }
            Step::Orient(o) => {
                o.weights = Weights {
                    seen_scars: 0.0,
                    seen_steps: 0.0,
                    upright: 0.0,
                    holes: 0.0,
                    ..Weights::default()
                }
            }
            _ => {}
        }
    }
    let done = flat.apply(part.clone(), &ctx).unwrap();
    let s = done.value.supports.as_ref().unwrap();
    assert!(s.landings.iter().any(|t| t.normal.z < 0.3), "no steep landing: {:?}", s.landings);
    assert_no_fault("figure", &done.value, &ctx);
    // Under its roof and leaning back, the figure needs none.
    let done = Recipe::default().apply(part, &ctx).unwrap();
    assert!(done.value.supports.as_ref().unwrap().landings.is_empty());
}

/// Where two limbs meet, a pixel may show one layer before what joins it to both, with no room for a
/// tip below: the pass warns of it, as the check does.
#[test]
fn specks_without_room_are_no_faults() {
    let ctx = Context::new(Setup::load("desk-50um").unwrap());
    let [w, x, y, z] =
        [0.3666905882356066, -0.6470471922073752, 0.6590141224303099, 0.11210856342574906];
    let turn = UnitQuaternion::from_quaternion(nalgebra::Quaternion::new(w, x, y, z));
    let part = Part::new(shapes::figure(5, 45.0, 50_000, &Job::default()).unwrap())
        .turned(turn, 0.0)
        .unwrap();
    let mut recipe = Recipe::default();
    recipe.steps.remove(0); // it is turned already
    let done = recipe.apply(part, &ctx).unwrap();
    let told = done.report.inner.iter().find(|r| r.pass == "support").unwrap();
    assert!(told.worst() < Some(Severity::Fault), "{told:#?}");
    assert_no_fault("figure", &done.value, &ctx);
}
