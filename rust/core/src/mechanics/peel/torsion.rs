//! The torsion constant of a section: how well resin reaches the middle of it.
//!
//! Solves ∇²φ = −2 inside, φ = 0 on every edge (holes too: resin flows in through them), and
//! returns J = 2∫φ. The grid is as coarse as the section's own thickness allows, since a layer
//! costs one solution per region: a few steps across the thickness 2·area/perimeter, so a disc
//! takes a hundred unknowns and a long thin wall no more than its length asks for. Three things
//! make that enough. Distances to the edge are taken from the runs, not from the cells (Shortley
//! and Weller's differences, exact for quadratics). The start is 1/(1/ab + 1/cd) from a point's
//! distances a, b, c, d to the edge along x and y, which is the solution for every ellipse and
//! every strip, turned or not. And the sum over the nodes is corrected at each end of a row or
//! column (Euler–Maclaurin), where the equation itself gives the curvature.

use super::Run;
use std::f64::consts::PI;

/// Steps of the grid across the section's thickness.
const STEPS: f64 = 4.0;
/// Greatest number of unknowns; only walls longer than about 60 thicknesses, or very ragged
/// sections, reach it and are then solved with fewer steps across.
const UNKNOWNS: f64 = 1000.0;
/// Relaxation stops once a sweep changes φ by less than this part on average.
const TOLERANCE: f64 = 5e-4;
/// Nearest an edge may come to a node, in steps; keeps the equations finite.
const NEAREST: f64 = 1e-3;

/// Saint-Venant torsion constant J of a connected region, mm⁴, from runs sorted by row, then x,
/// disjoint; rows are `pitch_mm` high, ends may lie anywhere. Within about 1 % where the region is at
/// least eight rows thick, within 5 % at three; walls longer than 60 thicknesses lose a little more.
pub fn torsion_mm4(runs: &[Run], pitch_mm: f64) -> f64 {
    let (area, thickness) = size(runs, pitch_mm);
    if area.is_nan() || area <= 0.0 || thickness.is_nan() || thickness <= 0.0 {
        return 0.0;
    }
    let step = (thickness / STEPS).max((area / UNKNOWNS).sqrt());
    let every = (step / pitch_mm).round().max(1.0);
    let mut grid = Grid::new(runs, pitch_mm, every as i32, step.min(every * pitch_mm));
    if grid.nodes.is_empty() {
        return area * thickness * thickness / 3.0; // slivers between the nodes: a thin strip
    }
    grid.relax();
    2.0 * grid.integral()
}

/// Area and thickness 2·area/perimeter (a strip's thickness, a disc's radius), the perimeter
/// counted along rows and columns.
fn size(runs: &[Run], pitch_mm: f64) -> (f64, f64) {
    let (mut area, mut edge, mut shared) = (0.0, 0.0, 0.0);
    let mut before = 0; // first run of the row below that may touch
    for (i, run) in runs.iter().enumerate() {
        let width = run.x1_mm - run.x0_mm;
        area += width * pitch_mm;
        edge += 2.0 * (width + pitch_mm);
        while before < i
            && (runs[before].row < run.row - 1
                || (runs[before].row == run.row - 1 && runs[before].x1_mm <= run.x0_mm))
        {
            before += 1;
        }
        for below in &runs[before..i] {
            if below.row != run.row - 1 || below.x0_mm >= run.x1_mm {
                break;
            }
            shared += below.x1_mm.min(run.x1_mm) - below.x0_mm.max(run.x0_mm);
        }
    }
    (area, 2.0 * area / (edge - 2.0 * shared))
}

const NONE: u32 = u32::MAX;

/// An unknown: the distances to the edges of its row and column, mm, and its neighbours. A
/// neighbour before or after in the row is the node before or after in the list.
struct Node {
    left: f64,
    right: f64,
    down: f64,
    up: f64,
    /// The node above and the one below, or NONE.
    above: u32,
    below: u32,
    first: bool,
    last: bool,
    phi: f64,
}

