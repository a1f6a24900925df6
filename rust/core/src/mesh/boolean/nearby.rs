//! The piece of a mesh that a tool can reach, closed far away, so that a small cut into a large
//! mesh costs what the piece does.
//!
//! Inside the tools' box the closed piece winds as often as the whole mesh. Its rim is carried
//! outwards along rays from the middle of the box, which cannot lead back into the box, and closed
//! far out towards one more point. What winding the left-out facets gave to the box is one whole
//! number, since none of them enters it; as many shells around the box make up for it.

use super::{Raw, Source};
use crate::mesh::distance::{closest_on, crossing};
use crate::mesh::edges::Edges;
use crate::mesh::{Bounds, Mesh, Point, Vector};
use std::collections::HashMap;

/// How far out the rim is carried, in half diagonals of the box.
const FAR: f64 = 20.0;
/// Facets of the box are this far from the tools, in half diagonals: rounding does not reach it.
const MARGIN: f64 = 0.01;

/// A closed piece of a mesh.
pub(super) struct Nearby {
    /// The piece, then what closes it.
    pub(super) mesh: Mesh,
    /// Facets of the whole mesh that are in the piece, in its order.
    taken: Vec<u32>,
}

impl Nearby {
    /// What a tool within the bounds can touch; `None` when that is no less than half of the
    /// mesh, or its rim lies all around.
    pub(super) fn of(whole: &Mesh, tools: &Bounds) -> Option<Nearby> {
        let center = tools.center();
        let radius = (1.0 + MARGIN) * tools.size().norm() / 2.0;
        let margin = Vector::repeat(MARGIN * radius);
        let reach = Bounds { min: tools.min - margin, max: tools.max + margin };
        let triangles = whole.triangles();
        let meets = |f: &u32| reach.meets(&Bounds::of(&whole.corners(*f as usize)));
        let taken: Vec<u32> = (0..triangles.len() as u32).filter(meets).collect();
        if 2 * taken.len() >= triangles.len() {
            return None;
        }
        let mut near = Nearby { mesh: whole.piece(&taken), taken };
        let kept = near.taken.len();
        near.close(&center, radius)?;
        // Winding that the left-out facets give to the middle, and the lid does not.
        let mut taken = near.taken.iter().copied().peekable();
        let left = (0..triangles.len() as u32).filter(|f| taken.next_if_eq(f).is_none());
        let missing = steps(whole, left.map(|f| f as usize), &center)
            - steps(&near.mesh, kept..near.mesh.triangles.len(), &center);
        near.surround(&center, 4.0 * radius, missing);
        Some(near)
    }

    /// Closes the rim outside the ball; `None` when no direction is free of it.
    fn close(&mut self, center: &Point, radius: f64) -> Option<()> {
        let Mesh { vertices, triangles, .. } = &mut self.mesh;
        let edges = Edges::of(vertices.len(), triangles);
        // Against the way in which the facets run along each open edge.
        let mut rim: Vec<[u32; 2]> = Vec::new();
        for edge in edges.iter() {
            let lid =
                if edge.balance() > 0 { [edge.high, edge.low] } else { [edge.low, edge.high] };
            rim.extend(std::iter::repeat_n(lid, edge.balance().unsigned_abs() as usize));
        }
        if rim.is_empty() {
            return Some(());
        }
        let mut carried: Vec<u32> = rim.iter().flatten().copied().collect();
        carried.sort_unstable();
        carried.dedup();
        let away = |v: u32| vertices[v as usize] - center;
        let farthest = carried.iter().map(|&v| away(v).norm()).fold(0.0, f64::max);
        let out = (FAR * radius).max(2.0 * farthest);
        let rays: Vec<Vector> = carried.iter().map(|&v| away(v).normalize()).collect();
        let crowd = |d: &Vector| rays.iter().map(|r| -d.dot(r)).fold(-1.0, f64::max);
        let best = directions().min_by(|a, b| crowd(a).total_cmp(&crowd(b)))?;

        let first = vertices.len() as u32;
        vertices.extend(rays.iter().map(|r| center + r * out));
        let apex = vertices.len() as u32;
        vertices.push(center + best * out);
        for [p, q] in rim {
            let [far_p, far_q] = [p, q].map(|v| first + carried.partition_point(|&c| c < v) as u32);
            let last = [far_p, far_q, apex];
            let corners = last.map(|v| vertices[v as usize]);
            if (closest_on(&corners, center) - center).norm() <= radius {
                return None;
            }
            triangles.extend([[p, q, far_q], [p, far_q, far_p], last]);
        }
        Some(())
    }

