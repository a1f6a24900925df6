//! Measures against closed forms, and against the polyhedron's exact value in whole numbers.

use crate::common::{catalogue, shared};
use approx::assert_relative_eq;
use nalgebra::{Matrix3, Rotation3, Translation3, UnitQuaternion};
use std::f64::consts::PI;
use vatwright::mesh::io::{self, ReadOptions};
use vatwright::mesh::measure::{Measures, measure, measure_shells};
use vatwright::mesh::shapes;
use vatwright::{Mesh, Point, Pose, Vector};

/// Turned and moved away from the origin, so that no symmetry hides a mistake.
fn tilted() -> Pose {
    Pose::from_parts(
        Translation3::new(110.0, -70.0, 35.0),
        UnitQuaternion::from_euler_angles(0.3, -1.1, 2.0),
    )
}

/// Holds volume, area, centroid and inertia (both given in the body's own frame) of the tilted
/// mesh against exact values, to 10⁻¹² relative.
fn assert_exact(mesh: &Mesh, volume: f64, area: f64, centroid: Point, inertia: Matrix3<f64>) {
    let m = measure(&mesh.transformed(&tilted()));
    let r: Rotation3<f64> = tilted().rotation.to_rotation_matrix();
    assert_relative_eq!(m.volume_mm3, volume, max_relative = 1e-12);
    assert_relative_eq!(m.area_mm2, area, max_relative = 1e-12);
    // Lengths are held against the distance from the origin: rounding of the vertices sets it.
    assert!((m.centroid - tilted() * centroid).norm() < 1e-12 * 140.0, "{}", m.centroid);
    let error = m.inertia_mm5 - r * inertia * r.inverse();
    assert!(error.norm() < 1e-12 * inertia.norm(), "{error}");
}

/// Mass and inertia formulas of handbooks, from memory.
#[test]
fn a_box_is_exact() {
    let (x, y, z) = (20.0, 10.0, 5.0);
    let v = x * y * z;
    let inertia = Vector::new(y * y + z * z, x * x + z * z, x * x + y * y) * (v / 12.0);
    assert_exact(
        &shapes::cuboid(x, y, z).unwrap(),
        v,
        2.0 * (x * y + y * z + z * x),
        Point::new(x / 2.0, y / 2.0, z / 2.0),
        Matrix3::from_diagonal(&inertia),
    );
}

/// Regular tetrahedron: V = a³/(6√2), S = √3·a², I = m·a²/20 about any axis through the centre.
#[test]
fn a_tetrahedron_is_exact() {
    let a = 10.0_f64;
    let v = a.powi(3) / 72.0_f64.sqrt();
    let height = a * (2.0_f64 / 3.0).sqrt();
    assert_exact(
        &shapes::tetrahedron(a).unwrap(),
        v,
        3.0_f64.sqrt() * a * a,
        Point::new(0.0, 0.0, height / 4.0),
        Matrix3::identity() * (v * a * a / 20.0),
    );
}

/// Regular n-gon prism of circumradius r: polar moment of its section
/// A·r²·(2 + cos(2π/n))/6, half of it about each diameter.
#[test]
fn a_prism_is_exact() {
    let (n, r, h) = (7, 6.0_f64, 9.0);
    let turn = std::f64::consts::TAU / f64::from(n);
    let ring = (0..n).map(|i| f64::from(i) * turn).map(|t| [r * t.cos(), r * t.sin()]).collect();
    let section = f64::from(n) / 2.0 * r * r * turn.sin();
    let v = section * h;
    let polar = v * r * r * (2.0 + turn.cos()) / 6.0;
    let across = polar / 2.0 + v * h * h / 12.0;
    assert_exact(
        &shapes::extrude("prism", &[ring], h).unwrap(),
        v,
        2.0 * section + f64::from(n) * 2.0 * r * (turn / 2.0).sin() * h,
        Point::new(0.0, 0.0, h / 2.0),
        Matrix3::from_diagonal(&Vector::new(across, across, polar)),
    );
}

