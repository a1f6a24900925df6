//! Scan conversion: triangle surfaces straight into layers, rows and spans.
//!
//! The edge rule that keeps every row balanced: a vertex on a plane counts as above it, and a
//! cut point's row is found by `y₀ ≤ row < y₁`. Both facets of an edge compute its cut from the
//! same two vertices in the same order (below, above), so they agree to the last bit, each row
//! is entered as often as it is left, and no fill can leak.

use super::grid::{Grid, SUBPIXEL, TAG_BITS};
use super::spans::{Layer, Layers, Span};
use super::surface::{Fill, Surface};
use crate::error::{Error, Result};
use crate::job::Job;
use rayon::prelude::*;
use std::ops::Range;

/// Corners in lattice units: x in sub-pixels, y so that row centres are whole, z so that layer
/// middles are whole.
type FacetCorners = [[f64; 3]; 3];

/// Surfaces made ready for scanning, from which blocks of layers are drawn.
pub struct Scan {
    grid: Grid,
    facets: Vec<Facet>,
    vertices: Vec<[f64; 3]>,
    /// Facets in the order of their first layer.
    order: Vec<u32>,
    /// `started[k]`: how many facets of `order` start before layer k.
    started: Vec<u32>,
}

/// A facet that meets at least one layer's middle: layers `first..end`.
struct Facet {
    corners: [u32; 3],
    first: u32,
    end: u32,
    fill: Fill,
}

