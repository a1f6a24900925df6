//! Depth below the outer surface, as a field and as a guarantee.

use crate::context::Context;
use crate::error::Result;
use crate::mesh::distance::Tree;
use crate::mesh::iso::{Field, Sample};
use crate::mesh::{Mesh, Point, Vector};
use rayon::prelude::*;

/// Depth to which a vertex is set exactly, mm.
const EXACT_MM: f64 = 1e-6;
/// An outward step no longer than this is near enough to exact without another look, mm.
const SHORT_MM: f64 = 5e-3;

/// Positive where the body is deeper than a wall. Depth is the exact distance to the skin,
/// negative outside.
pub(super) struct Deeper<'a> {
    /// All triangles of the body, for winding numbers.
    pub(super) body: &'a Tree,
    /// Those that bound its material.
    pub(super) skin: &'a Tree,
    pub(super) wall_mm: f64,
}

/// The last sample: all within its depth is on its side.
#[derive(Clone)]
pub(super) struct Near {
    slot: u32,
    place: Point,
    depth_mm: f64,
}

impl Field for Deeper<'_> {
    type Hint = Near;

    fn hint(&self) -> Near {
        Near { slot: u32::MAX, place: Point::origin(), depth_mm: 0.0 }
    }

    fn at(&self, point: &Point, band: f64, near: &mut Near) -> Sample {
        let plain = |value| Sample { value, gradient: Vector::zeros() };
        let (enough, reach) = (self.wall_mm - band, self.wall_mm + band);
        let hit = self.skin.nearest_from(point, near.slot, enough.max(0.0), reach);
        if let Some(h) = hit {
            near.slot = h.slot;
            if h.distance_mm < enough {
                // Too shallow whatever the side, and at least by this much.
                return plain(h.distance_mm - self.wall_mm);
            }
        }
        let distance = hit.map_or(reach, |h| h.distance_mm);
        let same = (point - near.place).norm() < near.depth_mm.abs();
        let inside = if same { near.depth_mm > 0.0 } else { self.body.winding(point) != 0 };
        let depth = if inside { distance } else { -distance };
        (near.place, near.depth_mm) = (*point, depth);
        let Some(h) = hit else { return plain(depth - self.wall_mm) };
        let gradient = (point - h.point) * depth.signum();
        let gradient = if distance > 0.0 { gradient / distance } else { Vector::zeros() };
        Sample { value: depth - self.wall_mm, gradient }
    }

    /// Newton steps along the depth: both ways on a smooth face; on an edge or corner only
    /// inwards, against each face in turn, since such a vertex is where it is for all of them.
    fn settle(&self, vertex: Point, sharp: bool, near: &mut Near) -> Point {
        let mut p = vertex;
        for _ in 0..if sharp { 8 } else { 4 } {
            let Sample { value, gradient } = self.at(&p, f64::INFINITY, near);
            if value.abs() < EXACT_MM || (sharp && value > 0.0) || !value.is_finite() {
                break;
            }
            p -= gradient * value;
            // A step outward never overshoots, since depth changes no faster than place.
            if (0.0..SHORT_MM).contains(&value) {
                break;
            }
        }
        p
    }
}

/// Most rounds of moving vertices inward.
const ROUNDS: usize = 16;
/// Triangles handled between two checkpoints.
const BATCH: usize = 1 << 14;
/// Neighbours asked one after the other, each from where the one before was found.
const FEW: usize = 64;

/// Thickness of the wall over a cavity's surface.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Walls {
    pub(super) least_mm: f64,
    pub(super) mean_mm: f64,
    pub(super) p99_mm: f64,
}

/// One place of a cavity's surface.
struct Spot {
    triangle: u32,
    /// What it stands for; nothing on the sides of triangles.
    area_mm2: f64,
    depth_mm: f64,
    /// Unit direction away from the skin.
    inward: Vector,
}