/// With whole-number corners the signed tetrahedra sum up in whole numbers, without rounding.
#[test]
fn a_large_mesh_agrees_with_whole_number_sums() {
    let sphere = shapes::sphere(30.0, 100_000).unwrap();
    let grid = |p: &Point| p.coords.map(|c| (c * 1000.0).round());
    let vertices: Vec<Point> =
        sphere.vertices().iter().map(|p| (grid(p) + Vector::new(5e4, 2e4, -7e4)).into()).collect();
    let mesh = Mesh::new("grid", vertices, sphere.triangles().to_vec()).unwrap();
    let mut sums = [0i128; 5];
    for i in 0..mesh.triangles().len() {
        let [a, b, c] = mesh.corners(i).map(|p| [p.x as i128, p.y as i128, p.z as i128]);
        let minor = |i: usize, j: usize| b[i] * c[j] - b[j] * c[i];
        let det = a[0] * minor(1, 2) + a[1] * minor(2, 0) + a[2] * minor(0, 1);
        let s = [0, 1, 2].map(|i| a[i] + b[i] + c[i]);
        let product = |i: usize, j: usize| a[i] * a[j] + b[i] * b[j] + c[i] * c[j] + s[i] * s[j];
        for (sum, term) in
            sums.iter_mut().zip([1, s[0], product(0, 0), product(1, 1), product(0, 1)])
        {
            *sum += det * term;
        }
    }
    let m = measure(&mesh);
    let v = sums[0] as f64 / 6.0;
    assert_relative_eq!(m.volume_mm3, v, max_relative = 1e-12);
    assert_relative_eq!(m.centroid.x, sums[1] as f64 / 24.0 / v, max_relative = 1e-12);
    // Moments about the origin from those about the centroid, by the parallel-axis theorem.
    let second = Matrix3::identity() * (m.inertia_mm5.trace() / 2.0) - m.inertia_mm5
        + m.centroid.coords * m.centroid.coords.transpose() * m.volume_mm3;
    assert_relative_eq!(second.m11, sums[2] as f64 / 120.0, max_relative = 1e-12);
    assert_relative_eq!(second.m22, sums[3] as f64 / 120.0, max_relative = 1e-12);
    assert_relative_eq!(second.m12, sums[4] as f64 / 120.0, max_relative = 1e-12);
}

/// Twice the triangles along each edge leave a quarter of the error.
fn assert_second_order(coarse: Measures, fine: Measures, exact: [f64; 4]) {
    let values = |m: &Measures| {
        [m.volume_mm3, m.area_mm2, m.inertia_mm5.m33, m.inertia_mm5.m11].map(f64::abs)
    };
    for ((c, f), e) in values(&coarse).iter().zip(values(&fine)).zip(exact) {
        let order = ((c / e - 1.0) / (f / e - 1.0)).log2();
        assert!((1.9..2.1).contains(&order), "order {order} towards {e}");
    }
}

/// Sphere of radius 10: V = 4/3πr³, S = 4πr², I = ⅖mr².
#[test]
fn a_sphere_converges_with_second_order() {
    let at = |n| measure(&shapes::sphere(10.0, n).unwrap());
    let (v, s) = (4000.0 / 3.0 * PI, 400.0 * PI);
    assert_second_order(at(20 * 32 * 32), at(20 * 64 * 64), [v, s, 40.0 * v, 40.0 * v]);
}

/// Torus 10/3: V = 2π²Rr², S = 4π²Rr, Iz/m = R² + ¾r², Ix/m = R²/2 + ⅝r².
#[test]
fn a_torus_converges_with_second_order() {
    let at = |n| measure(&shapes::torus(10.0, 3.0, n).unwrap());
    let (v, s) = (180.0 * PI * PI, 120.0 * PI * PI);
    assert_second_order(at(96), at(192), [v, s, 106.75 * v, 55.625 * v]);
}

/// Hollow sphere 10/8: V 2044.130, I/m 55.1082.
#[test]
fn a_cavity_counts_negative_and_shells_add_up() {
    let shells = measure_shells(&shapes::hollow_sphere(10.0, 8.0, 80_000).unwrap());
    let whole = measure(&shapes::hollow_sphere(10.0, 8.0, 80_000).unwrap());
    assert_eq!(shells.len(), 2);
    assert!(shells[0].volume_mm3 > 0.0 && shells[1].volume_mm3 < 0.0);
    let sum: f64 = shells.iter().map(|s| s.volume_mm3).sum();
    assert_relative_eq!(sum, whole.volume_mm3, max_relative = 1e-12);
    assert_relative_eq!(whole.volume_mm3, 2044.130, max_relative = 1e-3);
    assert_relative_eq!(whole.inertia_mm5.m11 / whole.volume_mm3, 55.1082, max_relative = 1e-3);
}

/// Volume, area and size of real models as measured by general-purpose mesh libraries.
#[test]
fn real_models_measure_as_catalogued() {
    for row in catalogue() {
        let Some(file) = shared(&format!("meshes/{}.stl", row.text("name"))) else { return };
        let m = measure(&io::read(file, &ReadOptions::default()).unwrap());
        assert_relative_eq!(m.area_mm2, row.number("area").unwrap(), max_relative = 1e-6);
        let size = ["bbox_x", "bbox_y", "bbox_z"].map(|k| row.number(k).unwrap());
        assert_relative_eq!(m.bounds.size(), Vector::from(size), max_relative = 1e-6);
        if let Some(volume) = row.number("volume") {
            assert_relative_eq!(m.volume_mm3, volume, max_relative = 1e-6);
        }
    }
}
