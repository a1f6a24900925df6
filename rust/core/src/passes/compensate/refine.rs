//! Facets that can be moved: long ones of the foot split, slivers of flat faces turned into better
//! triangles. The surface stays the same.

use crate::error::Result;
use crate::job::Job;
use crate::mesh::edges::Edges;
use crate::mesh::{Mesh, Point, Vector};
use std::collections::BTreeMap;

/// Places this near to a plane lie on it, and this near to a height are level, mm.
const FLAT_MM: f64 = 1e-6;
/// Rounds of turning edges.
const TURNS: u32 = 16;

/// Triangles on their way to a finer mesh, in plate coordinates, each with the facet it is a piece of.
pub(super) struct FinerMesh {
    pub(super) vertices: Vec<Point>,
    pub(super) triangles: Vec<[u32; 3]>,
    pub(super) sources: Vec<u32>,
}

impl FinerMesh {
    /// The facets of a mesh.
    pub(super) fn of(mesh: &Mesh) -> FinerMesh {
        let (vertices, triangles) = (mesh.vertices().to_vec(), mesh.triangles().to_vec());
        let sources = (0..triangles.len() as u32).collect();
        FinerMesh { vertices, triangles, sources }
    }

    fn normal(&self, t: &[u32; 3]) -> Vector {
        let [a, b, c] = t.map(|v| self.vertices[v as usize]);
        (b - a).cross(&(c - a)).try_normalize(0.0).unwrap_or_default()
    }

    /// Halves the level edges of upright facets below a height until none is longer than that, or
    /// there are so many triangles; better triangles are made of what comes of it.
    pub(super) fn split(
        &mut self,
        below_mm: f64,
        longest_mm: f64,
        most: usize,
        alike: impl Fn(u32, u32) -> bool,
        job: &Job,
    ) -> Result<()> {
        loop {
            self.turn_edges(&alike, job)?;
            let mut halves: BTreeMap<[u32; 2], u32> = BTreeMap::new();
            for t in &self.triangles {
                if self.normal(t).z.abs() > 0.9 {
                    continue;
                }
                for [a, b] in sides(t) {
                    let (p, q) = (self.vertices[a as usize], self.vertices[b as usize]);
                    let level = p.z <= below_mm && (p.z - q.z).abs() < FLAT_MM;
                    if level && (q - p).norm() > longest_mm {
                        halves.entry([a.min(b), a.max(b)]).or_insert(0);
                    }
                }
            }
            if halves.is_empty() || self.triangles.len() + 2 * halves.len() > most {
                return Ok(());
            }
            for (edge, half) in &mut halves {
                let [p, q] = edge.map(|v| self.vertices[v as usize]);
                *half = self.vertices.len() as u32;
                self.vertices.push(nalgebra::center(&p, &q));
            }
            let before = std::mem::take(&mut self.triangles);
            let sources = std::mem::take(&mut self.sources);
            for (t, source) in before.into_iter().zip(sources) {
                let half = sides(&t).map(|[a, b]| halves.get(&[a.min(b), a.max(b)]).copied());
                // Corners and halves in turn, cut off corner by corner.
                let pieces: Vec<[u32; 3]> = match half {
                    [None, None, None] => vec![t],
                    [Some(h), Some(i), Some(j)] => {
                        vec![[t[0], h, j], [h, t[1], i], [j, i, t[2]], [h, i, j]]
                    }
                    _ => {
                        // Turned so that the first edge is halved and the last is not.
                        let k = (0..3).find(|&k| half[k].is_some() && half[(k + 2) % 3].is_none());
                        let k = k.unwrap_or(0);
                        let [a, b, c] = [t[k], t[(k + 1) % 3], t[(k + 2) % 3]];
                        match (half[k], half[(k + 1) % 3]) {
                            (Some(h), Some(i)) => vec![[h, b, i], [a, h, i], [a, i, c]],
                            (Some(h), None) => vec![[a, h, c], [h, b, c]],
                            _ => vec![t],
                        }
                    }
                };
                self.sources.extend(pieces.iter().map(|_| source));
                self.triangles.extend(pieces);
            }
        }
    }

    /// Turns the common edge of flat neighbours where that makes better triangles (Delaunay's
    /// criterion; Lawson 1977, from memory), but for level edges of upright facets: those are
    /// rows. `alike` tells which source facets may share.
    pub(super) fn turn_edges(&mut self, alike: impl Fn(u32, u32) -> bool, job: &Job) -> Result<()> {
        for _ in 0..TURNS {
            job.go_on()?;
            let edges = Edges::of(self.vertices.len(), &self.triangles);
            let mut done = vec![false; self.triangles.len()];
            let mut turned = false;
            for e in edges.iter() {
                let [s, t] = e.sides else { continue };
                let (f, g) = (s.facet(), t.facet());
                if done[f] || done[g] || !alike(self.sources[f], self.sources[g]) {
                    continue;
                }
                let corner = |facet: usize, k: usize| self.triangles[facet][k % 3];
                let (a, b) = (corner(f, s.corner()), corner(f, s.corner() + 1));
                let (c, d) = (corner(f, s.corner() + 2), corner(g, t.corner() + 2));
                if corner(g, t.corner()) != b || !edges.between(c, d).is_empty() {
                    continue;
                }
                if self.is_better(a, b, c, d) {
                    self.triangles[f] = [a, d, c];
                    self.triangles[g] = [d, b, c];
                    (done[f], done[g], turned) = (true, true, true);
                }
            }
            if !turned {
                break;
            }
        }
        Ok(())
    }

    /// Whether facets `abc` and `bad` are flat together and better as `adc` and `dbc`: one without
    /// area, a corner of it on its longest edge, always is.
    fn is_better(&self, a: u32, b: u32, c: u32, d: u32) -> bool {
        let [a, b, c, d] = [a, b, c, d].map(|v| self.vertices[v as usize]);
        let across = [(b - a).cross(&(c - a)), (a - b).cross(&(d - b))];
        let larger = usize::from(across[1].norm() > across[0].norm());
        let Some(normal) = across[larger].try_normalize(0.0) else { return false };
        let flat = |p: &Point| (p - a).dot(&normal).abs() <= FLAT_MM;
        let thin = across[1 - larger].norm() <= FLAT_MM * (b - a).norm();
        let row = normal.z.abs() < 0.9 && (a.z - b.z).abs() < FLAT_MM;
        if row || !flat(&c) || !flat(&d) || (!thin && across[0].dot(&across[1]) <= 0.0) {
            return false;
        }
        let angles = (a - c).angle(&(b - c)) + (a - d).angle(&(b - d));
        let turns = |p: &Point, q: &Point, r: &Point| (q - p).cross(&(r - p)).dot(&normal);
        let least = FLAT_MM * (c - d).norm();
        angles > std::f64::consts::PI + 1e-6
            && turns(&a, &d, &c) > least
            && turns(&d, &b, &c) > least
    }
}

/// The edges of a triangle, in its direction.
fn sides(t: &[u32; 3]) -> [[u32; 2]; 3] {
    [[t[0], t[1]], [t[1], t[2]], [t[2], t[0]]]
}
