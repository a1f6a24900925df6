//! Shapes against the closed forms of solid geometry (any handbook of mathematics, for instance
//! Bronshtein & Semendyayev, from memory; the numbers are worked from the formulas).

use crate::common::assert_manifold;
use approx::assert_relative_eq;
use std::f64::consts::{PI, TAU};
use vatwright::mesh::{measure::volume_mm3, shapes};
use vatwright::{Error, Job, Mesh, Solid, Vector};

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

/// Optical formulas of any textbook (Hecht, Optics, from memory).
#[test]
fn lenses_follow_their_optical_data() {
    assert_relative_eq!(shapes::focal_length_mm(1.5, 50.0, -50.0, 5.0), 50.847, epsilon = 5e-4);
    assert_relative_eq!(shapes::sag_mm(50.0, 12.5), 1.58771, epsilon = 5e-6);
    let facet = shapes::fresnel_slope(100.0, 1.5, 25.0).atan().to_degrees();
    assert_relative_eq!(facet, 24.595, epsilon = 5e-4);

    let n = 256;
    let cap = |r: f64, a: f64| {
        let h = shapes::sag_mm(r, a);
        PI * h * h * (3.0 * r - h) / 3.0
    };
    let drum = |h: f64| PI * 12.5 * 12.5 * h;
    let lens = shapes::plano_convex(50.0, 25.0, 5.0, n).unwrap();
    let expected = cap(50.0, 12.5) + drum(5.0 - 1.587_713);
    assert_relative_eq!(volume_mm3(&lens), expected, max_relative = 2e-4);
    let lens = shapes::biconvex(50.0, 30.0, 25.0, 6.0, n).unwrap();
    let (a, b) = (shapes::sag_mm(50.0, 12.5), shapes::sag_mm(30.0, 12.5));
    let expected = cap(50.0, 12.5) + cap(30.0, 12.5) + drum(6.0 - a - b);
    assert_relative_eq!(volume_mm3(&lens), expected, max_relative = 2e-4);
    assert!(matches!(shapes::biconvex(50.0, 30.0, 25.0, 4.0, n), Err(Error::Value { .. })));

    // sheet: back plate up to the valleys, and one circular segment a lens
    let sheet = shapes::lenticular(0.5, 1.5, 0.8, 12.0, 8.3, 64).unwrap();
    assert_relative_eq!(sheet.bounds().size().z, 1.5, epsilon = 1e-12);
    assert_relative_eq!(sheet.bounds().size().y, 8.0, epsilon = 1e-12);
    let open = 2.0 * 0.8_f64.asin();
    let segment = 0.125 * (open - open.sin());
    let expected = 12.0 * (8.0 * (1.0 + 0.3) + 10.0 * segment);
    assert_relative_eq!(volume_mm3(&sheet), expected, max_relative = 1e-4);
}

/// Snell's law in vector form (Hecht, from memory) sends light from every facet to the focus.
#[test]
fn fresnel_facets_focus() {
    let (focal, index, groove) = (80.0, 1.49, 0.5);
    let lens = shapes::fresnel(focal, index, 40.0, groove, 1.0, 360).unwrap();
    let mut facets = 0;
    for i in 0..lens.triangles().len() {
        let normal = lens.area_normal(i).normalize();
        if normal.z < 0.01 || normal.z > 0.999_999 {
            continue;
        }
        facets += 1;
        let corners = lens.corners(i);
        let r = corners.iter().map(|p| p.x.hypot(p.y)).sum::<f64>() / 3.0;
        let middle = (r / groove).floor() * groove + groove / 2.0;
        // inside the lens the ray runs along +z
        let cos = normal.z;
        let sin_out = index * (1.0 - cos * cos).sqrt();
        let turned = sin_out.asin() - cos.acos();
        // facets of a 360-gon lean by half a degree less than the true cone at most
        assert_relative_eq!(middle / turned.tan(), focal, max_relative = 2e-3);
    }
    assert_eq!(facets, 360 * (2 * 40 - 1));
}

