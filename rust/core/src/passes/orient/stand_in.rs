//! What is judged in a part's place: its surfaces in coordinates of their own, exact or light.

use crate::layers::{Fill, Surface};
use crate::mesh::frame::principal_frame;
use crate::mesh::measure::volume_mm3;
use crate::mesh::{Mesh, Point, Pose, Vector};
use crate::part::{Part, Role};
use nalgebra::{Translation3, UnitQuaternion};
use std::collections::HashMap;

/// Surfaces of a part in the frame of its principal axes, its centre at the origin. Pixels and
/// directions then lie on the part in one way however the model was turned before, so a turned
/// model is judged alike.
pub(super) struct StandIn {
    surfaces: Vec<(Mesh, Fill)>,
    /// Takes body coordinates to these.
    pub(super) from_body: UnitQuaternion<f64>,
    /// Farthest any vertex was moved, mm.
    pub(super) error_mm: f64,
}

impl StandIn {
    /// The part's surfaces as they are.
    pub(super) fn exact(part: &Part) -> StandIn {
        let (from_body, centre) = principal_frame(&part.body);
        let own = Pose::from_parts(Translation3::from(-(from_body * centre)), from_body);
        let surfaces = part.surfaces(&[Role::Body, Role::Lattice]);
        let surfaces = surfaces.iter().map(|s| (s.mesh.transformed(&own), s.fill)).collect();
        StandIn { surfaces, from_body, error_mm: 0.0 }
    }

    /// [`StandIn::light`] at a cell so small that walls do not collapse: their volume would be lost.
    pub(super) fn light_enough(&self, cell_mm: f64) -> StandIn {
        const LOST: f64 = 0.02;
        let volume = |s: &StandIn| s.surfaces.iter().map(|s| volume_mm3(&s.0)).sum::<f64>();
        let (exact, mut cell) = (volume(self), cell_mm);
        loop {
            let light = self.light(cell);
            if (1.0 - volume(&light) / exact).abs() <= LOST || cell <= cell_mm / 4.0 {
                return light;
            }
            cell /= 2.0;
        }
    }

    /// The same with vertices merged that share a cell of the given edge, so that thousands of
    /// directions can be judged. Every point of the original lies within `error_mm` of it and the
    /// other way round. Merging vertices only drops facets whose edges cancel, so what was closed
    /// stays closed.
    fn light(&self, cell_mm: f64) -> StandIn {
        let mut error_mm = self.error_mm;
        let light = |(m, f): &(Mesh, Fill)| (merged(m, cell_mm, &mut error_mm), *f);
        let surfaces = self.surfaces.iter().map(light).collect();
        StandIn { surfaces, error_mm, ..*self }
    }

    /// The body's surface.
    pub(super) fn body(&self) -> &Mesh {
        &self.surfaces[0].0
    }

    /// Twice the distance of the farthest point from the centre, mm: a size that turning the part
    /// does not change.
    pub(super) fn size_mm(&self) -> f64 {
        2.0 * self.body().vertices().iter().map(|v| v.coords.norm()).fold(0.0, f64::max)
    }

    /// The surfaces turned, lowest point on the plate.
    pub(super) fn standing(&self, rotation: &UnitQuaternion<f64>) -> Vec<Surface<'_>> {
        let up = rotation.inverse() * Vector::z();
        let points = self.surfaces.iter().flat_map(|(mesh, _)| mesh.vertices());
        let low = points.fold(f64::INFINITY, |low, v| low.min(v.coords.dot(&up)));
        let pose = Pose::from_parts(Translation3::new(0.0, 0.0, -low), *rotation);
        self.surfaces.iter().map(|(mesh, fill)| Surface { mesh, pose, fill: *fill }).collect()
    }
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
