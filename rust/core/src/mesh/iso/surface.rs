//! From sampled bricks to a mesh.

use super::bricks::{BATCH, Bricks, NODES, SIDE, split};
use super::cases::{CubeCase, JOINED_FACE, case, edge_corner};
use super::{Field, bricks};
use crate::error::{Error, Result};
use crate::job::Job;
use crate::mesh::{Mesh, Point, Vector};
use nalgebra::Matrix3;
use rayon::prelude::*;

/// Normals of one sheet within a cell that all lie within this cosine (26°) of their mean belong
/// to a smooth surface; beyond it the vertex is fitted to an edge or corner.
const SMOOTH: f64 = 0.9;
/// Pull towards the mean of the crossings, against the planes' own weight of 1 each: keeps
/// directions that no plane determines.
const PULL: f64 = 1e-3;
/// How far such a vertex may leave its cell, in cells: edges often run just beside the cell whose
/// crossings they part. More would fold the surface.
const OUTSIDE: f64 = 0.25;

/// Vertices of the cells of one brick.
struct BrickCells {
    /// First vertex of each cell within the brick's own list.
    first: [u32; NODES],
    /// Sign pattern and turned face of each cell; all corners equal: no surface.
    case: [(u8, u8); NODES],
    vertices: Vec<Vertex>,
}

/// A vertex, and whether it stands on an edge or corner.
type Vertex = (Point, bool);

impl<H: Clone + Send + Sync> Bricks<H> {
    /// The closed surface; see [`surface`](super::surface).
    ///
    /// # Errors
    /// [`Error::Cancelled`], and [`Error::Mesh`] when the field changes faster than it may.
    pub fn surface<F: Field<Hint = H>>(&self, field: &F, job: &Job) -> Result<Mesh> {
        let mut cells: Vec<BrickCells> = Vec::with_capacity(self.bricks.len());
        for (i, batch) in self.bricks.chunks(BATCH).enumerate() {
            job.checkpoint(0.8 * (i * BATCH) as f64 / self.bricks.len() as f64)?;
            cells.par_extend(batch.par_iter().map(|b| self.cells(b, field)));
        }
        let mut starts = Vec::with_capacity(cells.len());
        let mut vertices = Vec::new();
        for c in &mut cells {
            starts.push(vertices.len() as u32);
            vertices.append(&mut c.vertices);
        }
        job.checkpoint(0.9)?;
        let quads: Vec<Option<Vec<[u32; 4]>>> = (0..self.bricks.len())
            .into_par_iter()
            .map(|i| self.quads(i, &cells, &starts))
            .collect();
        let mut triangles = Vec::with_capacity(4 * vertices.len());
        for quads in quads {
            let Some(quads) = quads else {
                return Err(Error::Mesh {
                    name: "surface of a field".into(),
                    problem: "the field changes faster than 1 mm per mm".into(),
                    remedy: "scale it down".into(),
                });
            };
            for [a, b, c, d] in quads {
                if first_diagonal([a, b, c, d].map(|v| vertices[v as usize])) {
                    triangles.extend([[a, b, c], [a, c, d]]);
                } else {
                    triangles.extend([[a, b, d], [b, c, d]]);
                }
            }
        }
        Mesh::new("surface", vertices.into_iter().map(|v| v.0).collect(), triangles)
    }

    /// Sign pattern of the cell whose least corner is `node`; `None` away from the surface.
    fn signs(&self, node: [i32; 3]) -> Option<u8> {
        let mut signs = 0;
        for c in 0..8 {
            let v = self.value([0, 1, 2].map(|a| node[a] + (c >> a & 1)))?;
            signs |= u8::from(v > 0.0) << c;
        }
        Some(signs)
    }

    fn cells<F: Field<Hint = H>>(&self, brick: &bricks::Brick<H>, field: &F) -> BrickCells {
        let mut out = BrickCells { first: [0; NODES], case: [(0, 6); NODES], vertices: Vec::new() };
        // The bricks that hold the corners of this brick's cells.
        let around: [Option<usize>; 8] = std::array::from_fn(|i| {
            self.brick_at([0, 1, 2].map(|a| brick.at[a] + (i as i32 >> a & 1)))
        });
        let mut hint = brick.hint.clone();
        for local in 0..NODES {
            let place = [local % SIDE, local / SIDE % SIDE, local / SIDE / SIDE];
            let node = [0, 1, 2].map(|a| brick.at[a] * SIDE as i32 + place[a] as i32);
            // Brick and local index of each corner.
            let corners: [Option<(usize, usize)>; 8] = std::array::from_fn(|c| {
                let p = [0, 1, 2].map(|a| place[a] + (c >> a & 1));
                let which = (0..3).map(|a| (p[a] / SIDE) << a).sum::<usize>();
                let within = p.map(|n| n % SIDE);
                around[which].map(|b| (b, within[0] + SIDE * (within[1] + SIDE * within[2])))
            });
            if corners.iter().any(Option::is_none) {
                continue;
            }
            let corners = corners.map(Option::unwrap_or_default);
            let value = corners.map(|(b, i)| self.bricks[b].value[i]);
            let signs = (0..8).map(|c| u8::from(value[c] > 0.0) << c).sum::<u8>();
            if signs == 0 || signs == 255 {
                continue;
            }
            let turned = self.turned_face(node, signs);
            out.case[local] = (signs, turned);
            out.first[local] = out.vertices.len() as u32;
            let case = case(signs, turned);
            let least = self.place(node);
            for sheet in 0..case.sheets {
                let crossings = (0..12).filter(|&e| case.sheet[e] == sheet).map(|edge| {
                    let low = edge_corner(edge);
                    let ends = [low, low | 1 << (edge / 4)].map(|c| {
                        let (b, i) = corners[c];
                        let g = self.bricks[b].gradient[i].map(f64::from);
                        (corner(c), f64::from(value[c]) / self.cell, Vector::from(g))
                    });
                    if ends[0].1 > 0.0 {
                        crossing(ends[0], ends[1])
                    } else {
                        crossing(ends[1], ends[0])
                    }
                });
                let crossings: Vec<(Vector, Vector)> = crossings.collect();
                let (at, sharp) = fit(&crossings);
                let settled = field.settle(least + at * self.cell, sharp, &mut hint);
                out.vertices.push((settled, sharp));
            }
        }
        out
    }

