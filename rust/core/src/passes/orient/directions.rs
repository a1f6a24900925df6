//! Which build directions to try.

use crate::context::Context;
use crate::error::Result;
use crate::mesh::{Mesh, Point, Vector};
use nalgebra::{Matrix3, Rotation3, UnitQuaternion};

/// Unit vectors spread evenly over the sphere (Fibonacci lattice; González 2010, Math. Geosci.
/// 42:49, from memory).
pub(super) fn even(count: u32) -> Vec<Vector> {
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

/// A body's own directions: its axes (the frame it is in), its large flat faces down and up, and
/// standing on the edge between two of them.
pub(super) fn natural(body: &Mesh, ctx: &Context) -> Result<Vec<Vector>> {
    let mut out = Vec::new();
    for axis in [Vector::x(), Vector::y(), Vector::z()] {
        out.push(axis);
        out.push(-axis);
    }
    let flats = flats(body, ctx)?;
    for (i, n) in flats.iter().enumerate() {
        out.push(-n);
        out.push(*n);
        let edges = flats[..i].iter().filter_map(|m| (n + m).try_normalize(0.1));
        out.extend(edges.map(|up| -up));
    }
    Ok(out)
}

/// Adds directions farther than half a degree from those already there and from each other.
/// Meant for lists of natural directions, which are short.
pub(super) fn add_new(all: &mut Vec<Vector>, more: impl IntoIterator<Item = Vector>) {
    for d in more {
        if !near_any(&d, all) {
            all.push(d);
        }
    }
}

/// Whether a direction lies within half a degree of any of the others.
pub(super) fn near_any(d: &Vector, others: &[Vector]) -> bool {
    let near = 0.5f64.to_radians().cos();
    others.iter().any(|o| o.dot(d) > near)
}

/// The rotation that points `up` along +z the short way.
pub(super) fn to_z(up: &Vector) -> UnitQuaternion<f64> {
    UnitQuaternion::rotation_between(up, &Vector::z())
        .unwrap_or_else(|| UnitQuaternion::from_axis_angle(&Vector::x_axis(), std::f64::consts::PI))
}

/// Second-moment axes of the surface, longest first, as the rotation from the mesh's coordinates
/// to theirs, and the surface's centroid. They turn with the model. Where moments do not tell axes
/// apart (a cube, a gear in its plane) the farthest vertex does.
pub(super) fn principal_frame(mesh: &Mesh) -> (UnitQuaternion<f64>, Vector) {
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

/// Outward normals of plane faces that hold at least a fiftieth of the surface, largest first.
fn flats(mesh: &Mesh, ctx: &Context) -> Result<Vec<Vector>> {
    const MOST: usize = 12;
    let mut planes: Vec<(Vector, f64, f64)> = Vec::new();
    let near = 1f64.to_radians().cos();
    let size = mesh.bounds().size().norm();
    let mut facets: Vec<(usize, f64)> =
        (0..mesh.triangles().len()).map(|i| (i, mesh.area_normal(i).norm())).collect();
    facets.retain(|f| f.1 > 0.0);
    let total: f64 = facets.iter().map(|f| f.1).sum();
    // Large facets first: they seed the planes, so the list of planes stays short.
    facets.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
    for (count, (i, area)) in facets.into_iter().enumerate() {
        if count % (1 << 14) == 0 {
            ctx.checkpoint(0.0)?;
        }
        let n = mesh.area_normal(i) / area;
        let offset = n.dot(&mesh.corners(i)[0].coords);
        let same =
            |p: &&mut (Vector, f64, f64)| p.0.dot(&n) > near && (p.1 - offset).abs() < 1e-3 * size;
        if let Some(plane) = planes.iter_mut().find(same) {
            plane.2 += area;
        } else if planes.len() < 64 {
            planes.push((n, offset, area));
        }
    }
    planes.retain(|p| p.2 >= total / 50.0);
    planes.sort_by(|a, b| b.2.total_cmp(&a.2));
    planes.truncate(MOST);
    Ok(planes.into_iter().map(|p| p.0).collect())
}

/// Six directions at a small angle (radians) around one.
pub(super) fn around(up: &Vector, angle: f64) -> Vec<Vector> {
    let back = to_z(up).inverse();
    (0..6)
        .map(|i| {
            let (sin, cos) = (f64::from(i) * std::f64::consts::PI / 3.0).sin_cos();
            back * Vector::new(angle.sin() * cos, angle.sin() * sin, angle.cos())
        })
        .collect()
}
