//! A light stand-in for a part, so that thousands of directions can be judged.

use crate::layers::{Fill, Surface};
use crate::mesh::{Mesh, Point, Pose, Vector};
use crate::part::{Part, Role};
use std::collections::HashMap;

/// The part's surfaces with vertices merged on a grid.
///
/// Every point of the original lies within [`Proxy::error_mm`] of the stand-in and the other way
/// round. Merging vertices only drops facets whose edges cancel, so what was closed stays closed.
pub(super) struct Proxy {
    surfaces: Vec<(Mesh, Fill)>,
    /// Farthest any vertex was moved, mm.
    pub(super) error_mm: f64,
}

impl Proxy {
    /// Merges vertices that share a cell of the given edge.
    pub(super) fn of(part: &Part, cell_mm: f64) -> Proxy {
        let mut error_mm = 0.0;
        let surfaces = part
            .surfaces(&[Role::Body, Role::Lattice])
            .iter()
            .map(|s| (merged(s.mesh, cell_mm, &mut error_mm), s.fill))
            .collect();
        Proxy { surfaces, error_mm }
    }

    /// The surfaces under a rotation, lowest point on the plate.
    pub(super) fn surfaces(&self, rotation: &nalgebra::UnitQuaternion<f64>) -> Vec<Surface<'_>> {
        set_down(self.surfaces.iter().map(|(m, f)| (m, *f)), rotation)
    }
}

/// Surfaces in body coordinates, turned, lowest point on the plate.
pub(super) fn set_down<'a>(
    surfaces: impl Iterator<Item = (&'a Mesh, Fill)> + Clone,
    rotation: &nalgebra::UnitQuaternion<f64>,
) -> Vec<Surface<'a>> {
    let up = rotation.inverse() * Vector::z();
    let low = surfaces
        .clone()
        .flat_map(|(m, _)| m.vertices())
        .fold(f64::INFINITY, |low, v| low.min(v.coords.dot(&up)));
    let pose = Pose::from_parts(nalgebra::Translation3::new(0.0, 0.0, -low), *rotation);
    surfaces.map(|(mesh, fill)| Surface { mesh, pose, fill }).collect()
}

fn merged(mesh: &Mesh, cell_mm: f64, error_mm: &mut f64) -> Mesh {
    let mut cells: HashMap<[i64; 3], u32> = HashMap::new();
    let mut sums: Vec<(Vector, f64)> = Vec::new();
    let of: Vec<u32> = mesh
        .vertices()
        .iter()
        .map(|v| {
            let key = [v.x, v.y, v.z].map(|c| (c / cell_mm).floor() as i64);
            let i = *cells.entry(key).or_insert_with(|| {
                sums.push((Vector::zeros(), 0.0));
                sums.len() as u32 - 1
            });
            let sum = &mut sums[i as usize];
            *sum = (sum.0 + v.coords, sum.1 + 1.0);
            i
        })
        .collect();
    let vertices: Vec<Point> = sums.iter().map(|s| Point::from(s.0 / s.1)).collect();
    for (v, &i) in mesh.vertices().iter().zip(&of) {
        *error_mm = error_mm.max((v - vertices[i as usize]).norm());
    }
    let triangles = mesh
        .triangles()
        .iter()
        .map(|t| t.map(|v| of[v as usize]))
        .filter(|[a, b, c]| a != b && b != c && c != a)
        .collect();
    Mesh::new(mesh.name(), vertices, triangles).expect("means of finite points are finite")
}