/// What a column of nodes has met while the rows pass by.
#[derive(Clone)]
struct Column {
    /// Run of the row before that covers the column.
    run: u32,
    /// Where the present stretch of solid began, mm.
    opened: f64,
    /// The last node in that stretch.
    node: u32,
}

struct Grid {
    nodes: Vec<Node>,
    hx: f64,
    hy: f64,
}

impl Grid {
    /// Sets nodes in every `every`th row, `hx` apart, and measures their distances to the edges.
    fn new(runs: &[Run], pitch: f64, every: i32, hx: f64) -> Grid {
        let hy = f64::from(every) * pitch;
        let (mut lo, mut hi) = (f64::INFINITY, f64::NEG_INFINITY);
        for run in runs {
            lo = lo.min(run.x0_mm);
            hi = hi.max(run.x1_mm);
        }
        let columns = ((hi - lo) / hx).ceil() as usize;
        let x_of = |i: usize| lo + (i as f64 + 0.5) * hx;
        // First column at or beyond x.
        let from = |x: f64| (((x - lo) / hx - 0.5).ceil().max(0.0) as usize).min(columns);
        let mut state = vec![Column { run: NONE, opened: 0.0, node: NONE }; columns];
        let mut covers = vec![NONE; columns];
        let mut nodes: Vec<Node> = Vec::new();
        let (bottom, top) = (runs[0].row, runs[runs.len() - 1].row);
        let (mut below, mut end) = (0..0, 0);
        for row in bottom..=top.saturating_add(1) {
            let start = end;
            while end < runs.len() && runs[end].row == row {
                end += 1;
            }
            covers.fill(NONE);
            for (k, run) in runs[start..end].iter().enumerate() {
                covers[from(run.x0_mm)..from(run.x1_mm)].fill((start + k) as u32);
            }
            let y = f64::from(row - bottom) * pitch;
            for (i, column) in state.iter_mut().enumerate() {
                if column.run == NONE && covers[i] != NONE {
                    let f = crossing(x_of(i), &runs[covers[i] as usize], &runs[below.clone()]);
                    column.opened = y - f * pitch;
                } else if column.run != NONE && covers[i] == NONE {
                    let f = crossing(x_of(i), &runs[column.run as usize], &runs[start..end]);
                    if column.node != NONE {
                        // `up` was set to minus the node's own height.
                        nodes[column.node as usize].up += y - (1.0 - f) * pitch;
                    }
                    column.node = NONE;
                }
                column.run = covers[i];
            }
            if (row - bottom) % every == every / 2 {
                for run in &runs[start..end] {
                    let (a, b) = (from(run.x0_mm), from(run.x1_mm));
                    for (i, column) in state.iter_mut().enumerate().take(b).skip(a) {
                        let this = nodes.len() as u32;
                        if column.node != NONE {
                            nodes[column.node as usize].above = this;
                        }
                        nodes.push(Node {
                            left: (x_of(i) - run.x0_mm).max(NEAREST * hx),
                            right: (run.x1_mm - x_of(i)).max(NEAREST * hx),
                            down: y - column.opened,
                            up: -y,
                            above: NONE,
                            below: column.node,
                            first: i == a,
                            last: i + 1 == b,
                            phi: 0.0,
                        });
                        column.node = this;
                    }
                }
            }
            below = start..end;
        }
        for i in (0..nodes.len()).rev() {
            if nodes[i].above != NONE {
                nodes[i].up = nodes[nodes[i].above as usize].up + hy;
            }
        }
        for n in &mut nodes {
            n.up = n.up.max(NEAREST * hy);
            n.down = n.down.max(NEAREST * hy);
            n.phi = 1.0 / (1.0 / (n.left * n.right) + 1.0 / (n.down * n.up));
        }
        Grid { nodes, hx, hy }
    }