/// Involute gear with module 2 and 20 teeth on the basic rack of ISO 53 (worked from the formulas
/// of the standard, from memory).
#[test]
fn a_gear_matches_the_worked_rack() {
    let steps = 64;
    let g = shapes::gear(2.0, 20, 6.0, 8.0, steps).unwrap();
    let outline: Vec<(f64, f64)> =
        g.vertices().iter().filter(|p| p.z == 0.0).map(|p| (p.x, p.y)).collect();
    let radius = |p: &(f64, f64)| p.0.hypot(p.1);
    let rim: Vec<_> = outline.iter().filter(|p| radius(p) > 10.0).collect();
    let max = rim.iter().map(|p| radius(p)).fold(0.0, f64::max);
    let min = rim.iter().map(|p| radius(p)).fold(f64::MAX, f64::min);
    assert_relative_eq!(2.0 * max, 44.0, epsilon = 1e-9);
    assert_relative_eq!(2.0 * min, 35.0, epsilon = 1e-9);

    // the tooth on the x axis: (radius, half angle) of its upper side
    let mut side: Vec<(f64, f64)> = rim
        .iter()
        .map(|p| (radius(p), p.1.atan2(p.0)))
        .filter(|&(r, a)| a > 0.0 && a < TAU / 40.0 && r < 22.0 - 1e-9)
        .chain([(22.0, 1.38976 / 44.0)])
        .collect();
    side.sort_by(|a, b| a.0.total_cmp(&b.0));
    let tooth = |r: f64| {
        let i = side.partition_point(|s| s.0 < r);
        let ((r0, a0), (r1, a1)) = (side[i - 1], side[i]);
        2.0 * r * (a0 + (a1 - a0) * (r - r0) / (r1 - r0))
    };
    assert_relative_eq!(tooth(20.0), PI, epsilon = 1e-4);
    assert_relative_eq!(tooth(22.0), 1.38976, epsilon = 1e-5);
    let tip_corner = rim
        .iter()
        .filter(|p| radius(p) > 22.0 - 1e-9)
        .map(|p| p.1.atan2(p.0))
        .filter(|a| *a > 0.0 && *a < TAU / 40.0)
        .fold(0.0, f64::max);
    assert_relative_eq!(44.0 * tip_corner, 1.38976, epsilon = 1e-5);

    // span over three teeth, between parallel jaws square to the middle tooth's axis (the jaws
    // do not reach the roots)
    let flanks: Vec<_> = rim.iter().filter(|p| radius(p) > 19.0).collect();
    let three = flanks.iter().filter(|p| p.1.atan2(p.0).abs() < TAU * 1.5 / 20.0);
    let span = 2.0 * three.map(|p| p.1).fold(0.0, f64::max);
    assert_relative_eq!(span, 15.32088, epsilon = 2e-3);
    // and over two: one base pitch, π·m·cos α, less
    let pair = flanks.iter().map(|p| {
        let (s, c) = (TAU / 40.0).sin_cos();
        (p.0 * c + p.1 * s, p.1 * c - p.0 * s)
    });
    let pair = pair.filter(|p| p.1.atan2(p.0).abs() < TAU / 20.0);
    let over_two = 2.0 * pair.map(|p| p.1).fold(0.0, f64::max);
    assert_relative_eq!(span - over_two, 5.90426, epsilon = 2e-3);

    assert!(matches!(shapes::gear(2.0, 12, 6.0, 8.0, 8), Err(Error::Value { .. })));
    assert!(matches!(shapes::gear(2.0, 20, 6.0, 35.0, 8), Err(Error::Value { .. })));
}

#[test]
fn figures_are_closed_seeded_and_as_fine_as_asked() {
    let all = Vector::new(0.35, 0.35, 1.0) * 60.0;
    let mut volumes = vec![];
    for seed in [0, 4, 8] {
        let f = shapes::figure(seed, 60.0, 30_000, &Job::default()).unwrap();
        assert_manifold(&f);
        assert!((28_000..32_000).contains(&f.triangles().len()), "{}", f.triangles().len());
        let size = f.bounds().size();
        assert_relative_eq!(size.z, 60.0, epsilon = 1e-9);
        assert_relative_eq!(f.bounds().min.z, 0.0, epsilon = 1e-9);
        assert!(size.x < 2.0 * all.x && size.y < 2.0 * all.y && size.x > 0.5 * all.x);
        volumes.push(volume_mm3(&f));
    }
    assert!(volumes[0] != volumes[1] && volumes[1] != volumes[2]);
    let again = shapes::figure(4, 60.0, 30_000, &Job::default()).unwrap();
    assert_eq!(volume_mm3(&again), volumes[1]);

    // in shells: each closed, overlaps counted twice by the divergence theorem
    let shells = shapes::figure_of_shells(4, 60.0, 30_000, &Job::default()).unwrap();
    assert_manifold(&shells);
    assert!(volume_mm3(&shells) > volumes[1]);
    assert!(matches!(shapes::figure(0, 60.0, 10, &Job::default()), Err(Error::Value { .. })));
}
