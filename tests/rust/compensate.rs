//! Compensation: nearer to the model by other measures than its own, never worse, and sound.

use nalgebra::UnitQuaternion;
use std::sync::Arc;
use vatwright::layers::{Grid, Layers, SUBPIXEL, Scan};
use vatwright::light::{Dose, Light};
use vatwright::mesh::boolean::{subtract, union};
use vatwright::mesh::shapes::{cuboid, cylinder, gear, plano_convex};
use vatwright::mesh::winding::Winding;
use vatwright::passes::{Compensate, Orient, Pass, Print, Raft, Support, Vent, raft::Style};
use vatwright::{Context, Done, Job, Part, Pose, Recipe, Role, Setup, Solid, Step, Vector};

/// Light without tails: with them the foot's flare fills what lies near to the plate whatever the
/// outline.
fn core() -> Context {
    let mut setup = Setup::default();
    setup.exposure.edge_tail_share = 0.0;
    Context::new(setup)
}

fn at(solid: Solid, x: f64, y: f64, z: f64) -> Solid {
    Solid::try_from(solid.transformed(&Pose::translation(x, y, z))).unwrap()
}

fn block(x: f64, y: f64, z: f64) -> Solid {
    cuboid(x, y, z).unwrap()
}

fn joined(a: &Solid, b: &Solid) -> Solid {
    union(&[a, b], &Job::default()).unwrap().solid
}

/// A plate with three bores and three pins.
fn comb() -> Solid {
    let rod = |r: f64, x: f64, y: f64, z: f64| at(cylinder(r, 2.0, 16).unwrap(), x, y, z);
    let bores = [(0.35, 0.8), (0.25, 1.8), (0.2, 2.7)].map(|(r, x)| rod(r, x, 0.7, -0.5));
    let plate = subtract(&block(3.4, 2.0, 1.0), &bores.each_ref(), &Job::default()).unwrap().solid;
    let pins = [(0.3, 0.8), (0.2, 1.8), (0.15, 2.7)].map(|(r, x)| rod(r, x, 1.5, 0.5));
    pins.iter().fold(plate, |body, pin| joined(&body, pin))
}

fn stairs() -> Solid {
    let step = |i: u32| at(block(1.0, 2.0, 0.5 * f64::from(i + 1)), f64::from(i), 0.0, 0.0);
    (1..3).fold(step(0), |body, i| joined(&body, &step(i)))
}

fn bracket() -> Solid {
    joined(&block(1.0, 1.5, 2.0), &at(block(2.5, 1.5, 1.0), 0.0, 0.0, 1.0))
}

/// A lens whose round face looks towards the plate, in mid-air as on supports.
fn lens() -> Part {
    let part = Part::new(plano_convex(5.0, 3.0, 0.9, 24).unwrap());
    let over = UnitQuaternion::from_axis_angle(&Vector::x_axis(), std::f64::consts::PI);
    part.turned(over, 1.5).unwrap()
}

fn compensated(part: &Part, ctx: &Context) -> Done<Part> {
    Compensate::default().apply(part.clone(), ctx).unwrap()
}

/// Volume in which what cures differs from the model, mm³, on a lattice of places in every layer.
fn astray_mm3(drawn: &Part, model: &Part, ctx: &Context) -> f64 {
    const EACH_MM: f64 = 0.01;
    let (job, layer_mm) = (Job::default(), ctx.setup.exposure.layer_mm);
    let surfaces = drawn.surfaces(&Role::ALL);
    let dose = Dose::new(&surfaces, Light::of(&ctx.setup), layer_mm, 0.025).unwrap();
    let cured = dose.cured(&job).unwrap();
    let model = model.surfaces(&Role::ALL);
    let asked = Scan::new(&model, Grid::around(&model, layer_mm, EACH_MM).unwrap());
    let asked = asked.layers(&job).unwrap();
    let holds = |layers: &Layers, k: u32, x: f64, y: f64| {
        let g = &layers.grid;
        let (row, x) = ((y - g.y0_mm) / g.pitch_mm, (x - g.x0_mm) / g.pitch_mm);
        let x = x * f64::from(SUBPIXEL);
        let layer = layers.layers.get(k as usize);
        row >= 0.0
            && layer.is_some_and(|layer| {
                layer.row(row as u32).iter().any(|s| f64::from(s.x0) <= x && x < f64::from(s.x1))
            })
    };
    let (g, margin) = (&asked.grid, 40);
    let mut places = 0;
    for k in 0..cured.grid.layers.max(g.layers) {
        for j in -margin..g.rows as i32 + margin {
            for i in -margin..g.columns as i32 + margin {
                let x = g.x0_mm + (f64::from(i) + 0.5) * EACH_MM;
                let y = g.y0_mm + (f64::from(j) + 0.5) * EACH_MM;
                places += u32::from(holds(&cured, k, x, y) != holds(&asked, k, x, y));
            }
        }
    }
    f64::from(places) * EACH_MM * EACH_MM * layer_mm
}

