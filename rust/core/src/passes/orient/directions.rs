//! Which build directions to try.

use crate::context::Context;
use crate::error::Result;
use crate::mesh::{Mesh, Vector};
use nalgebra::UnitQuaternion;

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