    /// The face that this cell and its neighbour both have to pair the other way; 6 for none.
    fn turned_face(&self, node: [i32; 3], signs: u8) -> u8 {
        let face = JOINED_FACE[usize::from(signs)];
        if face == 6 {
            return 6;
        }
        let mut beyond = node;
        beyond[usize::from(face / 2)] += if face & 1 == 1 { 1 } else { -1 };
        match self.signs(beyond) {
            Some(other) if JOINED_FACE[usize::from(other)] == face ^ 1 => face,
            _ => 6,
        }
    }

    /// One quadrilateral for each crossed edge that starts in the brick; `None` when a cell
    /// around such an edge has no vertex.
    fn quads(&self, brick: usize, cells: &[BrickCells], starts: &[u32]) -> Option<Vec<[u32; 4]>> {
        let mut quads = Vec::new();
        let b = &self.bricks[brick];
        for local in 0..NODES {
            let place = [local % SIDE, local / SIDE % SIDE, local / SIDE / SIDE];
            let node = [0, 1, 2].map(|a| b.at[a] * SIDE as i32 + place[a] as i32);
            for axis in 0..3 {
                let mut next = node;
                next[axis] += 1;
                let ahead = if place[axis] + 1 < SIDE {
                    Some(b.value[local + [1, SIDE, SIDE * SIDE][axis]])
                } else {
                    self.value(next)
                };
                let Some(ahead) = ahead else { continue };
                let positive = b.value[local] > 0.0;
                if positive == (ahead > 0.0) {
                    continue;
                }
                // Counter-clockwise seen against the axis.
                let mut quad = [0; 4];
                for (corner, (u, v)) in quad.iter_mut().zip([(1, 1), (0, 1), (0, 0), (1, 0)]) {
                    let mut cell = node;
                    cell[(axis + 1) % 3] -= u;
                    cell[(axis + 2) % 3] -= v;
                    let (at, local) = split(cell);
                    let owner = self.brick_at(at)?;
                    let c = &cells[owner];
                    let (signs, turned) = c.case[local];
                    let sheet = case(signs, turned).sheet[4 * axis + (u + 2 * v) as usize];
                    if sheet == CubeCase::NONE {
                        return None;
                    }
                    *corner = starts[owner] + c.first[local] + u32::from(sheet);
                }
                if !positive {
                    quad.reverse();
                }
                quads.push(quad);
            }
        }
        Some(quads)
    }
}

/// Whether to split a quadrilateral from its first to its third corner: along the edge that
/// opposite corners stand on, else along the shorter diagonal.
fn first_diagonal([a, b, c, d]: [Vertex; 4]) -> bool {
    match (a.1 && c.1, b.1 && d.1) {
        (true, false) => true,
        (false, true) => false,
        _ => (a.0 - c.0).norm_squared() <= (b.0 - d.0).norm_squared(),
    }
}

/// Place of a corner in units of the cell.
fn corner(c: usize) -> Vector {
    Vector::new((c & 1) as f64, (c >> 1 & 1) as f64, (c >> 2 & 1) as f64)
}

/// A node in units of the cell: place, value, gradient.
type SurfaceNode = (Vector, f64, Vector);

/// Where an edge crosses the surface, and the normal there. The tangent planes of its two ends
/// differ where a sharp edge of the surface runs between them; the surface is the one that is
/// met first from inside. Without gradients: linear interpolation and no normal.
fn crossing(inside: SurfaceNode, outside: SurfaceNode) -> (Vector, Vector) {
    let along = outside.0 - inside.0;
    let plane = |from: SurfaceNode, start: f64| {
        let slope = from.2.dot(&along);
        let t = start - from.1 / slope;
        (slope < 0.0 && (0.0..=1.0).contains(&t)).then_some((t, from.2))
    };
    let first = [plane(inside, 0.0), plane(outside, 1.0)]
        .into_iter()
        .flatten()
        .min_by(|a, b| a.0.total_cmp(&b.0));
    let (t, normal) = first.unwrap_or((inside.1 / (inside.1 - outside.1), Vector::zeros()));
    (inside.0 + along * t, normal)
}

/// Where a sheet's vertex goes within its cell, and whether that is an edge or corner: the mean
/// of its crossings on a smooth sheet, else the point closest to their tangent planes (Ju et al.
/// 2002), kept near the cell.
fn fit(crossings: &[(Vector, Vector)]) -> (Vector, bool) {
    let mean = crossings.iter().map(|c| c.0).sum::<Vector>() / crossings.len() as f64;
    let sum: Vector = crossings.iter().map(|c| c.1).sum();
    if crossings.iter().all(|c| c.1.dot(&sum) >= SMOOTH * sum.norm() * c.1.norm()) {
        return (mean, false);
    }
    let mut normal = Matrix3::identity() * PULL;
    let mut right = Vector::zeros();
    for (at, n) in crossings {
        normal += n * n.transpose();
        right += n * n.dot(&(at - mean));
    }
    let step = normal.cholesky().map_or(Vector::zeros(), |c| c.solve(&right));
    ((mean + step).map(|c| c.clamp(-OUTSIDE, 1.0 + OUTSIDE)), true)
}