/// Winding numbers just beside every facet: 1 inside, 0 outside, whatever else where a surface
/// crosses itself.
fn assert_sound(part: &Part) {
    const BESIDE_MM: f64 = 2e-5;
    let mesh = part.body.mesh();
    let winding = Winding::of(mesh);
    for i in 0..mesh.triangles().len() {
        let [a, b, c] = mesh.corners(i);
        let normal = mesh.area_normal(i);
        if normal.norm() < 1e-9 {
            continue;
        }
        let aside = normal.normalize() * BESIDE_MM;
        let middle = a + ((b - a) + (c - a)) / 3.0;
        let found = [winding.at(&(middle - aside)), winding.at(&(middle + aside))];
        assert!((found[0] - 1.0).abs() < 1e-3 && found[1].abs() < 1e-3, "facet {i}: {found:?}");
    }
}

/// Part, and by how much mean and greatest error fall at least.
fn cases() -> Vec<(&'static str, Part, f64, f64)> {
    vec![
        ("cube", Part::new(block(2.0, 2.0, 1.5)), 0.8, 0.5),
        ("comb", Part::new(comb()), 0.8, 0.6),
        ("gear", Part::new(gear(0.2, 17, 0.8, 1.2, 2).unwrap()), 0.6, 0.6),
        ("stairs", Part::new(stairs()), 0.7, 0.4),
        ("bracket", Part::new(bracket()), 0.8, 0.8),
        ("lens", lens(), 0.8, 0.8),
    ]
}

#[test]
fn what_the_light_leaves_agrees_with_the_model() {
    let ctx = core();
    for (name, part, mean, greatest) in cases() {
        let done = compensated(&part, &ctx);
        let n = |name: &str| done.report.numbers[name];
        let gain =
            |what: &str| 1.0 - n(&format!("{what}_after_mm")) / n(&format!("{what}_before_mm"));
        assert!(gain("mean") >= mean, "{name}: mean {}", gain("mean"));
        assert!(gain("greatest") >= greatest, "{name}: greatest {}", gain("greatest"));
        assert!(n("gone_after_mm2") <= n("gone_before_mm2"), "{name}");
        assert_sound(&done.value);
        // Layers against layers, without a look along normals.
        let (before, after) =
            (astray_mm3(&part, &part, &ctx), astray_mm3(&done.value, &part, &ctx));
        assert!(after < 0.3 * before, "{name}: {before} → {after} mm³");
        // The print pass measures against what was asked for.
        let printed = Print::default().apply(&done.value, &ctx).unwrap().value;
        assert!(printed.mean_mm < 1.05 * n("mean_after_mm"), "{name}: {}", printed.mean_mm);
        let again = compensated(&done.value, &ctx);
        let moved = again.report.numbers["moved_mean_mm"];
        assert!(moved < 0.1 * n("moved_mean_mm"), "{name}: {moved} again");
    }
}

/// With the default light a cube's foot flares by 0.3 mm and its corners by less.
#[test]
fn tails_of_the_light_are_taken_back_too() {
    let ctx = Context::new(Setup::default());
    let done = compensated(&Part::new(block(2.0, 2.0, 1.0)), &ctx);
    let n = |name: &str| done.report.numbers[name];
    assert!(n("mean_after_mm") < 0.4 * n("mean_before_mm"));
    assert!(n("greatest_after_mm") < 0.5 * n("greatest_before_mm"));
    assert!(!done.report.findings.iter().any(|f| f.remedy.contains("compensate")));
    assert_sound(&done.value);
}

#[test]
fn keep_clean_facets_stay_to_the_last_bit() {
    let ctx = core();
    let mut part = Part::new(block(2.0, 2.0, 1.0));
    let clean: Vec<bool> =
        (0..part.body.triangles().len()).map(|i| part.body.area_normal(i).x > 0.0).collect();
    part.keep_clean = Arc::new(clean);
    let done = compensated(&part, &ctx).value;
    let asked = done.asked.clone().unwrap();
    let facets = || (0..asked.triangles().len()).filter(|&i| done.is_keep_clean(i));
    assert!(facets().count() > 2);
    assert!(facets().all(|i| done.body.corners(i) == asked.corners(i)));
    assert_ne!(done.body.vertices(), asked.vertices());
    let all = Compensate { move_keep_clean: true, ..Compensate::default() };
    let moved = all.apply(part, &ctx).unwrap().value;
    assert!(
        (0..asked.triangles().len())
            .any(|i| moved.body.corners(i) != asked.corners(i) && moved.is_keep_clean(i))
    );
}