impl Deeper<'_> {
    /// Moves the vertices of a cavity inward until the wall holds at all of them and between
    /// them, then measures it at the middles of triangles and sides no longer than `spacing_mm`.
    pub(super) fn secure(
        &self,
        mesh: Mesh,
        spacing_mm: f64,
        ctx: &Context,
    ) -> Result<(Mesh, Walls)> {
        let (name, mut vertices, triangles) = mesh.into_parts();
        vertices.par_chunks_mut(FEW).for_each(|few| {
            let mut near = self.hint();
            few.iter_mut().for_each(|v| *v = self.settle(*v, true, &mut near));
        });
        let all: Vec<u32> = (0..triangles.len() as u32).collect();
        let mut spots = self.spots(&vertices, &triangles, &all, spacing_mm, ctx)?;
        // Between exact vertices a wall curved towards the cavity is short by a sagitta. Each
        // spot that lacks depth pulls its triangle along its own way inward; where two faces of
        // the cavity meet that takes several rounds, at few places.
        for _ in 0..ROUNDS {
            let mut pull = vec![(0.0f64, Vector::zeros()); vertices.len()];
            for spot in &spots {
                let lack = self.wall_mm - spot.depth_mm;
                for v in triangles[spot.triangle as usize] {
                    if lack > pull[v as usize].0 {
                        pull[v as usize] = (lack, spot.inward);
                    }
                }
            }
            let moved: Vec<bool> = pull.iter().map(|p| p.0 > EXACT_MM).collect();
            if !moved.contains(&true) {
                break;
            }
            vertices.par_iter_mut().zip(&pull).filter(|p| p.1.0 > EXACT_MM).for_each(|(v, p)| {
                // a little more than measured: the places asked are not quite the thinnest
                *v = self.settle(*v + p.1 * (1.15 * p.0), true, &mut self.hint());
            });
            let touched = |t: &u32| triangles[*t as usize].iter().any(|&v| moved[v as usize]);
            spots.retain(|s| !touched(&s.triangle));
            let again: Vec<u32> = all.iter().copied().filter(touched).collect();
            spots.extend(self.spots(&vertices, &triangles, &again, spacing_mm, ctx)?);
        }
        let least = vertices.par_chunks(FEW).map(|few| {
            let mut slot = u32::MAX;
            few.iter().fold(f64::INFINITY, |least, v| {
                let hit = self.skin.nearest_from(v, slot, 0.0, least);
                hit.map_or(least, |h| {
                    slot = h.slot;
                    h.distance_mm
                })
            })
        });
        let mut walls = walls(spots);
        walls.least_mm = walls.least_mm.min(least.reduce(|| f64::INFINITY, f64::min));
        Ok((Mesh::new(name, vertices, triangles)?, walls))
    }

    /// Depth at the middles of the triangles listed, and of their sides where it is less than
    /// asked; triangles are split until no side is longer than the spacing.
    fn spots(
        &self,
        vertices: &[Point],
        triangles: &[[u32; 3]],
        listed: &[u32],
        spacing_mm: f64,
        ctx: &Context,
    ) -> Result<Vec<Spot>> {
        let mut spots = Vec::new();
        for (i, batch) in listed.chunks(BATCH).enumerate() {
            ctx.checkpoint((i * BATCH) as f64 / listed.len() as f64)?;
            let found: Vec<Vec<Spot>> = batch
                .par_chunks(FEW)
                .map(|few| {
                    let mut found = Vec::new();
                    let mut slot = u32::MAX;
                    for &triangle in few {
                        let corners = triangles[triangle as usize].map(|v| vertices[v as usize]);
                        places(&corners, spacing_mm, &mut |p, area_mm2| {
                            // What stands for no area matters only where it lacks depth.
                            let reach = if area_mm2 > 0.0 { f64::INFINITY } else { self.wall_mm };
                            let hit = self.skin.nearest_from(&p, slot, 0.0, reach);
                            if let Some(hit) = hit {
                                slot = hit.slot;
                                let depth_mm = hit.distance_mm;
                                let inward = (p - hit.point) / depth_mm.max(f64::MIN_POSITIVE);
                                found.push(Spot { triangle, area_mm2, depth_mm, inward });
                            }
                        });
                    }
                    found
                })
                .collect();
            spots.extend(found.into_iter().flatten());
        }
        Ok(spots)
    }
}

/// Names places on a triangle, halved at its longest side until none is longer than `most_mm`: the
/// middle of each part with its area, and the middles of all sides with none.
fn places(t: &[Point; 3], most_mm: f64, ask: &mut impl FnMut(Point, f64)) {
    // Each side is met once in either direction: it is asked in one.
    let mut side = |p: &Point, q: &Point| {
        let half = nalgebra::center(p, q);
        if [p.x, p.y, p.z] < [q.x, q.y, q.z] {
            ask(half, 0.0);
        }
        half
    };
    let lengths: [f64; 3] = std::array::from_fn(|i| (t[(i + 1) % 3] - t[i]).norm_squared());
    let longest = (0..3).max_by(|&i, &j| lengths[i].total_cmp(&lengths[j])).unwrap_or(0);
    if lengths[longest] > most_mm * most_mm {
        let [p, q, r] = [t[longest], t[(longest + 1) % 3], t[(longest + 2) % 3]];
        let half = side(&p, &q);
        places(&[p, half, r], most_mm, ask);
        places(&[half, q, r], most_mm, ask);
        return;
    }
    (0..3).for_each(|i| {
        side(&t[i], &t[(i + 1) % 3]);
    });
    let area_mm2 = (t[1] - t[0]).cross(&(t[2] - t[0])).norm() / 2.0;
    ask(Point::from((t[0].coords + t[1].coords + t[2].coords) / 3.0), area_mm2);
}

/// Least, mean and 99th percentile by area.
fn walls(mut spots: Vec<Spot>) -> Walls {
    spots.sort_unstable_by(|a, b| {
        a.depth_mm.total_cmp(&b.depth_mm).then(a.triangle.cmp(&b.triangle))
    });
    let Some(first) = spots.first() else { return Walls::default() };
    let total: f64 = spots.iter().map(|s| s.area_mm2).sum();
    let mean_mm = spots.iter().map(|s| s.area_mm2 * s.depth_mm).sum::<f64>() / total;
    let mut below = 0.0;
    let p99 = spots.iter().find(|s| {
        below += s.area_mm2;
        below >= 0.99 * total
    });
    Walls { least_mm: first.depth_mm, mean_mm, p99_mm: p99.unwrap_or(first).depth_mm }
}