impl Scan {
    /// Makes surfaces ready. What lies outside the grid is clipped at its border.
    ///
    /// Closed surfaces give what non-zero winding fills. On an open surface a row that is entered
    /// but not left has no end, so gate meshes by [`Solid`](crate::Solid) first.
    pub fn new(surfaces: &[Surface<'_>], grid: Grid) -> Scan {
        let n = surfaces.iter().map(|s| s.mesh.vertices().len()).sum();
        let mut vertices: Vec<[f64; 3]> = Vec::with_capacity(n);
        let mut facets =
            Vec::with_capacity(surfaces.iter().map(|s| s.mesh.triangles().len()).sum());
        let (sx, sy, sz) =
            (f64::from(SUBPIXEL) / grid.pitch_mm, 1.0 / grid.pitch_mm, 1.0 / grid.layer_mm);
        for s in surfaces {
            let base = vertices.len() as u32;
            vertices.extend(s.mesh.vertices().iter().map(|v| {
                let p = s.pose * v;
                [(p.x - grid.x0_mm) * sx, (p.y - grid.y0_mm) * sy - 0.5, p.z * sz - 0.5]
            }));
            facets.extend(s.mesh.triangles().iter().filter_map(|t| {
                let corners = t.map(|v| v + base);
                let [a, b, c] = corners.map(|v| vertices[v as usize][2]);
                let (low, high) = (a.min(b).min(c), a.max(b).max(c));
                // Layers k with low < k <= high, since a vertex on the plane counts as above.
                let end = (high.floor() + 1.0).clamp(0.0, f64::from(grid.layers)) as u32;
                let first = (low.floor() + 1.0).clamp(0.0, f64::from(end)) as u32;
                (first < end).then_some(Facet { corners, first, end, fill: s.fill })
            }));
        }
        let mut started = vec![0; grid.layers as usize + 1];
        for f in &facets {
            started[f.first as usize + 1] += 1;
        }
        for k in 1..started.len() {
            started[k] += started[k - 1];
        }
        let mut next = started.clone();
        let mut order = vec![0; facets.len()];
        for (i, f) in facets.iter().enumerate() {
            order[next[f.first as usize] as usize] = i as u32;
            next[f.first as usize] += 1;
        }
        Scan { grid, facets, vertices, order, started }
    }

    /// The lattice.
    pub fn grid(&self) -> &Grid {
        &self.grid
    }

    /// All layers at once.
    ///
    /// # Errors
    /// [`Error::Limit`] when they would not fit into [`MOST_BYTES`], [`Error::Cancelled`].
    pub fn layers(&self, job: &Job) -> Result<Layers> {
        let row_table = 4.0 * f64::from(self.grid.rows);
        let bytes: f64 = self.crossings().iter().map(|n| 4.0 * n + row_table).sum();
        if bytes > MOST_BYTES {
            return Err(Error::Limit {
                place: format!("{} layers of {} mm", self.grid.layers, self.grid.layer_mm),
                value: (bytes / 1e8).round() / 10.0,
                limit: MOST_BYTES / 1e9,
                unit: "GB",
                remedy: "check the model's unit, or use thicker layers or a coarser pitch".into(),
            });
        }
        let mut layers = Vec::with_capacity(self.grid.layers as usize);
        self.for_each_block(BLOCK_BYTES, job, |block| {
            layers.extend(block.layers);
            Ok(())
        })?;
        Ok(Layers { grid: self.grid, first: 0, layers })
    }

    /// Draws the layers in blocks of neighbours, lowest first, none needing much more than
    /// `bytes` of memory while it is made (a single layer is never divided).
    ///
    /// # Errors
    /// [`Error::Cancelled`](crate::Error::Cancelled), or what `visit` returns.
    pub fn for_each_block(
        &self,
        bytes: usize,
        job: &Job,
        mut visit: impl FnMut(Layers) -> Result<()>,
    ) -> Result<()> {
        let mut open: Vec<u32> = Vec::new();
        for range in self.blocks(bytes) {
            job.checkpoint(f64::from(range.start) / f64::from(self.grid.layers.max(1)))?;
            let new = self.started[range.start as usize]..self.started[range.end as usize];
            open.extend_from_slice(&self.order[new.start as usize..new.end as usize]);
            visit(self.block(range.clone(), &open, job)?)?;
            open.retain(|&f| self.facets[f as usize].end > range.end);
        }
        Ok(())
    }

    /// As [`Scan::for_each_block`], highest first.
    ///
    /// # Errors
    /// As [`Scan::for_each_block`].
    pub fn for_each_block_down(
        &self,
        bytes: usize,
        job: &Job,
        mut visit: impl FnMut(Layers) -> Result<()>,
    ) -> Result<()> {
        for range in self.blocks(bytes).into_iter().rev() {
            job.checkpoint(1.0 - f64::from(range.end) / f64::from(self.grid.layers))?;
            visit(self.some(range, job)?)?;
        }
        Ok(())
    }

    /// Some of the layers.
    pub(crate) fn some(&self, range: Range<u32>, job: &Job) -> Result<Layers> {
        let started = &self.order[..self.started[range.end as usize] as usize];
        let meets = |&&f: &&u32| self.facets[f as usize].end > range.start;
        let open: Vec<u32> = started.iter().filter(meets).copied().collect();
        self.block(range, &open, job)
    }

    /// About how many crossings each layer has.
    fn crossings(&self) -> Vec<f64> {
        // A facet's crossings are its area seen along x, in units of row and layer; spread them
        // evenly over the layers it meets.
        let mut change = vec![0.0; self.grid.layers as usize + 1];
        for f in &self.facets {
            let [a, b, c] = self.corners(f);
            let (u, v) = ([b[1] - a[1], b[2] - a[2]], [c[1] - a[1], c[2] - a[2]]);
            let crossings = 0.5 * (u[0] * v[1] - u[1] * v[0]).abs();
            let per_layer = crossings / f64::from(f.end - f.first) + 1.0;
            change[f.first as usize] += per_layer;
            change[f.end as usize] -= per_layer;
        }
        let mut now = 0.0;
        for n in &mut change {
            now += *n;
            *n = now;
        }
        change.pop();
        change
    }

    /// Cuts the layers into ranges of like cost.
    fn blocks(&self, bytes: usize) -> Vec<Range<u32>> {
        let row_table = 4.0 * f64::from(self.grid.rows);
        let (mut out, mut start, mut used) = (Vec::new(), 0, 0.0);
        for (k, crossings) in (0..).zip(self.crossings()) {
            let cost = crossings * 16.0 + row_table;
            if k > start && used + cost > bytes as f64 {
                out.push(start..k);
                (start, used) = (k, 0.0);
            }
            used += cost;
        }
        if start < self.grid.layers {
            out.push(start..self.grid.layers);
        }
        out
    }

    fn corners(&self, f: &Facet) -> FacetCorners {
        f.corners.map(|v| self.vertices[v as usize])
    }

    fn block(&self, range: Range<u32>, open: &[u32], job: &Job) -> Result<Layers> {
        let meets = |f: &Facet| f.first.max(range.start)..f.end.min(range.end);
        let mut starts = vec![0u32; range.len() + 1];
        for &i in open {
            for k in meets(&self.facets[i as usize]) {
                starts[(k - range.start) as usize + 1] += 1;
            }
        }
        for k in 1..starts.len() {
            starts[k] += starts[k - 1];
        }
        let mut next = starts.clone();
        let mut by_layer = vec![0u32; starts[range.len()] as usize];
        for &i in open {
            for k in meets(&self.facets[i as usize]) {
                let slot = &mut next[(k - range.start) as usize];
                by_layer[*slot as usize] = i;
                *slot += 1;
            }
        }
        let layers = (0..range.len())
            .into_par_iter()
            .map_init(Scratch::default, |scratch, k| {
                job.go_on()?;
                let facets = &by_layer[starts[k] as usize..starts[k + 1] as usize];
                Ok(self.layer(range.start + k as u32, facets, scratch))
            })
            .collect::<Result<Vec<Layer>>>()?;
        Ok(Layers { grid: self.grid, first: range.start, layers })
    }

    fn layer(&self, k: u32, facets: &[u32], scratch: &mut Scratch) -> Layer {
        let Scratch { crossings, starts, sorted } = scratch;
        crossings.clear();
        let z = f64::from(k);
        let (rows, right) = (f64::from(self.grid.rows), f64::from(self.grid.columns * SUBPIXEL));
        for &i in facets {
            let facet = &self.facets[i as usize];
            let (p, q) = cut(self.corners(facet), z);
            let (low, high) = if p[1] < q[1] { (p[1], q[1]) } else { (q[1], p[1]) };
            let (first, end) = (low.ceil().max(0.0), high.ceil().min(rows));
            if first >= end {
                continue;
            }
            // Walking with the solid on the left, a line downwards enters it.
            let tag = (facet.fill as u32) << 1 | u32::from(p[1] < q[1]);
            let slope = (q[0] - p[0]) / (q[1] - p[1]);
            let (left, most) = if p[0] < q[0] { (p[0], q[0]) } else { (q[0], p[0]) };
            for row in first as u32..end as u32 {
                let x = (p[0] + (f64::from(row) - p[1]) * slope).clamp(left, most);
                let x = (x.clamp(0.0, right) + 0.5) as u32;
                crossings.push((row, x << TAG_BITS | tag));
            }
        }
        let Some(&(row, _)) = crossings.first() else { return Layer::default() };
        let bounds = crossings
            .iter()
            .fold(row..row + 1, |r, &(row, _)| r.start.min(row)..r.end.max(row + 1));
        // Sort by row by counting, then each short row by x.
        starts.clear();
        starts.resize(bounds.len() + 1, 0);
        for &(row, _) in crossings.iter() {
            starts[(row - bounds.start) as usize + 1] += 1;
        }
        for r in 1..starts.len() {
            starts[r] += starts[r - 1];
        }
        sorted.clear();
        sorted.resize(crossings.len(), 0);
        for &(row, x) in crossings.iter().rev() {
            let end = &mut starts[(row - bounds.start) as usize + 1];
            *end -= 1;
            sorted[*end as usize] = x;
        }
        // The backward fill moved every start one place up.
        starts.push(crossings.len() as u32);
        Layer::from_rows(bounds.clone(), |row, out| {
            let r = (row - bounds.start) as usize + 1;
            fill(&mut sorted[starts[r] as usize..starts[r + 1] as usize], out);
        })
    }
}

/// Most memory for layers that are all kept at once: a figure of 120 mm at 0.05 mm takes 11 MB.
pub const MOST_BYTES: f64 = 4e9;

/// Blocks of this size keep both cores busy and caches warm.
const BLOCK_BYTES: usize = 256 << 20;

#[derive(Default)]
struct Scratch {
    crossings: Vec<(u32, u32)>,
    starts: Vec<u32>,
    sorted: Vec<u32>,
}

/// The cut of a facet by the plane at height `z`, directed with the solid on its left.
fn cut([a, b, c]: FacetCorners, z: f64) -> ([f64; 2], [f64; 2]) {
    let up = [a[2] >= z, b[2] >= z, c[2] >= z];
    // Turn the facet so that `a` lies alone on its side.
    let (a, b, c, lone_up) = match up {
        [true, false, false] => (a, b, c, true),
        [false, true, true] => (a, b, c, false),
        [false, true, false] => (b, c, a, true),
        [true, false, true] => (b, c, a, false),
        [_, _, last] => (c, a, b, last),
    };
    let at = |low: [f64; 3], high: [f64; 3]| {
        let t = (z - low[2]) / (high[2] - low[2]);
        [low[0] + t * (high[0] - low[0]), low[1] + t * (high[1] - low[1])]
    };
    if lone_up { (at(b, a), at(c, a)) } else { (at(a, c), at(a, b)) }
}

/// Sorts a row's crossings and appends what their windings fill.
fn fill(row: &mut [u32], out: &mut Vec<Span>) {
    row.sort_unstable();
    let start = out.len();
    let mut winding = [0i32; 3];
    let (mut solid, mut x0) = (false, 0);
    for &crossing in row.iter() {
        let x = crossing >> TAG_BITS;
        winding[(crossing >> 1 & 3) as usize] += if crossing & 1 == 0 { 1 } else { -1 };
        let now = winding[0] != 0 && winding[1] == 0 || winding[2] != 0;
        if now && !solid {
            x0 = x;
        } else if solid && !now && x0 < x {
            match out[start..].last_mut() {
                Some(last) if last.x1 == x0 => last.x1 = x,
                _ => out.push(Span { x0, x1: x }),
            }
        }
        solid = now;
    }
}
