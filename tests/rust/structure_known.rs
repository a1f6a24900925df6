//! What holds a part, against hand formulas: necks that bend, the press on the way back, suction that
//! vents leave, the part's own stems, feet that stand apart, the film's stretch, thin plates, closed
//! cavities.

use crate::check_loads::on_columns;
use crate::common::mean_stress;
use std::f64::consts::PI;
use std::sync::Arc;
use vatwright::check::{Checked, inspect};
use vatwright::layers::{Grid, Scan, Survey};
use vatwright::mechanics::springback::{arrival_n, series_stiffness_n_mm};
use vatwright::mechanics::{bar, peel};
use vatwright::mesh::shapes::{cuboid, cylinder, frustum, plate, sphere};
use vatwright::passes::{Hollow, Raft, Support, Vent};
use vatwright::{
    Base, Context, Finding, Mesh, Part, Pass, Point, Pose, Role, Setup, Severity, Solid,
};

fn checked(part: &Part, setup: &Setup) -> Checked {
    inspect(part, &Context::new(setup.clone())).unwrap()
}

fn of(checked: &Checked, code: &str) -> Option<Finding> {
    checked.findings.iter().find(|f| f.code == code).cloned()
}

/// A setup that comes back so slowly that nothing is pressed.
fn gentle() -> Setup {
    let mut setup = mean_stress();
    setup.machine.return_speed_mm_s = 0.01;
    setup
}

/// One tip beside the middle of what it holds bears N/A + M·r/I (any strength-of-materials book): a
/// square of 7 mm, 2.5 mm off.
#[test]
fn a_tip_beside_the_middle_bends() {
    let (side, off, d) = (7.0, 2.5, 0.4);
    let part = on_columns(plate(side, side, 1.0).unwrap(), 8.0, &[[off, 0.0]], d, 1.2);
    let setup = gentle();
    let found = checked(&part, &setup);
    let tips = of(&found, "tips").unwrap();
    let pull = peel::Model::of(&setup).force_n(side * side, 0.8828); // of a square, Saint-Venant
    let hand = pull / bar::area_mm2(d) + 32.0 * pull * off / (PI * d.powi(3));
    assert!((tips.value.unwrap() / hand - 1.0).abs() < 0.01, "{tips:#?} {hand}");
    assert_eq!(tips.limit, Some(10.0));
    assert_eq!(tips.severity, Severity::Fault);
}

/// The way back presses: three upright columns and their necks in a row with the arm, P/3A a neck.
#[test]
fn the_way_back_presses_necks() {
    let (side, d, column) = (9.0, 0.4, 1.2);
    let r = 2.5;
    let at: Vec<[f64; 2]> = (0..3)
        .map(|i| {
            let (s, c) = (2.0 * PI * f64::from(i) / 3.0).sin_cos();
            [r * c, r * s]
        })
        .collect();
    let part = on_columns(plate(side, side, 1.0).unwrap(), 8.0, &at, d, column);
    let mut setup = mean_stress();
    setup.machine.return_speed_mm_s = 40.0;
    setup.machine.separation_kpa = 0.2;
    let tips = of(&checked(&part, &setup), "tips").unwrap();
    assert!(tips.message.contains("the press on the way back"), "{tips:#?}");
    // The neck is half as wide again below, 1.5 mm long; the column stands from 0.3 to 6.5 mm.
    let neck = bar::taper_axial_n_mm(1000.0, d, 1.5 * d, 1.5);
    let one = series_stiffness_n_mm(&[bar::axial_n_mm(1000.0, column, 6.2), neck]);
    let k = series_stiffness_n_mm(&[3.0 * one, 400.0]);
    let torsion = 0.1406 * side.powi(4); // of a square, Saint-Venant (from memory)
    let press = arrival_n(torsion, 0.05, 40.0, 0.3, k);
    let hand = press / 3.0 / bar::area_mm2(d);
    assert!((tips.value.unwrap() / hand - 1.0).abs() < 0.03, "{} {hand}", tips.value.unwrap());
    // An upper bound in itself: the strength is its limit, without safety on top.
    assert_eq!(tips.limit, Some(20.0));
}

