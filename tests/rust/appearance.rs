//! Weights of facets against parts of which everybody knows what is looked at.

use approx::assert_abs_diff_eq;
use nalgebra::UnitQuaternion;
use vatwright::appearance::{Appearance, Up};
use vatwright::mesh::shapes;
use vatwright::passes::{Hollow, Pass, Vent};
use vatwright::{Context, Job, Mesh, Part, Pose, Setup, Solid, Vector};

fn ctx() -> Context {
    Context::new(Setup::default())
}

fn of(mesh: &Mesh, up: Up) -> Appearance {
    Appearance::of(mesh, up, &Job::default()).unwrap()
}

/// Mean weight by area of the facets that `pick` takes by middle and unit normal.
fn mean(mesh: &Mesh, seen: &Appearance, pick: impl Fn(&Vector, &Vector) -> bool) -> f64 {
    let (mut sum, mut area) = (0.0, 0.0);
    for i in 0..mesh.triangles().len() {
        let middle = mesh.corners(i).iter().map(|c| c.coords).sum::<Vector>() / 3.0;
        let n = mesh.area_normal(i);
        if n.norm() > 0.0 && pick(&middle, &n.normalize()) {
            sum += n.norm() * seen.weight(i);
            area += n.norm();
        }
    }
    assert!(area > 0.0, "no facet picked");
    sum / area
}

fn turned(mesh: &Mesh, rotation: UnitQuaternion<f64>) -> Mesh {
    mesh.transformed(&Pose::from_parts(nalgebra::Translation3::new(3.0, -8.0, 2.0), rotation))
}

#[test]
fn a_sphere_is_even() {
    let ball = shapes::sphere(12.0, 20_000).unwrap();
    let seen = of(&ball, Up::Unknown);
    assert!(seen.upright.is_none() && seen.front.is_none());
    let least = seen.weights.iter().copied().fold(1.0, f32::min);
    assert!(least > 0.75, "{least}");
    assert!(of(&ball, Up::Auto).upright.is_none());
    // Told what is up, it is seen from above more than from below.
    let told = of(&ball, Up::Z);
    let above = mean(&ball, &told, |m, _| m.z > 8.0);
    let below = mean(&ball, &told, |m, _| m.z < -8.0);
    assert!(below < 0.3 * above, "{below} of {above}");
}

#[test]
fn the_bottom_of_a_groove_weighs_less_than_its_rim() {
    // A block of 30 × 20 × 10 mm with a groove of 3 × 5 mm along it.
    let outline = vec![
        [-15.0, 0.0],
        [15.0, 0.0],
        [15.0, 10.0],
        [1.5, 10.0],
        [1.5, 5.0],
        [-1.5, 5.0],
        [-1.5, 10.0],
        [-15.0, 10.0],
    ];
    let block = shapes::extrude("block", &[outline], 20.0).unwrap();
    let seen = of(&block, Up::Y);
    let bottom = mean(&block, &seen, |m, n| n.y > 0.9 && (m.y - 5.0).abs() < 0.1);
    let rim = mean(&block, &seen, |m, n| n.y > 0.9 && m.y > 9.9);
    let base = mean(&block, &seen, |_, n| n.y < -0.9);
    assert!(bottom < 0.7 * rim, "{bottom} of {rim}");
    assert!(base < 0.1 * rim, "{base} of {rim}");
}

#[test]
fn a_base_tells_what_is_up_and_a_plate_tells_nothing() {
    let figure = shapes::figure(3, 50.0, 8_000, &Job::default()).unwrap();
    let z_up = of(&figure, Up::Auto);
    let found = z_up.upright.unwrap();
    assert_abs_diff_eq!(found.up, Vector::z(), epsilon = 1e-12);
    // Its two soles lie within a box of some 10 × 8 mm.
    assert!((20.0..120.0).contains(&found.base_mm2.unwrap()), "{found:?}");
    assert!(z_up.words().contains("model's z is up"), "{}", z_up.words());
    // Modelled with y up, it is the same figure.
    let lying = UnitQuaternion::from_axis_angle(&Vector::x_axis(), -std::f64::consts::FRAC_PI_2);
    let y_up = of(&turned(&figure, lying), Up::Auto);
    assert_abs_diff_eq!(y_up.upright.unwrap().up, Vector::y(), epsilon = 1e-9);
    for (a, b) in z_up.weights.iter().zip(&y_up.weights) {
        assert_abs_diff_eq!(a, b, epsilon = 1e-3);
    }
    assert!(of(&shapes::cuboid(30.0, 20.0, 5.0).unwrap(), Up::Auto).upright.is_none());
    assert!(of(&shapes::gear(2.0, 20, 6.0, 8.0, 4).unwrap(), Up::Auto).upright.is_none());
}

