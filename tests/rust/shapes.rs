//! Shapes against the closed forms of solid geometry (any handbook of mathematics, for instance
//! Bronshtein & Semendyayev, from memory; the numbers are worked from the formulas).

use approx::assert_relative_eq;
use std::f64::consts::{PI, TAU};
use vatwright::mesh::{measure::volume_mm3, shapes};
use vatwright::{Error, Mesh, Solid};

fn area(m: &Mesh) -> f64 {
    (0..m.triangles().len()).map(|i| m.area_normal(i).norm() / 2.0).sum()
}

/// What the lathe's regular n-gons hold of the true circles.
fn polygon_share(n: usize) -> f64 {
    let a = TAU / n as f64;
    a.sin() / a
}

#[test]
fn flat_shapes_are_exact() {
    let cases = [
        (shapes::cuboid(20.0, 10.0, 5.0).unwrap(), 1000.0, 700.0),
        (shapes::plate(30.0, 20.0, 2.0).unwrap(), 1200.0, 1400.0),
        (shapes::wedge(3.0, 10.0, 4.0).unwrap(), 60.0, 12.0 + 10.0 * (3.0 + 4.0 + 5.0)),
        (shapes::tetrahedron(10.0).unwrap(), 117.85113, 173.20508),
    ];
    for (s, v, a) in &cases {
        assert_relative_eq!(volume_mm3(s), v, max_relative = 1e-7);
        assert_relative_eq!(area(s), a, max_relative = 1e-7);
    }
}

#[test]
fn turned_shapes_match_pappus_times_the_polygons_share() {
    let n = 48;
    let cases = [
        (shapes::cylinder(5.0, 12.0, n).unwrap(), PI * 25.0 * 12.0),
        (shapes::cone(6.0, 9.0, n).unwrap(), PI * 36.0 * 9.0 / 3.0),
        (shapes::frustum(10.0, 5.0, 12.0, n).unwrap(), 2199.114858),
        (shapes::tube(5.0, 4.0, 7.0, n).unwrap(), PI * 9.0 * 7.0),
        // the torus's circle is itself a polygon of n/3 sides
        (shapes::torus(10.0, 3.0, n).unwrap(), 1776.528792 * polygon_share(n / 3)),
    ];
    for (s, v) in &cases {
        assert_relative_eq!(volume_mm3(s), v * polygon_share(n), max_relative = 1e-9);
    }
}