/// A stem of 0.6 mm under a flare of R 12: what the flare pulls over the stem's area.
#[test]
fn a_thin_stem_is_told() {
    let flared = |wide: f64| {
        let foot = cylinder(6.0, 2.0, 64).unwrap();
        let stem = cylinder(wide, 8.2, 64).unwrap().transformed(&Pose::translation(0.0, 0.0, 1.9));
        let head = frustum(wide + 0.05, 12.0, 12.0, 128).unwrap();
        let head = head.transformed(&Pose::translation(0.0, 0.0, 10.0));
        Part::new(Solid::try_from(Mesh::concat("flare", [&*foot, &stem, &head])).unwrap())
    };
    let found = of(&checked(&flared(0.3), &gentle()), "strength").unwrap();
    let pull = 0.020 * PI * 144.0;
    let hand = pull / bar::area_mm2(0.6);
    // The front bends it besides: half the pull at R/2 off at most.
    let front = 0.5 * hand + 32.0 * 0.5 * pull * 6.0 / (PI * 0.6_f64.powi(3));
    let value = found.value.unwrap();
    assert!(value > hand && value < 1.5 * front, "{value} {hand} {front}");
    assert_eq!(found.severity, Severity::Fault);
    let z = found.place.unwrap()[2];
    assert!((2.0..10.5).contains(&z), "{found:#?}");
    assert!(of(&checked(&flared(4.0), &gentle()), "strength").is_none());
}

/// What vents let pass keeps a pressure over the cavity's section: vent's own number over the widest
/// section of the cavity, a disc of R 10.
#[test]
fn vented_suction_pulls() {
    let ctx = Context::new(Setup::default());
    let part = Part::new(sphere(12.0, 20_000).unwrap());
    // A roof would narrow the ball's widest section.
    let hollow = Hollow { wall_mm: 2.0, roof: false, ..Hollow::default() };
    let part = hollow.apply(part, &ctx).unwrap().value;
    let done = Vent::default().apply(part, &ctx).unwrap();
    assert!(!done.value.vents.is_empty());
    let widest =
        |setup: &Setup| checked(&done.value, setup).profile.suction_n[(12.0 / 0.05) as usize];
    let pull = widest(&ctx.setup);
    let hand = 1e-3 * done.report.numbers["pressure_kpa"] * PI * 100.0;
    assert!((pull / hand - 1.0).abs() < 0.05, "{pull} {hand}");
    // Twice as fast, and it pulls twice as hard.
    let mut fast = Setup::clone(&ctx.setup);
    fast.machine.lift_speed_mm_s *= 2.0;
    assert!((widest(&fast) / pull - 2.0).abs() < 0.01);
}

/// A stiff column between two soft ones: its own foot takes the pull, not a third of it.
#[test]
fn feet_that_stand_apart_hold_by_themselves() {
    let at = [[-6.0, 0.0], [0.0, 0.0], [6.0, 0.0]];
    let mut part = on_columns(plate(16.0, 8.0, 1.0).unwrap(), 12.0, &at, 0.8, 2.0);
    let mut supports = part.supports.as_deref().unwrap().clone();
    for side in [0, 2] {
        supports.members[side].diameter_mm = 0.5;
        supports.tips[side].diameter_mm = 0.3;
    }
    part.supports = Some(Arc::new(supports));
    let radius = 2.0;
    let discs: Vec<Mesh> = at
        .iter()
        .map(|p| {
            let disc = cylinder(radius, 0.6, 64).unwrap();
            disc.transformed(&Pose::translation(p[0], p[1], 0.0))
        })
        .collect();
    let plan = Raft { thickness_mm: 0.6, ..Raft::default() };
    let mesh = Mesh::concat("feet", &discs);
    part.raft = Some(Arc::new(Base { plan, bond_mm2: 3.0 * PI * radius * radius, mesh }));
    let setup = gentle();
    let spring = |d: f64, neck: f64| {
        let cone = bar::taper_axial_n_mm(1000.0, neck, (1.5 * neck).min(d), 1.5);
        series_stiffness_n_mm(&[bar::axial_n_mm(1000.0, d, 10.2), cone])
    };
    let (stiff, soft) = (spring(2.0, 0.8), spring(0.5, 0.3));
    let share = stiff / (stiff + 2.0 * soft);
    let found = checked(&part, &setup);
    let layer = (12.5 / 0.05) as usize;
    let area = bar::area_mm2(2.0 * radius);
    let kpa = 1e3 * share * found.profile.peel_n[layer] / area;
    let use_ = kpa / (setup.resin.plate_bond_kpa / setup.limits.safety);
    let ours = found.profile.bond_use[layer];
    assert!((ours / use_ - 1.0).abs() < 0.05, "{ours} {use_}");
    let whole = 1e3 * found.profile.peel_n[layer] / (3.0 * area) / 75.0;
    assert!(ours > 1.5 * whole, "as one footing it would be {whole}");
}