#[test]
fn turning_the_model_with_its_up_told_changes_no_weight() {
    let figure = shapes::figure(5, 50.0, 8_000, &Job::default()).unwrap();
    let plain = of(&figure, Up::Z);
    for angles in [(0.3, 1.1, -0.7), (2.0, -0.4, 0.9)] {
        let rotation = UnitQuaternion::from_euler_angles(angles.0, angles.1, angles.2);
        let seen = of(&turned(&figure, rotation), Up::Along(rotation * Vector::z()));
        // Depths and cells are rounded differently: a facet on an edge of a view may come or go.
        let differ = plain.weights.iter().zip(&seen.weights).map(|(a, b)| f64::from((a - b).abs()));
        let mean = differ.sum::<f64>() / plain.weights.len() as f64;
        assert!(mean < 2e-3, "{mean}");
    }
}

#[test]
fn a_figure_is_looked_at_in_the_face() {
    for seed in 0..12 {
        let figure = shapes::figure(seed, 50.0, 12_000, &Job::default()).unwrap();
        let seen = of(&figure, Up::Auto);
        let head = |m: &Vector| m.z > 0.7 * 50.0;
        let face = mean(&figure, &seen, |m, n| head(m) && n.y < -0.5);
        let back = mean(&figure, &seen, |m, n| !head(m) && n.y > 0.5);
        let soles = mean(&figure, &seen, |m, n| m.z < 0.1 && n.z < -0.9);
        assert!(face > 1.3 * back && face > 5.0 * soles, "{seed}: {face} {back} {soles}");
        // It faces −y, as models with z up do.
        assert_eq!(seen.front, Some(-Vector::y()));
    }
}

#[test]
fn weights_travel_with_the_part() {
    let figure = shapes::figure(3, 60.0, 8_000, &Job::default()).unwrap();
    let part = Part::new(figure).appraised(Up::Auto, &Job::default()).unwrap();
    let given = part.appearance.clone().unwrap();
    let hollow = Hollow::default().apply(part, &ctx()).unwrap().value;
    assert_eq!(hollow.appearance.as_ref(), Some(&given));
    let vented = Vent::default().apply(hollow, &ctx()).unwrap().value;
    let seen = vented.appearance.as_ref().unwrap();
    assert_eq!(seen.weights.len(), vented.body.triangles().len());
    // Walls of the bores and of the cavity are hidden; what is left of the outside is as before.
    let area = |mesh: &Mesh, seen: &Appearance| -> f64 {
        (0..mesh.triangles().len()).map(|i| 0.5 * mesh.area_normal(i).norm() * seen.weight(i)).sum()
    };
    let before = area(&shapes::figure(3, 60.0, 8_000, &Job::default()).unwrap(), &given);
    let after = area(&vented.body, seen);
    assert!(after <= before * 1.001 && after > 0.95 * before, "{after} of {before}");
    let text = serde_json::to_string(&vented).unwrap();
    let read: Part = serde_json::from_str(&text).unwrap();
    assert_eq!(read.appearance.unwrap().weights, seen.weights);
}

#[test]
fn a_users_weights_are_kept_within_bounds() {
    let ball = shapes::sphere(5.0, 500).unwrap();
    let seen = of(&ball, Up::Unknown);
    let n = seen.weights.len();
    let doubled = seen.with_weights(seen.weights.iter().map(|w| 2.0 * w - 0.5).collect()).unwrap();
    assert!(doubled.weights.iter().all(|w| (0.0..=1.0).contains(w)));
    assert_eq!(seen.with_weights(vec![f32::NAN; n]).unwrap_err().code(), "value");
    let nowhere = Appearance::of(&ball, Up::Along(Vector::zeros()), &Job::default());
    assert_eq!(nowhere.unwrap_err().code(), "value");
    let _: &Solid = &ball;
}