/// A fin of 0.24 mm would be drawn 0.20 mm thin.
#[test]
fn thin_walls_stay_as_thick_as_was_asked() {
    let ctx = core();
    let mut fin = Part::new(block(0.24, 2.0, 1.5));
    fin.pose.translation.vector.z += 1.0;
    let thickness = |part: &Part| {
        let x = part.body.vertices().iter().map(|v| v.x);
        x.clone().fold(f64::MIN, f64::max) - x.fold(f64::MAX, f64::min)
    };
    let free = compensated(&fin, &ctx).value;
    assert!(thickness(&free) < 0.215, "{}", thickness(&free));
    let kept = Compensate { least_wall_mm: 0.235, ..Compensate::default() };
    let kept = kept.apply(fin.clone(), &ctx).unwrap().value;
    assert!(thickness(&kept) >= 0.235 - 1e-9, "{}", thickness(&kept));
    let thick = Compensate { least_wall_mm: 0.5, ..Compensate::default() };
    let thick = thick.apply(fin, &ctx).unwrap().value;
    assert!(thickness(&thick) >= 0.24 - 1e-9, "{}", thickness(&thick));
}

#[test]
fn what_cannot_be_bettered_is_left_alone() {
    let ctx = core();
    let part = compensated(&Part::new(block(1.0, 1.0, 0.5)), &ctx).value;
    let again = compensated(&part, &ctx);
    assert_eq!(again.value, part);
    assert!(again.report.findings.iter().any(|f| f.code == "not_compensated"));
}

#[test]
fn the_same_bytes_on_any_number_of_threads() {
    let ctx = core();
    let part = Part::new(bracket());
    let on = |threads: usize| {
        let pool = Job::default().with_threads(threads).pool().unwrap();
        pool.install(|| compensated(&part, &ctx).value)
    };
    assert_eq!(on(1), on(3));
}

#[test]
fn passes_that_would_undo_it_refuse() {
    let ctx = core();
    let part = compensated(&Part::new(block(1.0, 1.0, 0.5)), &ctx).value;
    let passes: [&dyn Pass<Part, Out = Part>; 3] =
        [&Orient::default(), &Raft::default(), &Vent::default()];
    for pass in passes {
        let error = pass.apply(part.clone(), &ctx).unwrap_err();
        assert!(error.to_string().contains("before compensate"), "{error}");
    }
    let raft = Raft { style: Style::None, inset_mm: Some(0.05), ..Raft::default() };
    let inset = raft.apply(Part::new(block(1.0, 1.0, 0.5)), &ctx).unwrap().value;
    let error = Compensate::default().apply(inset, &ctx).unwrap_err();
    assert!(error.to_string().contains("raft.inset_mm"), "{error}");
    let mut held = Part::new(block(3.0, 3.0, 1.0));
    held.pose.translation.vector.z += 3.0;
    let held = Support::default().apply(held, &ctx).unwrap().value;
    let error = Compensate::default().apply(held, &ctx).unwrap_err();
    assert!(error.to_string().contains("before support"), "{error}");
}

#[test]
fn a_recipe_compensates_between_raft_and_support() {
    let steps = vec![
        Step::Raft(Raft { lift_mm: 2.0, ..Raft::default() }),
        Step::Compensate(Compensate { apart_mm: 1.0, rounds: 2, ..Compensate::default() }),
        Step::Support(Support::default()),
    ];
    let text = Recipe { steps }.to_toml().unwrap();
    let recipe = Recipe::from_toml(&text, "recipe.toml").unwrap();
    let done = recipe.apply(Part::new(block(3.0, 3.0, 1.0)), &core()).unwrap();
    let told = &done.report.inner[1];
    assert_eq!(told.pass, "compensate");
    assert!(told.numbers["mean_after_mm"] < 0.6 * told.numbers["mean_before_mm"]);
    // Tips stand on the raised underside.
    let lowest = done.value.body.bounds_at(&done.value.pose).min.z;
    assert!(lowest > 2.1, "{lowest}");
    assert!(!done.value.supports.unwrap().tips.is_empty());
    assert!(!Recipe::default().steps.iter().any(|s| matches!(s, Step::Compensate(_))));
}

#[test]
fn it_stops_when_asked() {
    let job = Job::default();
    job.cancel.cancel();
    let error = Compensate::default()
        .apply(Part::new(block(1.0, 1.0, 0.5)), &core().with_job(job))
        .unwrap_err();
    assert_eq!(error.code(), "cancelled");
}
