//! Ways down: from where a column reaches the base without touching the part, and along which
//! path.
//!
//! Space is cut into flat levels. From the base upward, a place is *open* when it is clear of the
//! part by the column's radius and the gap, and an open place of the level below lies within the
//! column's least inclination. So every open place has a way down, found by walking from level to
//! level, and no way that exists at this resolution is missed.

use crate::context::Context;
use crate::error::Result;
use crate::layers::{Grid, Layer, Layers, SUBPIXEL, Span};
use crate::mesh::Point;

/// Height of a level, mm: half the usual clearance.
const LEVEL_MM: f64 = 0.5;
/// Pixel of the levels, mm, at least; a quarter of the usual clearance.
const PITCH_MM: f64 = 0.25;

pub(super) struct Ways {
    grid: Grid,
    floor_mm: f64,
    /// `open[j]`: places at height `floor + j·level` that have a way down.
    open: Vec<Layer>,
    /// `blocked[j]`: places where a column may not pass between `open[j]` and the next level.
    blocked: Vec<Layer>,
    /// Sideways step from level to level, mm.
    step_mm: f64,
}

impl Ways {
    /// Finds the open places above `floor_mm` for columns that keep `clear_mm` between their axis
    /// and the part and lean no flatter than `least_deg` from the horizontal.
    pub(super) fn new(
        layers: &Layers,
        floor_mm: f64,
        clear_mm: f64,
        least_deg: f64,
        ctx: &Context,
    ) -> Result<Ways> {
        let fine = &layers.grid;
        let many = (PITCH_MM / fine.pitch_mm).ceil().max(1.0) as u32;
        let pitch = fine.pitch_mm * f64::from(many);
        let levels =
            ((f64::from(fine.layers) * fine.layer_mm - floor_mm) / LEVEL_MM).ceil().max(1.0);
        let grid = Grid {
            layer_mm: LEVEL_MM,
            pitch_mm: pitch,
            x0_mm: fine.x0_mm,
            y0_mm: fine.y0_mm,
            columns: fine.columns / many + 1,
            rows: fine.rows / many + 1,
            layers: levels as u32,
        };
        // Rows are met anywhere in their width, so half a pixel more is kept.
        let radius = clear_mm + pitch / 2.0;
        let at =
            |z: f64| (z / fine.layer_mm).floor().clamp(0.0, layers.layers.len() as f64) as usize;
        let mut walls = Vec::with_capacity(grid.layers as usize);
        for j in 0..grid.layers {
            ctx.checkpoint(f64::from(j) / f64::from(grid.layers))?;
            let z = floor_mm + f64::from(j) * LEVEL_MM;
            let end = at(z + LEVEL_MM + fine.layer_mm).min(layers.layers.len());
            walls.push(
                coarse(&layers.layers[at(z).min(end)..end], many, &grid).grown(radius, &grid),
            );
        }
        let reach = (clear_mm / LEVEL_MM).ceil() as usize;
        let blocked: Vec<Layer> = (0..walls.len())
            .map(|j| {
                let near = j.saturating_sub(reach)..(j + reach + 1).min(walls.len());
                walls[near].iter().fold(Layer::default(), |all, w| all.union(w))
            })
            .collect();
        let step_mm = LEVEL_MM / least_deg.to_radians().tan();
        let everywhere = Layer::from_rows(0..grid.rows, |_, out| {
            out.push(Span { x0: 0, x1: grid.columns * SUBPIXEL });
        });
        let mut open = vec![everywhere.minus(&blocked[0])];
        for j in 1..blocked.len() {
            let reachable = open[j - 1].grown(step_mm, &grid);
            open.push(reachable.minus(&blocked[j - 1]).minus(&blocked[j]));
        }
        Ok(Ways { grid, floor_mm, open, blocked, step_mm })
    }

    /// Whether a column whose head is there can reach the base.
    pub(super) fn is_open(&self, p: &Point) -> bool {
        let j = self.level(p.z);
        p.z >= self.floor_mm && self.holds(&self.open[j], p) && !self.holds(&self.blocked[j], p)
    }