/// A maker of shapes by resolution, the volume and, where a table gives it, the area.
type Case = (&'static str, fn(usize) -> Solid, f64, Option<f64>);

#[test]
fn round_shapes_converge_with_second_order() {
    let facets = |n: usize| 20 * n * n;
    assert_eq!(shapes::sphere(1.0, 327_680).unwrap().triangles().len(), facets(128));
    let cases: [Case; 9] = [
        ("sphere", |n| shapes::sphere(10.0, 5 * n * n).unwrap(), 4188.790205, Some(1256.637061)),
        (
            "ellipsoid",
            |n| shapes::ellipsoid([3.0, 2.0, 1.0], 5 * n * n).unwrap(),
            25.132741,
            Some(48.88215),
        ),
        (
            "hollow",
            |n| shapes::hollow_sphere(10.0, 8.0, 5 * n * n).unwrap(),
            2044.129620,
            Some(TAU * 2.0 * 164.0),
        ),
        ("cap", |n| shapes::spherical_cap(10.0, 3.0, n).unwrap(), 254.469005, None),
        ("torus", |n| shapes::torus(10.0, 3.0, 2 * n).unwrap(), 1776.528792, Some(1184.352528)),
        ("capsule", |n| shapes::capsule(5.0, 20.0, n).unwrap(), 2094.395102, Some(942.477796)),
        ("ring", |n| shapes::napkin_ring(7.0, 6.0, n).unwrap(), 113.097336, None),
        ("bowl", |n| shapes::bowl(10.0, 2.0, 0.0, n).unwrap(), 2044.129620 / 2.0, None),
        // bowl minus the part of the wall over a hole of radius 3: the shell between two spheres
        // inside a cylinder, (2π/3)[R³ − (R²−a²)^{3/2}] of each
        (
            "bored bowl",
            |n| shapes::bowl(10.0, 2.0, 6.0, n).unwrap(),
            TAU / 3.0 * (91.0_f64.powf(1.5) - 55.0_f64.powf(1.5)),
            None,
        ),
    ];
    for (name, make, volume, surface) in cases {
        let (coarse, fine) = (make(48), make(96));
        let error = |s: &Solid| (volume_mm3(s) / volume - 1.0).abs();
        let order = (error(&coarse) / error(&fine)).log2();
        assert!((1.8..2.2).contains(&order), "{name}: order {order}");
        assert!(error(&fine) < 3e-3, "{name}: {}", error(&fine));
        if let Some(surface) = surface {
            assert_relative_eq!(area(&fine), surface, max_relative = 3e-3);
        }
    }
}

#[test]
fn a_half_million_triangle_sphere_is_close_to_the_true_one() {
    let s = shapes::sphere(30.0, 500_000).unwrap();
    assert!(s.triangles().len() > 490_000 && s.triangles().len() <= 500_000);
    assert_relative_eq!(volume_mm3(&s), 4.0 / 3.0 * PI * 27e3, max_relative = 5e-5);
}

#[test]
fn extrusion_takes_holes_and_either_sense_of_turning() {
    let square = |s: f64| vec![[-s, -s], [s, -s], [s, s], [-s, s]];
    let mut hole = square(1.0);
    let mut off = square(0.5);
    off.iter_mut().for_each(|p| p[0] += 2.0);
    for _ in 0..2 {
        hole.reverse();
        off.reverse();
        let s = shapes::extrude("frame", &[square(4.0), hole.clone(), off.clone()], 3.0).unwrap();
        assert_relative_eq!(volume_mm3(&s), 3.0 * (64.0 - 4.0 - 1.0), max_relative = 1e-12);
        assert_eq!(s.name(), "frame");
    }
    // a comb: far from convex, closed form by counting teeth
    let mut comb = vec![[0.0, 0.0], [20.0, 0.0]];
    for i in (0..10).rev() {
        let x = f64::from(2 * i);
        comb.extend([[x + 2.0, 5.0], [x + 1.0, 5.0], [x + 1.0, 1.0], [x, 1.0]]);
    }
    let s = shapes::extrude("comb", &[comb], 2.0).unwrap();
    assert_relative_eq!(volume_mm3(&s), 2.0 * (20.0 + 40.0), max_relative = 1e-12);
}

#[test]
fn a_lathed_void_is_sealed_inside() {
    let outer = vec![[0.0, 0.0], [5.0, 0.0], [5.0, 10.0], [0.0, 10.0]];
    let void = vec![[0.0, 2.0], [3.0, 2.0], [3.0, 8.0], [0.0, 8.0]];
    let s = shapes::lathe("tin", &[outer, void], 64).unwrap();
    let v = PI * (25.0 * 10.0 - 9.0 * 6.0) * polygon_share(64);
    assert_relative_eq!(volume_mm3(&s), v, max_relative = 1e-12);
}

#[test]
fn nonsense_is_refused_by_name() {
    let bad = [
        shapes::sphere(f64::NAN, 100),
        shapes::sphere(1.0, 3),
        shapes::cuboid(1.0, -1.0, 1.0),
        shapes::torus(3.0, 3.0, 32),
        shapes::bowl(5.0, 5.0, 0.0, 32),
        shapes::bowl(5.0, 1.0, 8.0, 32),
        shapes::hollow_sphere(5.0, 6.0, 100),
        shapes::spherical_cap(5.0, 11.0, 32),
        shapes::lathe("l", &[vec![[-1.0, 0.0], [2.0, 0.0], [1.0, 3.0]]], 16),
        shapes::lathe("l", &[], 16),
        shapes::extrude("e", &[vec![[0.0, 0.0], [1.0, 0.0], [2.0, 0.0]]], 1.0),
    ];
    for (i, b) in bad.into_iter().enumerate() {
        assert!(matches!(b, Err(Error::Value { .. })), "case {i}: {b:?}");
    }
    let said = shapes::cylinder(0.0, 1.0, 8).unwrap_err().to_string();
    assert!(said.starts_with("cylinder.radius_mm = 0"), "{said}");
}
