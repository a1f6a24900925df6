//! Which build directions to try.

use crate::mesh::{Mesh, Vector};
use crate::part::Part;
use nalgebra::{Matrix3, UnitQuaternion};

/// Unit vectors spread evenly over the sphere (Fibonacci lattice; González 2010, Math. Geosci.
/// 42:49, from memory), in a frame tied to the part so that a turned model is searched alike.
pub(super) fn even(count: u32, frame: &Matrix3<f64>) -> Vec<Vector> {
    let golden = std::f64::consts::PI * (3.0 - 5f64.sqrt());
    (0..count)
        .map(|i| {
            let z = 1.0 - (2.0 * f64::from(i) + 1.0) / f64::from(count);
            let (sin, cos) = (golden * f64::from(i)).sin_cos();
            let r = (1.0 - z * z).sqrt();
            frame * Vector::new(r * cos, r * sin, z)
        })
        .collect()
}

/// The part's own directions: as modelled, its principal axes, its large flat faces down and up,
/// and standing on the edge between two of them.
pub(super) fn natural(part: &Part, frame: &Matrix3<f64>) -> Vec<Vector> {
    let mut out = vec![part.pose.rotation.inverse() * Vector::z()];
    for axis in frame.column_iter() {
        out.push(axis.into_owned());
        out.push(-axis.into_owned());
    }
    let flats = flats(&part.body);
    for (i, n) in flats.iter().enumerate() {
        out.push(-n);
        out.push(*n);
        let edges = flats[..i].iter().filter_map(|m| (n + m).try_normalize(0.1));
        out.extend(edges.map(|up| -up));
    }
    dedup(out)
}

/// Directions within half a degree of an earlier one are dropped.
pub(super) fn dedup(all: Vec<Vector>) -> Vec<Vector> {
    let near = 0.5f64.to_radians().cos();
    let mut out: Vec<Vector> = Vec::with_capacity(all.len());
    for d in all {
        if d.norm() > 0.5 && !out.iter().any(|o| o.dot(&d) > near) {
            out.push(d);
        }
    }
    out
}

/// The rotation that points `up` along +z the short way.
pub(super) fn to_z(up: &Vector) -> UnitQuaternion<f64> {
    UnitQuaternion::rotation_between(up, &Vector::z())
        .unwrap_or_else(|| UnitQuaternion::from_axis_angle(&Vector::x_axis(), std::f64::consts::PI))
}

/// Second-moment axes of the surface, longest first, right-handed. They turn with the model.
pub(super) fn principal_frame(mesh: &Mesh) -> Matrix3<f64> {
    let (mut area, mut first, mut second) = (0.0, Vector::zeros(), Matrix3::zeros());
    for i in 0..mesh.triangles().len() {
        let [a, b, c] = mesh.corners(i);
        let w = mesh.area_normal(i).norm();
        let m = (a.coords + b.coords + c.coords) / 3.0;
        area += w;
        first += w * m;
        second += w * m * m.transpose();
    }
    if area <= 0.0 {
        return Matrix3::identity();
    }
    let mean = first / area;
    let eigen = (second / area - mean * mean.transpose()).symmetric_eigen();
    let mut order = [0, 1, 2];
    order.sort_by(|&a, &b| eigen.eigenvalues[b].total_cmp(&eigen.eigenvalues[a]));
    let [mut x, mut y] = [order[0], order[1]].map(|i| eigen.eigenvectors.column(i).into_owned());
    // An axis has no sign of its own: let the side with more surface moment be positive.
    for axis in [&mut x, &mut y] {
        let skew: f64 = (0..mesh.triangles().len())
            .map(|i| {
                let [a, b, c] = mesh.corners(i);
                let m = (a.coords + b.coords + c.coords) / 3.0 - mean;
                mesh.area_normal(i).norm() * m.dot(axis).powi(3)
            })
            .sum();
        if skew < 0.0 {
            *axis = -*axis;
        }
    }
    Matrix3::from_columns(&[x, y, x.cross(&y)])
}

/// Outward normals of plane faces that hold at least a fiftieth of the surface, largest first.
fn flats(mesh: &Mesh) -> Vec<Vector> {
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
    for (i, area) in facets {
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
    planes.into_iter().map(|p| p.0).collect()
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
