//! The vent pass: what leaves it is neither sealed nor full of resin, with the fewest holes.

use crate::common::shared;
use approx::{assert_abs_diff_eq, assert_relative_eq};
use nalgebra::UnitQuaternion;
use std::f64::consts::PI;
use std::sync::Arc;
use vatwright::layers::{Fill, Grid, Scan, Surface, Survey};
use vatwright::mechanics::flow::{Bore, pressure_kpa};
use vatwright::mesh::iso::{Field, Sample, surface};
use vatwright::mesh::measure::volume_mm3;
use vatwright::mesh::{boolean, io, shapes};
use vatwright::passes::{Pass, Vent};
use vatwright::{
    Bounds, Context, Done, Error, Mesh, Part, Point, Pose, Role, Setup, Severity, Solid, Vector,
    VentHole,
};

fn ctx() -> Context {
    Context::new(Setup::default())
}

/// A part as it would hang on supports, its lowest point 5 mm off the plate.
fn lifted(solid: Solid) -> Part {
    let mut part = Part::new(solid);
    part.pose.translation.vector.z += 5.0;
    part
}

fn vent(part: &Part, options: &Vent) -> Done<Part> {
    options.apply(part.clone(), &ctx()).unwrap()
}

/// Cups and pockets above noise at the printer's own pitch, of surfaces at their place.
fn survey(surfaces: &[Surface<'_>], setup: &Setup) -> Survey {
    let grid = Grid::around(surfaces, setup.exposure.layer_mm, setup.machine.pixel_mm).unwrap();
    Survey::stream(&Scan::new(surfaces, grid), 64 << 20, &Context::new(setup.clone()).job).unwrap()
}

/// Widest cup and largest pocket (mm², mm³) above noise, and largest puddle of the hanging part.
#[derive(Debug, Default, PartialEq)]
struct Faults {
    cup_mm2: f64,
    pocket_mm3: f64,
    puddle_mm3: f64,
}

fn faults(surfaces: &[Surface<'_>]) -> Faults {
    let setup = Setup::default();
    let mut out = Faults::default();
    for cup in survey(surfaces, &setup).cups.iter().filter(|c| c.volume_mm3 > 0.05) {
        out.cup_mm2 = out.cup_mm2.max(cup.widest().1);
        if cup.is_pocket() {
            out.pocket_mm3 = out.pocket_mm3.max(cup.volume_mm3);
        }
    }
    // Hanging from the plate, the part stands on its head before gravity.
    let over = Pose::rotation(Vector::x() * PI);
    let top = surfaces.iter().map(|s| s.mesh.bounds_at(&s.pose).max.z).fold(0.0, f64::max);
    let hanging: Vec<Surface<'_>> = surfaces
        .iter()
        .map(|s| Surface { pose: Pose::translation(0.0, 0.0, top + 2.0) * over * s.pose, ..*s })
        .collect();
    for cup in &survey(&hanging, &setup).cups {
        out.puddle_mm3 = out.puddle_mm3.max(cup.volume_mm3);
    }
    out
}

/// A round tool where a hole was cut, facing inward, longer than the wall.
fn drilled(hole: &VentHole) -> Mesh {
    let long = hole.length_mm + 1.0;
    let drill = shapes::cylinder(0.5 * hole.diameter_mm, long, 48).unwrap();
    let c = drill.bounds().center();
    let middle = hole.mouth + hole.inward * (0.5 * hole.length_mm);
    let turn = nalgebra::UnitQuaternion::rotation_between(&Vector::z(), &hole.inward)
        .unwrap_or_else(|| nalgebra::UnitQuaternion::from_axis_angle(&Vector::x_axis(), PI));
    let pose = Pose::from_parts(middle.coords.into(), turn) * Pose::translation(-c.x, -c.y, -c.z);
    drill.transformed(&pose).flipped()
}

/// The faults of a part that has only some of its holes.
fn faults_with(part: &Part, holes: &[VentHole]) -> Faults {
    let tools: Vec<Mesh> = holes.iter().map(drilled).collect();
    let mut surfaces = part.surfaces(&Role::ALL);
    surfaces.extend(tools.iter().map(|mesh| Surface { mesh, pose: part.pose, fill: Fill::Cavity }));
    faults(&surfaces)
}

/// Nothing sealed beyond the stated area, no pocket; puddles below the stated volume.
fn assert_vented(part: &Part, options: &Vent) {
    let f = faults(&part.surfaces(&Role::ALL));
    assert!(f.cup_mm2 < options.cup_mm2, "{f:?}");
    assert_eq!(f.pocket_mm3, 0.0, "{f:?}");
    assert!(f.puddle_mm3 <= options.puddle_ml * 1e3, "{f:?}");
}

/// Without any one of its holes the part is at fault again.
fn assert_minimal(before: &Part, after: &Part, options: &Vent) {
    let holes = &after.vents;
    assert!(bad(&faults_with(before, &[]), options), "nothing to vent");
    assert!(!bad(&faults_with(before, holes), options), "the twin does not see the holes");
    for i in 0..holes.len() {
        let mut others = holes.clone();
        others.remove(i);
        let f = faults_with(before, &others);
        assert!(bad(&f, options), "hole {i} of {} is not needed: {f:?}", holes.len());
    }
}

fn bad(f: &Faults, options: &Vent) -> bool {
    f.cup_mm2 >= options.cup_mm2 || f.pocket_mm3 > 0.0 || f.puddle_mm3 > options.puddle_ml * 1e3
}

fn hollow_ball() -> Solid {
    shapes::hollow_sphere(10.0, 8.0, 8000).unwrap()
}

#[test]
fn a_sealed_ball_gets_air_next_to_the_plate_and_a_drain_at_the_far_end() {
    let (part, options) = (lifted(hollow_ball()), Vent::default());
    let done = vent(&part, &options);
    let out = &done.value;
    assert_eq!(done.report.numbers["holes"], 2.0, "{:?}", done.report);
    assert_vented(out, &options);
    assert_minimal(&part, out, &options);
    // Air in at the end next to the plate, resin out at the other, both straight through.
    let ends: Vec<Point> = out.vents.iter().map(|v| v.mouth).collect();
    assert!(ends[0].z < -9.0 && ends[1].z > 9.0, "{ends:?}");
    for v in &out.vents {
        assert_relative_eq!(v.length_mm, 2.0, max_relative = 0.02);
        assert!(v.inward.dot(&(-v.mouth.coords.normalize())) > 0.99);
        assert_eq!(v.cavity, 1);
    }
    assert_relative_eq!(
        done.report.numbers["cavity_1_ml"],
        4.0 / 3.0 * PI * 0.512,
        max_relative = 0.02
    );
    assert!(done.report.worst() <= Some(Severity::Note), "{:?}", done.report.findings);
}

#[test]
fn volumes_add_up_solid_less_cavity_less_bores() {
    let part = lifted(hollow_ball());
    let out = vent(&part, &Vent { sides: 64, ..Vent::default() }).value;
    // A bore of radius a through the wall between two balls takes 4π/3·[(R²)^{3/2} − (R² − a²)^{3/2}
    // − (r²)^{3/2} + (r² − a²)^{3/2}] / 2 (shells of cylinders, derived).
    let taken = |a: f64| {
        let part = |r: f64| r.powi(3) - (r * r - a * a).powf(1.5);
        2.0 / 3.0 * PI * (part(10.0) - part(8.0))
    };
    let bores: f64 = out.vents.iter().map(|v| taken(0.5 * v.diameter_mm)).sum();
    let lost = volume_mm3(&part.body) - volume_mm3(&out.body);
    assert_relative_eq!(lost, bores, max_relative = 0.01);
    // And what the layers print is what the surface encloses.
    let s = survey(&out.surfaces(&[Role::Body]), &Setup::default());
    assert_relative_eq!(s.volume_mm3(), volume_mm3(&out.body), max_relative = 2e-4);
}

/// A cavity as the hollow pass hands it on: a surface of its own, facing into the cavity.
fn hollowed() -> Part {
    let mut part = lifted(shapes::sphere(10.0, 8000).unwrap());
    let inner = shapes::sphere(8.0, 5000).unwrap();
    part.cavities.push(Arc::new(inner.flipped()));
    part
}

#[test]
fn cavities_become_part_of_the_body() {
    let (part, options) = (hollowed(), Vent::default());
    let done = vent(&part, &options);
    let out = &done.value;
    assert!(out.cavities.is_empty());
    assert_eq!(out.vents.len(), 2);
    assert_vented(out, &options);
    let shell = volume_mm3(&part.body) + volume_mm3(&part.cavities[0]);
    let bores = shell - volume_mm3(&out.body);
    assert!(bores > 0.0 && bores < 2.0 * PI * 2.5, "{bores}");
    assert!(boolean::fuse(&out.body, &ctx().job).is_ok());
}

#[test]
fn a_bowl_that_opens_away_from_the_plate_needs_one_hole_at_its_bottom() {
    let bowl = shapes::bowl(15.0, 2.0, 0.0, 120).unwrap();
    let mut part = lifted(bowl);
    let options = Vent::default();
    // Whichever way the shape is made, turn its mouth away from the plate.
    if faults(&part.surfaces(&Role::ALL)).cup_mm2 == 0.0 {
        part.pose.rotation = nalgebra::UnitQuaternion::from_axis_angle(&Vector::x_axis(), PI);
        let low = part.bounds().min.z;
        part.pose.translation.vector.z += 5.0 - low;
    }
    let done = vent(&part, &options);
    assert_eq!(done.value.vents.len(), 1, "{:?}", done.report);
    let mouth = part.pose * done.value.vents[0].mouth;
    assert!(mouth.z < 5.2 && mouth.coords.xy().norm() < 2.5, "{mouth}");
    assert_vented(&done.value, &options);
    assert_minimal(&part, &done.value, &options);
}

/// A round box of inner radius 10, open at the top, with a bottom of 2 mm.
fn cup(height: f64) -> Solid {
    let rings = vec![vec![
        [0.0, 0.0],
        [12.0, 0.0],
        [12.0, height],
        [10.0, height],
        [10.0, 2.0],
        [0.0, 2.0],
    ]];
    shapes::lathe("cup", &rings, 360).unwrap()
}

#[test]
fn the_hole_that_keeps_5_kpa_in_the_worked_example_is_1_20_mm_wide() {
    // A disc of radius 10 lifting at 1 mm/s in resin of 0.3 Pa·s through a wall of 2 mm: Poiseuille
    // with end correction (Dagan, Weinbaum & Pfeffer 1982, from memory) gives 1.201 mm.
    let options = Vent { least_mm: 0.5, ..Vent::default() };
    let done = vent(&lifted(cup(20.0)), &options);
    assert_eq!(done.value.vents.len(), 1, "{:?}", done.report);
    let hole = &done.value.vents[0];
    assert_relative_eq!(hole.length_mm, 2.0, max_relative = 1e-6);
    assert_abs_diff_eq!(hole.diameter_mm, 1.201, epsilon = 0.003);
    assert_relative_eq!(done.report.numbers["pressure_kpa"], 5.0, max_relative = 1e-6);
    let bore = Bore { diameter_mm: hole.diameter_mm, length_mm: hole.length_mm };
    assert_relative_eq!(pressure_kpa(bore, 100.0 * PI, 0.3), 5.0, max_relative = 0.01);
}

#[test]
fn flat_on_the_plate_the_hole_goes_sideways() {
    let part = Part::new(cup(20.0));
    let done = vent(&part, &Vent::default());
    assert_eq!(done.value.vents.len(), 1, "{:?}", done.report);
    let hole = &done.value.vents[0];
    assert!((part.pose.rotation * hole.inward).z.abs() < 0.2, "{hole:?}");
    assert_vented(&done.value, &Vent::default());
}

/// A box with walls of 2 mm: wide ones need wide bores, which a corner or a low side wall has no
/// room for right at the void's end.
#[test]
fn large_boxes_are_vented_flat_and_on_a_corner() {
    for (size, corner) in [(50.0, false), (70.0, false), (60.0, true)] {
        let outer = shapes::cuboid(size, size, size / 2.0).unwrap();
        let inner = shapes::cuboid(size - 4.0, size - 4.0, size / 2.0 - 4.0).unwrap();
        let inner = inner.transformed(&Pose::translation(2.0, 2.0, 2.0)).flipped();
        let body = Mesh::concat("box", &[Mesh::clone(&outer), inner]);
        let mut part = Part::new(Solid::try_from(body).unwrap());
        if corner {
            let turn = UnitQuaternion::from_euler_angles(0.7, 0.6, 0.0);
            part = part.turned(turn, 5.0).unwrap();
        }
        let done = vent(&part, &Vent::default());
        let after = faults(&done.value.surfaces(&Role::ALL));
        assert!(after.pocket_mm3 == 0.0, "{size} {corner}: {after:?}");
        assert!(after.cup_mm2 < 100.0, "{size} {corner}: {after:?}");
        assert!(done.report.numbers["pressure_kpa"] < 5.01, "{:?}", done.report.numbers);
    }
}

#[test]
fn options_out_of_range_and_cancelling_are_errors() {
    let part = lifted(hollow_ball());
    for bad in [
        Vent { least_mm: f64::NAN, ..Vent::default() },
        Vent { least_mm: -1.0, ..Vent::default() },
        Vent { most_mm: 1.0, ..Vent::default() },
        Vent { sides: 2, ..Vent::default() },
        Vent { puddle_ml: 0.0, ..Vent::default() },
        Vent { clearance_mm: 1.0, ..Vent::default() },
    ] {
        let error = bad.apply(part.clone(), &ctx()).unwrap_err();
        assert!(matches!(error, Error::Value { .. }), "{error}");
        assert!(error.to_string().starts_with("vent."), "{error}");
    }
    let stopped = ctx();
    stopped.job.cancel.cancel();
    assert!(matches!(Vent::default().apply(part, &stopped), Err(Error::Cancelled)));
}

#[test]
fn the_number_of_threads_changes_no_bit() {
    let run = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        let done = pool.install(|| vent(&hollowed(), &Vent::default()));
        (done.value, done.report)
    };
    let one = run(1);
    for threads in [2, 7] {
        assert_eq!(run(threads), one, "{threads} threads");
    }
}

#[test]
fn keep_clean_facets_come_out_as_they_went_in() {
    let mut part = lifted(hollow_ball());
    let near_the_ends = |f: usize| part.body.corners(f).iter().any(|p| p.coords.xy().norm() < 3.0);
    let clean = (0..part.body.triangles().len()).map(near_the_ends).collect();
    part.keep_clean = Arc::new(clean);
    let options = Vent { puddle_ml: 0.5, ..Vent::default() };
    let out = vent(&part, &options).value;
    assert!(!out.vents.is_empty());
    let area = |p: &Part| -> f64 {
        let clean = (0..p.body.triangles().len()).filter(|&f| p.is_keep_clean(f));
        clean.map(|f| 0.5 * p.body.area_normal(f).norm()).sum()
    };
    assert_relative_eq!(area(&out), area(&part), max_relative = 1e-9);
    for v in &out.vents {
        assert!(v.mouth.coords.xy().norm() > 3.0 + 0.5 * v.diameter_mm, "{v:?}");
    }
}

#[test]
fn a_cavity_that_cannot_be_reached_is_reported_and_left_alone() {
    let part = lifted(shapes::hollow_sphere(20.0, 3.0, 4000).unwrap());
    let done = vent(&part, &Vent::default());
    // It only keeps what was found of its cavities.
    assert_eq!(Part { drainage: Vec::new(), ..done.value.clone() }, part);
    let pocket = done.report.findings.iter().find(|f| f.code == "pocket").unwrap();
    assert_eq!(pocket.severity, Severity::Fault);
    let place = pocket.place.unwrap();
    assert!((place - Point::new(0.0, 0.0, 25.0)).norm() < 3.5, "{place}");
    assert!(pocket.message.contains("longest"), "{}", pocket.message);
}

#[test]
fn two_legs_of_a_cavity_need_a_hole_each_and_share_the_drain() {
    // An arch-shaped void in a block: two legs towards the plate, joined at the far end.
    let ctx = ctx();
    let at = |size: [f64; 3], low: [f64; 3]| {
        let s = shapes::cuboid(size[0], size[1], size[2]).unwrap();
        let m = s.bounds().min;
        let by = Pose::translation(low[0] - m.x, low[1] - m.y, low[2] - m.z);
        Solid::try_from(s.transformed(&by)).unwrap()
    };
    let block = at([24.0, 10.0, 20.0], [0.0, 0.0, 0.0]);
    let legs = [at([6.0, 6.0, 14.0], [2.0, 2.0, 2.0]), at([6.0, 6.0, 12.0], [16.0, 2.0, 4.0])];
    let beam = at([20.0, 6.0, 4.0], [2.0, 2.0, 14.0]);
    let cut = boolean::subtract(&block, &[&legs[0], &legs[1], &beam], &ctx.job).unwrap();
    let (part, options) = (lifted(cut.solid), Vent::default());
    let done = vent(&part, &options);
    assert_eq!(done.value.vents.len(), 3, "{:?}", done.report);
    assert_vented(&done.value, &options);
    assert_minimal(&part, &done.value, &options);
}

#[test]
fn a_cavity_in_a_body_that_overlaps_itself_is_vented_too() {
    // The cavity lies across the overlap of two balls, where their surfaces wind twice.
    let ball = shapes::sphere(10.0, 5120).unwrap();
    let other = ball.transformed(&Pose::translation(6.0, 0.3, 0.1));
    let body = Mesh::concat("two balls", [ball.mesh(), &other]);
    let mut part = lifted(Solid::try_from(body).unwrap());
    let inner = shapes::sphere(6.0, 3000).unwrap().transformed(&Pose::translation(3.0, 0.1, 0.0));
    part.cavities.push(Arc::new(inner.flipped()));
    let options = Vent::default();
    let before = survey(&part.surfaces(&Role::ALL), &Setup::default()).volume_mm3();
    let out = vent(&part, &options).value;
    assert_eq!(out.vents.len(), 2);
    assert_vented(&out, &options);
    let after = survey(&out.surfaces(&Role::ALL), &Setup::default()).volume_mm3();
    let bores =
        PI * out.vents.iter().map(|v| v.length_mm * v.diameter_mm.powi(2) / 4.0).sum::<f64>();
    assert_relative_eq!(before - after, bores, max_relative = 0.1);
}

/// A bottle with a swan's neck: up from the belly, over, and down to the mouth.
struct Swan;

impl Swan {
    /// Distance to the axis, less the radii: of the belly and of the neck, which goes down to z.
    fn tube(p: &Point, belly: f64, neck: f64, to_z: f64) -> f64 {
        let mut axis = vec![Point::new(0.0, 0.0, 4.0), Point::new(0.0, 0.0, 14.0)];
        axis.extend((1..=8).map(|i| {
            let (sin, cos) = (PI * f64::from(i) / 8.0).sin_cos();
            Point::new(5.0 - 5.0 * cos, 0.0, 14.0 + 5.0 * sin)
        }));
        axis.push(Point::new(10.0, 0.0, to_z));
        let near = axis.windows(2).map(|w| {
            let along = w[1] - w[0];
            let t = ((p - w[0]).dot(&along) / along.norm_squared()).clamp(0.0, 1.0);
            (p - w[0] - along * t).norm() - neck
        });
        near.fold(p.coords.norm() - belly, f64::min)
    }
}

impl Field for Swan {
    type Hint = ();
    fn hint(&self) {}
    fn at(&self, p: &Point, _band: f64, (): &mut ()) -> Sample {
        let out = Swan::tube(p, 8.0, 3.0, 8.0).max(-Swan::tube(p, 6.6, 1.8, 3.0));
        Sample { value: -out, gradient: Vector::zeros() }
    }
}

#[test]
fn a_bottle_with_a_bent_neck_is_vented_at_the_belly_and_at_the_bend() {
    let bounds = Bounds { min: Point::new(-9.0, -9.0, -9.0), max: Point::new(14.0, 9.0, 23.0) };
    let mesh = surface(&Swan, &bounds, 0.4, 10_000_000, &ctx().job).unwrap();
    let part = lifted(Solid::try_from(mesh).unwrap());
    let options = Vent::default();
    let done = vent(&part, &options);
    assert_vented(&done.value, &options);
    assert_minimal(&part, &done.value, &options);
    // The belly seals from its lowest layer on; hanging, the bend holds resin like a trap.
    assert_eq!(done.value.vents.len(), 2, "{:?}", done.report);
    let ends: Vec<f64> = done.value.vents.iter().map(|v| v.mouth.z).collect();
    assert!(ends[0] < -6.0 && ends[1] > 20.0, "{ends:?}");
    // On its side and on its head it needs holes elsewhere, and again none too many.
    for turn in [Vector::y() * (0.5 * PI), Vector::x() * PI, Vector::new(0.5, 1.9, 0.2)] {
        let part = part.turned(nalgebra::UnitQuaternion::from_scaled_axis(turn), 5.0).unwrap();
        let done = vent(&part, &options);
        assert_vented(&done.value, &options);
        if !done.value.vents.is_empty() {
            assert_minimal(&part, &done.value, &options);
        }
    }
}

#[test]
fn shells_within_shells_are_opened_from_the_outside_in() {
    let ball = |radius: f64, flip: bool| {
        let mesh = shapes::sphere(radius, 5120).unwrap();
        if flip { mesh.flipped() } else { mesh.mesh().clone() }
    };
    let post = shapes::cylinder(1.5, 7.5, 32).unwrap();
    let lay = Pose::new(Vector::new(-13.5, 0.0, 0.0), Vector::y() * (0.5 * PI));
    let body = Mesh::concat(
        "nest",
        [
            &ball(14.0, false),
            &ball(12.5, true),
            &ball(7.0, false),
            &ball(5.0, true),
            &post.transformed(&lay),
        ],
    );
    let part = lifted(Solid::try_from(body).unwrap());
    let options = Vent::default();
    let done = vent(&part, &options);
    assert_vented(&done.value, &options);
    assert_minimal(&part, &done.value, &options);
    assert_eq!(done.value.vents.len(), 4, "{:?}", done.report);
    assert_eq!(done.report.numbers["cavities"], 2.0);
    // Those of the inner shell, which nobody reaches, have no plug, and none is missed.
    for v in &done.value.vents {
        let within = v.mouth.coords.norm() < 10.0;
        assert_eq!((v.inner, v.plug.is_none()), (within, within));
    }
    assert_eq!(done.value.plugs.len(), 2);
    assert!(!done.report.findings.iter().any(|f| f.code == "unplugged"));
}

#[test]
fn a_lattice_does_not_block_the_holes() {
    let mut part = hollowed();
    let post = shapes::cylinder(1.2, 18.0, 24).unwrap();
    part.lattice = Some(Arc::new(post.transformed(&Pose::translation(0.0, 0.0, -9.0))));
    let options = Vent::default();
    let out = vent(&part, &options).value;
    assert_eq!(out.vents.len(), 2);
    assert_vented(&out, &options);
}

#[test]
fn plugs_fit_their_holes_with_the_stated_clearance() {
    let out = vent(&lifted(hollow_ball()), &Vent::default()).value;
    assert_eq!(out.plugs.len(), out.vents.len());
    for (plug, hole) in out.plugs.iter().zip(&out.vents) {
        let size = plug.bounds().size();
        assert_abs_diff_eq!(size.x, hole.diameter_mm - 0.2, epsilon = 1e-9);
        assert_abs_diff_eq!(size.z, hole.length_mm, epsilon = 1e-9);
        assert_eq!(plug.bounds().min.z, 0.0);
    }
    let apart = out.plugs[1].bounds().min.x - out.plugs[0].bounds().max.x;
    assert!(apart > 1.9, "{apart}");
}

/// Where the machine draws less than a disc of four pixels, no plug is made and the report says so.
#[test]
fn a_plug_too_thin_to_print_is_not_made() {
    let part = lifted(hollow_ball());
    let mut setup = Setup::default();
    let options = Vent::default();
    let ctx = Context::new(setup.clone());
    let made = options.apply(part.clone(), &ctx).unwrap();
    assert!(made.value.vents.iter().all(|v| v.plug.is_some()));
    assert_eq!(made.report.numbers["plugs"], made.value.plugs.len() as f64);
    assert!(!made.report.findings.iter().any(|f| f.code == "unplugged"));
    // By hand: clearance 0.1 mm and a taper of 5 % of the length take from the radius.
    let narrow =
        |v: &VentHole| v.diameter_mm - 2.0 * (0.1 + 0.05 * v.length_mm.min(2.0 * v.diameter_mm));
    let least = made.value.vents.iter().map(narrow).fold(f64::INFINITY, f64::min);
    setup.machine.pixel_mm = 1.01 * least / 4.0;
    let coarse = options.apply(part, &Context::new(setup)).unwrap();
    let bare = coarse.value.vents.iter().filter(|v| v.plug.is_none()).count();
    assert!(bare > 0);
    assert_eq!(coarse.value.plugs.len(), coarse.value.vents.len() - bare);
    let said: Vec<_> = coarse.report.findings.iter().filter(|f| f.code == "unplugged").collect();
    assert_eq!(said.len(), 1);
    assert!(said[0].message.contains(&format!("plug: {bare}")), "{}", said[0].message);
    assert!(said[0].value.unwrap() < said[0].limit.unwrap() && said[0].place.is_some());
}

#[test]
fn real_models_are_vented_or_the_report_says_why_not() {
    let options = Vent::default();
    for (file, scale) in [("cavity_spiral", 1.0), ("goblet_vase", 0.5), ("penguin", 12.0)] {
        let Some(path) = shared(&format!("meshes/{file}.stl")) else { continue };
        let mesh = io::read(&path, &io::ReadOptions::default()).unwrap().scaled(scale).unwrap();
        let part = lifted(Solid::try_from(mesh).unwrap());
        let done = vent(&part, &options);
        let f = faults(&done.value.surfaces(&Role::ALL));
        let told = |code: &str| done.report.findings.iter().any(|f| f.code == code);
        assert!(f.cup_mm2 < options.cup_mm2 || told("cup"), "{file}: {f:?} {:?}", done.report);
        assert!(f.pocket_mm3 == 0.0 || told("pocket"), "{file}: {f:?} {:?}", done.report);
        assert!(f.puddle_mm3 <= 200.0 || told("retained_resin"), "{file}: {f:?} {:?}", done.report);
    }
}

#[test]
fn hollow_shapes_in_any_pose_are_vented_with_no_hole_too_many() {
    // Numbers that look random, the same in every run.
    let number = |seed: u32, i: u32| (f64::from(seed * 7 + i) * 0.618_034).fract();
    for seed in 1..=6 {
        let r = |i, low: f64, high: f64| low + (high - low) * number(seed, i);
        let outer = [r(0, 7.0, 12.0), r(1, 7.0, 12.0), r(2, 6.0, 9.0)];
        let wall = r(3, 1.2, 2.5);
        let mut part = lifted(shapes::ellipsoid(outer, 5000).unwrap());
        let inner = shapes::ellipsoid(outer.map(|a| a - wall), 3000).unwrap();
        part.cavities.push(Arc::new(inner.flipped()));
        let turn = nalgebra::UnitQuaternion::from_euler_angles(r(4, 0.0, 6.0), r(5, 0.0, 3.0), 0.0);
        let part = part.turned(turn, 5.0).unwrap();
        let (done, options) = (vent(&part, &Vent::default()), Vent::default());
        assert_eq!(done.value.vents.len(), 2, "seed {seed}: {:?}", done.report);
        assert_vented(&done.value, &options);
        assert_minimal(&part, &done.value, &options);
    }
}

#[test]
fn holes_keep_to_the_side_that_nobody_looks_at() {
    let ball = vatwright::mesh::shapes::sphere(14.0, 6_000).unwrap();
    let part = Part::new(ball);
    let job = vatwright::Job::default();
    let hollow = vatwright::passes::Hollow::default().apply(part, &Context::new(Setup::default()));
    let hollow = hollow.unwrap().value;
    for side in [1.0, -1.0] {
        let weight = |i: usize| {
            let middle = hollow.body.corners(i).iter().map(|c| c.coords.x).sum::<f64>() / 3.0;
            if side * middle > 0.0 { 1.0 } else { 0.1 }
        };
        let weights = (0..hollow.body.triangles().len()).map(weight).collect();
        let seen = hollow.clone().appraised(Default::default(), &job).unwrap();
        let seen = seen.appearance.unwrap().with_weights(weights).unwrap();
        let part = Part { appearance: Some(std::sync::Arc::new(seen)), ..hollow.clone() };
        let done = Vent::default().apply(part, &Context::new(Setup::default())).unwrap();
        assert_eq!(done.value.vents.len(), 2);
        for hole in &done.value.vents {
            assert!(side * hole.mouth.x < 0.0, "{:?}", hole.mouth);
        }
        assert_eq!(done.report.numbers["seen_holes"], 0.0);
    }
}

#[test]
fn a_drain_goes_beside_the_air_hole_rather_than_through_the_crown() {
    let ball = shapes::sphere(14.0, 6_000).unwrap();
    let hollow = vatwright::passes::Hollow::default().apply(lifted(ball), &ctx()).unwrap().value;
    // By Archimedes the upper half of a ball's height is half of its surface.
    let height = |i: usize| {
        let middle = hollow.body.corners(i).iter().map(|c| c.coords.z).sum::<f64>() / 3.0;
        (0.5 + middle / 28.0).clamp(0.0, 1.0) as f32
    };
    let weights = (0..hollow.body.triangles().len()).map(height).collect();
    let seen = hollow.clone().appraised(Default::default(), &Default::default()).unwrap();
    let seen = seen.appearance.unwrap().with_weights(weights).unwrap();
    let part = Part { appearance: Some(Arc::new(seen)), ..hollow };
    let done = vent(&part, &Vent::default());
    let out = &done.value;
    assert_eq!((done.report.numbers["holes"], done.report.numbers["seen_holes"]), (2.0, 0.0));
    for hole in &out.vents {
        assert!(hole.mouth.z < 0.0, "{:?}", hole.mouth);
    }
    // Turned over, it empties: nothing above noise is closed towards the plate.
    let f = faults(&out.surfaces(&Role::ALL));
    assert_eq!((f.cup_mm2 < 10.0, f.pocket_mm3), (true, 0.0), "{f:?}");
    assert!(f.puddle_mm3 > 5e3, "it hangs full: {f:?}");
    let drained = out.drainage[0];
    assert!(drained.drain_s.unwrap() > 0.0, "{drained:?}");
    // What a wetted bore holds up, 2γ/(ρgr) less its own length, and what lies below the bore are
    // a cap of the ball.
    let (resin, bore) = (Setup::default().resin, &out.vents[1]);
    let rise_m = 2e-3 * resin.surface_tension_mn_m
        / (1e3 * resin.liquid_g_cm3 * 9.81 * 0.5e-3 * bore.diameter_mm);
    let r = 14.0 - vatwright::passes::Hollow::default().wall_mm;
    let inner = bore.mouth + bore.inward * bore.length_mm;
    let h = 1e3 * rise_m - bore.length_mm + inner.z + r;
    let cap_ml = 1e-3 * PI * h * h * (r - h / 3.0);
    assert_relative_eq!(drained.retained_ml, cap_ml, max_relative = 0.1);
    let checked = vatwright::check::inspect(out, &ctx()).unwrap().findings;
    for findings in [&done.report.findings, &checked] {
        let resin: Vec<_> = findings.iter().filter(|f| f.code == "retained_resin").collect();
        assert_eq!(resin.len(), 1, "{findings:?}");
        assert_eq!(resin[0].severity, vatwright::Severity::Note);
        assert!(resin[0].message.contains("turned over"), "{:?}", resin[0]);
    }
}

#[test]
fn a_head_that_is_up_gets_no_hole_in_its_cheek() {
    use vatwright::appearance::Up;
    let ball = shapes::sphere(14.0, 6_000).unwrap();
    let hollow = vatwright::passes::Hollow::default().apply(lifted(ball), &ctx()).unwrap().value;
    // Everything above the soles is looked at, but for a cheek that shadow hides.
    let weight = |i: usize| {
        let middle = hollow.body.corners(i).iter().map(|c| c.coords).sum::<Vector>() / 3.0;
        if middle.z < -7.0 || (middle.z > 0.0 && middle.x > 0.0) { 0.1 } else { 1.0 }
    };
    let weights: Vec<f32> = (0..hollow.body.triangles().len()).map(weight).collect();
    let highest = |up: Up| {
        let seen = hollow.clone().appraised(up, &Default::default()).unwrap();
        let seen = seen.appearance.unwrap().with_weights(weights.clone()).unwrap();
        let part = Part { appearance: Some(Arc::new(seen)), ..hollow.clone() };
        let done = vent(&part, &Vent::default());
        assert_eq!(done.report.numbers["holes"], 2.0);
        done.value.vents.iter().map(|v| v.mouth.z).fold(f64::NEG_INFINITY, f64::max)
    };
    assert!(highest(Up::Z) < 0.0);
    // With nothing known of what is up, or its head down, it drains by itself as it hangs.
    assert!(highest(Up::Unknown) > 0.0);
    assert!(highest(Up::Along(-Vector::z())) > 0.0);
}
