//! Frames of reference that turn with what they belong to.

use super::{Mesh, Point, Vector};
use nalgebra::{Matrix3, Rotation3, UnitQuaternion};

/// Unit vectors spread evenly over the sphere (Fibonacci lattice; González 2010, Math. Geosci.
/// 42:49, from memory).
pub(crate) fn evenly(count: u32) -> Vec<Vector> {
    let golden = std::f64::consts::PI * (3.0 - 5f64.sqrt());
    (0..count)
        .map(|i| {
            let z = 1.0 - (2.0 * f64::from(i) + 1.0) / f64::from(count);
            let (sin, cos) = (golden * f64::from(i)).sin_cos();
            let r = (1.0 - z * z).sqrt();
            Vector::new(r * cos, r * sin, z)
        })
        .collect()
}

/// Two unit vectors at right angles to a unit vector and to each other, right-handed.
pub(crate) fn across(along: &Vector) -> [Vector; 2] {
    let least = along.iamin();
    let u = along.cross(&Vector::ith(least, 1.0)).normalize();
    [u, along.cross(&u)]
}

/// Second-moment axes of the surface, longest first, as the rotation from the mesh's coordinates
/// to theirs, and the surface's centroid. They turn with the model. Where moments do not tell axes
/// apart (a cube, a gear in its plane) the farthest vertex does.
pub(crate) fn principal_frame(mesh: &Mesh) -> (UnitQuaternion<f64>, Vector) {
    let (mut area, mut first, mut second) = (0.0, Vector::zeros(), Matrix3::zeros());
    let about = mesh.bounds().center().coords;
    for i in 0..mesh.triangles().len() {
        let corners = mesh.corners(i).map(|c| c.coords - about);
        let w = mesh.area_normal(i).norm();
        let sum = corners[0] + corners[1] + corners[2];
        area += w;
        first += w / 3.0 * sum;
        // Exact for a triangle, so that how a face is cut into facets does not matter.
        let squares: Matrix3<f64> = corners.iter().map(|c| c * c.transpose()).sum();
        second += w / 12.0 * (squares + sum * sum.transpose());
    }
    if area <= 0.0 {
        return (UnitQuaternion::identity(), about);
    }
    let mean = first / area;
    let centre = about + mean;
    let eigen = (second / area - mean * mean.transpose()).symmetric_eigen();
    let mut order = [0, 1, 2];
    order.sort_by(|&a, &b| eigen.eigenvalues[b].total_cmp(&eigen.eigenvalues[a]));
    let [l0, l1, l2] = order.map(|i| eigen.eigenvalues[i]);
    let [v0, v1, v2] = order.map(|i| eigen.eigenvectors.column(i).into_owned());
    let alike = |a: f64, b: f64| a - b < 1e-6 * l0;
    let (x, y) = match (alike(l0, l1), alike(l1, l2)) {
        (false, false) => (v0, v1),
        (false, true) => (v0, farthest(mesh, &centre, &v0)),
        (true, false) => {
            let x = farthest(mesh, &centre, &v2);
            (x, v2.cross(&x))
        }
        (true, true) => {
            let x = farthest(mesh, &centre, &Vector::zeros());
            (x, farthest(mesh, &centre, &x))
        }
    };
    // An axis has no sign of its own: let the side with more surface moment be positive.
    let signed = |axis: Vector| {
        let skew: f64 = (0..mesh.triangles().len())
            .map(|i| {
                let [a, b, c] = mesh.corners(i);
                let m = (a.coords + b.coords + c.coords) / 3.0 - centre;
                mesh.area_normal(i).norm() * m.dot(&axis).powi(3)
            })
            .sum();
        if skew < 0.0 { -axis } else { axis }
    };
    let (x, y) = (signed(x), signed(y));
    let columns = Rotation3::from_matrix_unchecked(Matrix3::from_columns(&[x, y, x.cross(&y)]));
    (UnitQuaternion::from_rotation_matrix(&columns).inverse(), centre)
}

/// Direction from the centre to the vertex farthest from the line through it along `axis`, square
/// to that line; of vertices as far the first.
fn farthest(mesh: &Mesh, centre: &Vector, axis: &Vector) -> Vector {
    let away = |v: &Point| {
        let d = v.coords - centre;
        d - axis * axis.dot(&d)
    };
    let mut best = (0.0, Vector::x());
    for d in mesh.vertices().iter().map(away) {
        if d.norm() > best.0 * (1.0 + 1e-9) {
            best = (d.norm(), d);
        }
    }
    best.1.normalize()
}