    /// Steps to the left, right, lower and upper neighbour or edge, mm.
    fn steps(&self, n: &Node) -> [f64; 4] {
        [
            if n.first { n.left } else { self.hx },
            if n.last { n.right } else { self.hx },
            if n.below == NONE { n.down } else { self.hy },
            if n.above == NONE { n.up } else { self.hy },
        ]
    }

    /// Values at the left, right, lower and upper neighbour or edge of node `i`.
    fn around(&self, i: usize) -> [f64; 4] {
        let n = &self.nodes[i];
        let at = |k: u32| if k == NONE { 0.0 } else { self.nodes[k as usize].phi };
        [
            if n.first { 0.0 } else { self.nodes[i - 1].phi },
            if n.last { 0.0 } else { self.nodes[i + 1].phi },
            at(n.below),
            at(n.above),
        ]
    }

    /// Successive over-relaxation of Shortley and Weller's differences.
    fn relax(&mut self) {
        // The best factor follows from the steps across the widest place.
        let across = self.nodes.iter().fold(1.0_f64, |most, n| {
            most.max(((n.left + n.right) / self.hx).min((n.down + n.up) / self.hy))
        });
        let omega = 2.0 / (1.0 + (PI / (across + 1.0)).sin());
        let weights: Vec<[f64; 5]> = self
            .nodes
            .iter()
            .map(|n| {
                let [l, r, d, u] = self.steps(n);
                let w = [
                    1.0 / (l * (l + r)),
                    1.0 / (r * (l + r)),
                    1.0 / (d * (d + u)),
                    1.0 / (u * (d + u)),
                ];
                let sum = w.iter().sum::<f64>();
                [w[0] / sum, w[1] / sum, w[2] / sum, w[3] / sum, 1.0 / sum]
            })
            .collect();
        for _ in 0..500 {
            let (mut change, mut total) = (0.0, 0.0);
            for (i, w) in weights.iter().enumerate() {
                let [l, r, d, u] = self.around(i);
                let phi = &mut self.nodes[i].phi;
                let step = omega * (w[0] * l + w[1] * r + w[2] * d + w[3] * u + w[4] - *phi);
                *phi += step;
                change += step.abs();
                total += *phi;
            }
            if change <= TOLERANCE * total {
                break;
            }
        }
    }

    /// ∫φ by the trapezoid rule along rows and along columns, each with the share h³/12 of the
    /// curvature that the rule leaves out.
    fn integral(&self) -> f64 {
        let mut sum = 0.0;
        for (i, n) in self.nodes.iter().enumerate() {
            let ([l, r, d, u], [pl, pr, pd, pu]) = (self.steps(n), self.around(i));
            let (wide, high) = (0.5 * (l + r), 0.5 * (d + u));
            let curve_x = ((n.phi - pl) / l + (n.phi - pr) / r) / wide;
            let curve_y = ((n.phi - pd) / d + (n.phi - pu) / u) / high;
            sum += n.phi * (wide * self.hy + high * self.hx - self.hx * self.hy);
            sum += curve_x * self.hy * (l.powi(3) + r.powi(3)) / 24.0;
            sum += curve_y * self.hx * (d.powi(3) + u.powi(3)) / 24.0;
        }
        sum
    }
}

/// Where the edge passes between a row in which the column at `x` is solid and the next row, in
/// which it is not: 0 at the solid row's middle, 1 at the other's. A slanted edge is followed
/// through the runs' ends; a flat one lies half-way.
fn crossing(x: f64, solid: &Run, other: &[Run]) -> f64 {
    let after = other.partition_point(|r| r.x1_mm < x);
    let left = after.checked_sub(1).map(|k| other[k].x1_mm).filter(|&e| e > solid.x0_mm);
    let right = other.get(after).map(|r| r.x0_mm).filter(|&e| e < solid.x1_mm);
    match (left, right) {
        (Some(end), None) => (solid.x1_mm - x) / (solid.x1_mm - end),
        (None, Some(end)) => (x - solid.x0_mm) / (end - solid.x0_mm),
        _ => 0.5,
    }
}