    /// Adds as many octahedra around the middle, facing inward for a negative number.
    fn surround(&mut self, center: &Point, radius: f64, count: i32) {
        for i in 0..count.unsigned_abs() {
            let first = self.mesh.vertices.len() as u32;
            for axis in 0..3 {
                // No two alike: the engine takes those for one.
                let arm = Vector::ith(axis, radius * (1.0 + 0.1 * f64::from(i)));
                self.mesh.vertices.extend([center + arm, center - arm]);
            }
            for corner in 0..8u32 {
                let [x, y, z] = [corner & 1, corner >> 1 & 1, corner >> 2].map(|side| side + first);
                // Each mirroring turns a facet over.
                let even = corner.count_ones() % 2 == 0;
                let out = if even == (count > 0) { [x, y + 2, z + 4] } else { [x, z + 4, y + 2] };
                self.mesh.triangles.push(out);
            }
        }
    }

    /// The whole mesh with the piece as the cut left it.
    pub(super) fn put_back(&self, whole: &Mesh, cut: Raw) -> Raw {
        let key = |p: &Point| p.coords.map(|c| (c + 0.0).to_bits());
        let corners = self.taken.iter().flat_map(|&f| whole.triangles[f as usize]);
        let old: HashMap<_, u32> = corners.map(|v| (key(&whole.vertices[v as usize]), v)).collect();
        let mut out =
            Raw { mesh: Mesh { name: whole.name.clone(), ..Mesh::default() }, sources: Vec::new() };
        let mut place = |number: &mut u32, p: Point| {
            if *number == u32::MAX {
                *number = out.mesh.vertices.len() as u32;
                out.mesh.vertices.push(p);
            }
            *number
        };
        let mut of_whole = vec![u32::MAX; whole.vertices.len()];
        let mut taken = self.taken.iter().copied().peekable();
        for (facet, t) in (0..).zip(&whole.triangles) {
            if taken.next_if_eq(&facet).is_none() {
                let corner = |v: u32| place(&mut of_whole[v as usize], whole.vertices[v as usize]);
                out.mesh.triangles.push(t.map(corner));
                out.sources.push(Source { operand: 0, facet });
            }
        }
        let mut of_cut = vec![u32::MAX; cut.mesh.vertices.len()];
        for (t, source) in cut.mesh.triangles.iter().zip(cut.sources) {
            let source = match (source.operand, self.taken.get(source.facet as usize)) {
                (0, None) => continue, // the lid
                (0, Some(&facet)) => Source { operand: 0, facet },
                _ => source,
            };
            out.mesh.triangles.push(t.map(|v| {
                let p = cut.mesh.vertices[v as usize];
                match old.get(&key(&p)) {
                    Some(&v) => place(&mut of_whole[v as usize], p),
                    None => place(&mut of_cut[v as usize], p),
                }
            }));
            out.sources.push(source);
        }
        out
    }
}

/// Winding that facets give to a point.
fn steps(mesh: &Mesh, facets: impl Iterator<Item = usize>, p: &Point) -> i32 {
    facets
        .filter_map(|f| crossing(&mesh.corners(f), 0, p))
        .filter(|(at, _)| *at < p.x)
        .map(|(_, step)| step)
        .sum()
}

/// From the middle of a cube to its corners, the middles of its edges and those of its faces.
fn directions() -> impl Iterator<Item = Vector> {
    let step = |i: i32| f64::from(i - 1);
    (0..27)
        .map(move |i| Vector::new(step(i % 3), step(i / 3 % 3), step(i / 9)))
        .filter_map(|d| d.try_normalize(0.0))
}