    /// The way from an open place down to the base: corners from top to bottom.
    pub(super) fn down(&self, from: &Point) -> Vec<Point> {
        let mut path = vec![*from];
        let mut here = *from;
        for j in (0..=self.level(from.z)).rev() {
            here.z = self.floor_mm + j as f64 * LEVEL_MM;
            if !self.holds(&self.open[j], &here) {
                // Straight down to here, then aside.
                if let Some(q) = self.nearest(&self.open[j], &here) {
                    here = q;
                }
            }
            path.push(here);
        }
        straightened(path)
    }

    fn level(&self, z: f64) -> usize {
        (((z - self.floor_mm) / LEVEL_MM).floor().max(0.0) as usize).min(self.open.len() - 1)
    }

    fn holds(&self, layer: &Layer, p: &Point) -> bool {
        let (x, row) = self.lattice(p);
        layer.row(row).iter().any(|s| f64::from(s.x0) <= x && x < f64::from(s.x1))
    }

    /// x in sub-pixels and the row.
    fn lattice(&self, p: &Point) -> (f64, u32) {
        let g = &self.grid;
        let x = (p.x - g.x0_mm) / g.pitch_mm * f64::from(SUBPIXEL);
        (x, ((p.y - g.y0_mm) / g.pitch_mm).floor().max(0.0) as u32)
    }

    /// The nearest place of a level within little more than a step.
    fn nearest(&self, layer: &Layer, p: &Point) -> Option<Point> {
        let g = &self.grid;
        let (x, row) = self.lattice(p);
        let n = (self.step_mm / g.pitch_mm).ceil() as u32 + 1;
        let per_mm = f64::from(SUBPIXEL) / g.pitch_mm;
        let mut best: Option<(f64, Point)> = None;
        for r in row.saturating_sub(n)..=row + n {
            let y = if r == row { p.y } else { g.y0_mm + (f64::from(r) + 0.5) * g.pitch_mm };
            for s in layer.row(r) {
                let inside = x.clamp(f64::from(s.x0), f64::from(s.x1 - 1));
                let q = Point::new(g.x0_mm + inside / per_mm, y, p.z);
                let d = (q - p).norm();
                if best.as_ref().is_none_or(|b| d < b.0) {
                    best = Some((d, q));
                }
            }
        }
        best.map(|b| b.1)
    }
}

/// Everything solid in some layers, on the levels' coarser pixels; never smaller than it is.
fn coarse(layers: &[Layer], many: u32, grid: &Grid) -> Layer {
    let mut spans = Vec::new();
    let rows = layers.iter().filter(|l| !l.is_empty()).map(Layer::rows);
    let Some(rows) = rows.reduce(|a, b| a.start.min(b.start)..a.end.max(b.end)) else {
        return Layer::default();
    };
    Layer::from_rows(rows.start / many..(rows.end - 1) / many + 1, |row, out| {
        spans.clear();
        let first = row * many;
        for layer in layers {
            for fine in first..first + many {
                spans.extend(layer.row(fine).iter().map(|s| Span {
                    x0: s.x0 / many,
                    x1: s.x1.div_ceil(many).min(grid.columns * SUBPIXEL),
                }));
            }
        }
        spans.sort_unstable();
        let start = out.len();
        for s in &spans {
            match out[start..].last_mut() {
                Some(last) if s.x0 <= last.x1 => last.x1 = last.x1.max(s.x1),
                _ => out.push(*s),
            }
        }
    })
}

/// The path without points on a straight line between their neighbours or next to another: the
/// pixel that walls are kept wider by leaves room for that.
fn straightened(path: Vec<Point>) -> Vec<Point> {
    const NEAR_MM: f64 = 0.1;
    let mut out: Vec<Point> = Vec::with_capacity(4);
    let last = path.len() - 1;
    for (i, p) in path.into_iter().enumerate() {
        if out.last().is_some_and(|q| (p - q).norm() < NEAR_MM) {
            if i == last && out.len() > 1 {
                out.pop(); // the foot must stay where it is
            } else {
                continue;
            }
        }
        if let [.., a, b] = out[..] {
            let (u, v) = ((b - a).normalize(), (p - b).normalize());
            if (u - v).norm() < 1e-6 {
                out.pop();
            }
        }
        out.push(p);
    }
    out
}