/// δ = F·(c + 1/k) (Hooke): a lift shorter than that parts nothing.
#[test]
fn a_lift_shorter_than_the_stretch_is_told() {
    let part = Part::new(cylinder(12.0, 2.0, 64).unwrap());
    let mut setup = gentle();
    setup.machine.film_compliance_mm_n = 3.0;
    setup.machine.lift_mm = 0.3;
    let lift = of(&checked(&part, &setup), "lift").unwrap();
    let hand = 0.020 * PI * 144.0 * (3.0 + 1.0 / 400.0);
    assert!((lift.value.unwrap() / hand - 1.0).abs() < 0.02, "{lift:#?} {hand}");
    setup.machine.lift_mm = 1.1 * hand;
    assert!(of(&checked(&part, &setup), "lift").is_none());
}

/// Tips end inside what they hold, however thin it is.
#[test]
fn tips_do_not_come_out_of_a_thin_plate() {
    let ctx = Context::new(Setup::default());
    let part = Part::new(plate(20.0, 12.0, 0.3).unwrap());
    let part = Raft::default().apply(part, &ctx).unwrap().value;
    let top = part.bounds().max.z;
    let support = Support { embed_mm: 0.5, ..Support::default() };
    let done = support.apply(part, &ctx).unwrap().value;
    let s = done.supports.as_deref().unwrap();
    assert!(s.tips.len() > 3);
    let highest = s.mesh.vertices().iter().map(|v| v.z).fold(0.0, f64::max);
    assert!(highest < top, "{highest} {top}");
}

/// Nothing is built in a closed box, and the pass says why.
#[test]
fn no_column_stands_in_a_closed_cavity() {
    let ctx = Context::new(Setup::default());
    let inner: Mesh =
        cuboid(20.0, 16.0, 8.0).unwrap().transformed(&Pose::translation(0.0, 0.0, 2.0));
    let mut part = Part::new(cuboid(24.0, 20.0, 12.0).unwrap());
    let shift = part.body.bounds().center() - inner.bounds().center();
    let inner = Mesh::new(
        "cavity",
        inner.vertices().iter().map(|v| v + shift).collect(),
        inner.triangles().iter().map(|t| [t[0], t[2], t[1]]).collect(),
    );
    part.cavities = vec![Arc::new(inner.unwrap())];
    let part = Raft::default().apply(part, &ctx).unwrap().value;
    let grid = Grid::around(&part.surfaces(&Role::ALL), 0.05, 0.2).unwrap();
    let layers = Scan::new(&part.surfaces(&Role::ALL), grid).layers(&ctx.job).unwrap();
    assert_eq!(Survey::of(&layers, &ctx.job).unwrap().pockets().count(), 1);
    let done = Support::default().apply(part.clone(), &ctx).unwrap();
    let s = done.value.supports.as_deref().unwrap();
    let body = part.body.bounds_at(&part.pose);
    let inside = |p: &Point| (body.min.z + 1.5..body.max.z - 1.5).contains(&p.z);
    assert!(
        s.nodes.iter().all(|p| !inside(p)),
        "{} nodes",
        s.nodes.iter().filter(|p| inside(p)).count()
    );
    let told: Vec<&Finding> =
        done.report.findings.iter().filter(|f| f.message.contains("closed cavity")).collect();
    assert_eq!(told.len(), 1, "{:#?}", done.report.findings);
    assert!(told[0].place.is_some() && told[0].layers.is_some());
}
