//! Facets are selected by what they are.

use vatwright::mesh::{select, shapes};
use vatwright::{Bounds, Mesh, Point, Vector};

fn area(mesh: &Mesh, chosen: &[bool]) -> f64 {
    let facets = chosen.iter().enumerate().filter(|(_, c)| **c);
    facets.map(|(i, _)| 0.5 * mesh.area_normal(i).norm()).sum()
}

#[test]
fn a_lens_gives_its_faces() {
    let lens = shapes::plano_convex(50.0, 25.0, 4.0, 120).unwrap();
    // The curved face is the cap of a sphere of 50 mm: area 2πRh, h its sag (from memory).
    let sag = shapes::sag_mm(50.0, 12.5);
    let cap = 2.0 * std::f64::consts::PI * 50.0 * sag;
    let center = Point::new(0.0, 0.0, 4.0 - 50.0);
    let by_sphere = select::by_sphere(&lens, center, 50.0, 0.01).unwrap();
    assert!((area(&lens, &by_sphere) / cap - 1.0).abs() < 2e-3);
    let seed = by_sphere.iter().position(|c| *c).unwrap();
    assert_eq!(select::patch(&lens, seed, 20.0).unwrap(), by_sphere);
    let flat = select::by_plane(&lens, Point::origin(), Vector::z(), 1e-6).unwrap();
    let disc = std::f64::consts::PI * 12.5 * 12.5;
    assert!((area(&lens, &flat) / disc - 1.0).abs() < 2e-3);
    assert_eq!(flat, select::by_normal(&lens, -Vector::z(), 1.0).unwrap());
}

#[test]
fn a_tube_gives_its_bore_and_a_box_its_corner() {
    let tube = shapes::tube(10.0, 6.0, 20.0, 180).unwrap();
    let bore = select::by_cylinder(&tube, Point::origin(), Vector::z(), 6.0, 1e-6).unwrap();
    let wall = 2.0 * std::f64::consts::PI * 6.0 * 20.0;
    assert!((area(&tube, &bore) / wall - 1.0).abs() < 1e-3);
    let b = tube.bounds();
    let half = Bounds { max: Point::new(0.0, b.max.y, b.max.z), ..b };
    let left = select::by_box(&tube, &half);
    assert!(left.iter().any(|c| *c) && left.iter().any(|c| !*c));
}

#[test]
fn senseless_selections_are_refused() {
    let cube = shapes::cuboid(1.0, 1.0, 1.0).unwrap();
    assert!(select::by_normal(&cube, Vector::zeros(), 10.0).is_err());
    assert!(select::by_normal(&cube, Vector::x(), f64::NAN).is_err());
    let error = select::patch(&cube, 12, 10.0).unwrap_err().to_string();
    assert!(error.contains("which has 12"), "{error}");
}
