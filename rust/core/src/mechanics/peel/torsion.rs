//! The torsion constant of a section: how well resin reaches the middle of it.
//!
//! Solves ∇²φ = −2 inside, φ = 0 on every edge (holes too: resin flows in through them), and
//! returns J = 2∫φ. The grid is as coarse as the section's own thickness allows, since a layer
//! costs one solution per region: a few steps across the thickness 2·area/perimeter, so a disc
//! takes 310 unknowns and a long thin wall no more than its length asks for. Three things
//! make that enough. Distances to the edge are taken from the runs, not from the cells (Shortley
//! and Weller's differences, exact for quadratics). The start is 1/(1/ab + 1/cd) from a point's
//! distances a, b, c, d to the edge along x and y, which is the solution for every ellipse and
//! every strip, turned or not. And the sum over the nodes is corrected at each end of a row or
//! column (Euler–Maclaurin), where the equation itself gives the curvature.

use std::f64::consts::PI;

/// A stretch of solid in one row of pixels. Row r covers y from r·pitch to (r+1)·pitch.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Run {
    /// The row.
    pub row: i32,
    /// Where the solid begins, mm.
    pub x0_mm: f64,
    /// Where it ends, mm.
    pub x1_mm: f64,
}

/// Steps of the grid across the section's thickness.
const STEPS: f64 = 10.0;
/// Greatest number of unknowns; only walls longer than about 30 thicknesses, or very ragged
/// sections, reach it and are then solved with fewer steps across.
const UNKNOWNS: f64 = 3200.0;
/// Where a row's end lies farther than this from that of the next, in rows, it is a ledge and not
/// a slant.
const LEDGE: f64 = 8.0;
/// Relaxation stops once a sweep changes φ by less than this part on average.
const TOLERANCE: f64 = 5e-4;
/// Nearest an edge may come to a node, in steps; keeps the equations finite.
const NEAREST: f64 = 1e-3;

/// Saint-Venant torsion constant J of a connected region, mm⁴, from runs sorted by row, then x,
/// disjoint; rows are `pitch_mm` high, ends may lie anywhere. Within about 1 % where the region is at
/// least eight rows thick, within 5 % at three; walls longer than 30 thicknesses lose a little more.
pub fn torsion_mm4(runs: &[Run], pitch_mm: f64) -> f64 {
    let (area, thickness) = size(runs, pitch_mm);
    if area.is_nan() || area <= 0.0 || thickness.is_nan() || thickness <= 0.0 {
        return 0.0;
    }
    let step = (thickness / STEPS).max((area / UNKNOWNS).sqrt());
    let every = (step / pitch_mm).round().max(1.0);
    let mut grid = NodeGrid::new(runs, pitch_mm, every as i32, step);
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
/// Sides of a node, in the order of its arrays.
const LEFT: usize = 0;
const RIGHT: usize = 1;
const DOWN: usize = 2;
const UP: usize = 3;

/// An unknown.
struct TorsionNode {
    /// Distance to the edge on each side, mm.
    edge: [f64; 4],
    /// Neighbour on each side; the number of nodes where the edge comes first.
    near: [u32; 4],
}

/// What a column of nodes has met while the rows pass by.
#[derive(Clone)]
struct Column {
    /// Where the present stretch of solid began, mm.
    opened: f64,
    /// The last node in that stretch.
    node: u32,
}

/// Columns `from..to` that a run covers.
struct Cover<'a> {
    from: usize,
    to: usize,
    run: &'a Run,
}

struct NodeGrid {
    nodes: Vec<TorsionNode>,
    /// φ of every node, then a zero for the edge.
    phi: Vec<f64>,
    hx: f64,
    hy: f64,
}

impl NodeGrid {
    /// Sets nodes in every `every`th row, and as far apart along the rows or, where `step` is
    /// finer than a row, by that; measures their distances to the edges. Both ways the nodes stand
    /// as far from one end of the section as from the other, so that turning it changes little.
    fn new(runs: &[Run], pitch: f64, every: i32, step: f64) -> NodeGrid {
        let hy = f64::from(every) * pitch;
        let hx = if every > 1 { hy } else { step.min(pitch) };
        let (mut lo, mut hi) = (f64::INFINITY, f64::NEG_INFINITY);
        for run in runs {
            lo = lo.min(run.x0_mm);
            hi = hi.max(run.x1_mm);
        }
        let columns = ((hi - lo) / hx).ceil() as usize;
        // The row or column to begin with, so that as many are left over at both ends.
        let first = |spare: i32| spare.max(0) % every / 2;
        let first_x = if every > 1 {
            let pixels = ((hi - lo) / pitch).round() as i32;
            lo + (f64::from(first(pixels - 1)) + 0.5) * pitch
        } else {
            lo + 0.5 * (hi - lo - (columns - 1) as f64 * hx)
        };
        let x_of = |i: usize| first_x + i as f64 * hx;
        // First column at or beyond x.
        let from = |x: f64| (((x - first_x) / hx).ceil().max(0.0) as usize).min(columns);
        let mut state = vec![Column { opened: 0.0, node: NONE }; columns];
        let mut nodes: Vec<TorsionNode> = Vec::new();
        let (bottom, top) = (runs[0].row, runs[runs.len() - 1].row);
        let first_row = first(top.saturating_sub(bottom));
        let (mut below, mut here): (Vec<Cover<'_>>, Vec<Cover<'_>>) = (Vec::new(), Vec::new());
        let mut rest = runs;
        for row in bottom..=top.saturating_add(1) {
            std::mem::swap(&mut below, &mut here);
            here.clear();
            while let Some((run, after)) = rest.split_first().filter(|(run, _)| run.row == row) {
                here.push(Cover { from: from(run.x0_mm), to: from(run.x1_mm), run });
                rest = after;
            }
            let y = f64::from(row - bottom) * pitch;
            for_uncovered(&below, &here, |i, run| {
                if state[i].node != NONE {
                    // It was set to minus the node's own height.
                    let f = crossing(x_of(i), run, &here, LEDGE * pitch);
                    nodes[state[i].node as usize].edge[UP] += y - (1.0 - f) * pitch;
                }
                state[i].node = NONE;
            });
            for_uncovered(&here, &below, |i, run| {
                state[i].opened = y - crossing(x_of(i), run, &below, LEDGE * pitch) * pitch;
            });
            if (row - bottom) % every == first_row {
                for &Cover { from: a, to: b, run } in &here {
                    for (i, column) in state.iter_mut().enumerate().take(b).skip(a) {
                        let this = nodes.len() as u32;
                        if column.node != NONE {
                            nodes[column.node as usize].near[UP] = this;
                        }
                        let x = x_of(i);
                        nodes.push(TorsionNode {
                            edge: [x - run.x0_mm, run.x1_mm - x, y - column.opened, -y],
                            near: [
                                if i == a { NONE } else { this - 1 },
                                if i + 1 == b { NONE } else { this + 1 },
                                column.node,
                                NONE,
                            ],
                        });
                        column.node = this;
                    }
                }
            }
        }
        let n = nodes.len();
        for i in (0..n).rev() {
            if nodes[i].near[UP] != NONE {
                nodes[i].edge[UP] = nodes[nodes[i].near[UP] as usize].edge[UP] + hy;
            }
        }
        let mut phi = vec![0.0; n + 1];
        for (node, phi) in nodes.iter_mut().zip(&mut phi) {
            for side in [LEFT, RIGHT, DOWN, UP] {
                node.edge[side] = node.edge[side].max(NEAREST * hx);
                node.near[side] = node.near[side].min(n as u32);
            }
            let [l, r, d, u] = node.edge;
            *phi = 1.0 / (1.0 / (l * r) + 1.0 / (d * u));
        }
        NodeGrid { nodes, phi, hx, hy }
    }

    /// Steps of a node to its neighbours or to the edge, mm.
    fn steps(&self, node: &TorsionNode) -> [f64; 4] {
        let h = [self.hx, self.hx, self.hy, self.hy];
        let inner = self.nodes.len() as u32;
        std::array::from_fn(|k| if node.near[k] == inner { node.edge[k] } else { h[k] })
    }

    /// Successive over-relaxation of Shortley and Weller's differences.
    fn relax(&mut self) {
        // The best factor follows from the steps across the widest place.
        let across = self.nodes.iter().fold(1.0_f64, |most, n| {
            let (x, y) = (n.edge[LEFT] + n.edge[RIGHT], n.edge[DOWN] + n.edge[UP]);
            most.max((x / self.hx).min(y / self.hy))
        });
        let omega = 2.0 / (1.0 + (PI / (across + 1.0)).sin());
        let weights: Vec<[f64; 5]> = self
            .nodes
            .iter()
            .map(|n| {
                let [l, r, d, u] = self.steps(n);
                let w = [l * (l + r), r * (l + r), d * (d + u), u * (d + u)].map(f64::recip);
                let share = omega / w.iter().sum::<f64>();
                [w[LEFT] * share, w[RIGHT] * share, w[DOWN] * share, w[UP] * share, share]
            })
            .collect();
        let phi = &mut self.phi;
        for _ in 0..500 {
            let (mut change, mut total) = (0.0, 0.0);
            for (i, (node, w)) in self.nodes.iter().zip(&weights).enumerate() {
                let near = node.near.map(|k| phi[k as usize]);
                let step = w[0] * near[0] + w[1] * near[1] + w[2] * near[2] + w[3] * near[3] + w[4]
                    - omega * phi[i];
                phi[i] += step;
                change += step.abs();
                total += phi[i];
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
        for (node, &phi) in self.nodes.iter().zip(&self.phi) {
            let [l, r, d, u] = self.steps(node);
            let [pl, pr, pd, pu] = node.near.map(|k| self.phi[k as usize]);
            let (wide, high) = (0.5 * (l + r), 0.5 * (d + u));
            let curve_x = ((phi - pl) / l + (phi - pr) / r) / wide;
            let curve_y = ((phi - pd) / d + (phi - pu) / u) / high;
            sum += phi * (wide * self.hy + high * self.hx - self.hx * self.hy);
            sum += curve_x * self.hy * (l.powi(3) + r.powi(3)) / 24.0;
            sum += curve_y * self.hx * (d.powi(3) + u.powi(3)) / 24.0;
        }
        sum
    }
}

/// Calls `found(column, run)` for every column that `these` cover and `others` do not.
fn for_uncovered<'a>(
    these: &[Cover<'a>],
    others: &[Cover<'a>],
    mut found: impl FnMut(usize, &'a Run),
) {
    let mut k = 0;
    for this in these {
        let mut i = this.from;
        while i < this.to {
            while k < others.len() && others[k].to <= i {
                k += 1;
            }
            let (from, to) = others.get(k).map_or((this.to, this.to), |o| (o.from, o.to));
            (i..from.min(this.to)).for_each(|column| found(column, this.run));
            i = to.max(i);
        }
    }
}

/// Where the edge passes between a row in which the column at `x` is solid and the next row, in
/// which it is not: 0 at the solid row's middle, 1 at the other's. A slanted edge is followed
/// through the runs' ends; a flat one, and a step of `ledge` or more, lies half-way.
fn crossing(x: f64, solid: &Run, other: &[Cover<'_>], ledge: f64) -> f64 {
    // A run that ends at `x` lies to its left, as for the columns it covers.
    let after = other.partition_point(|o| o.run.x1_mm <= x);
    let left = after.checked_sub(1).map(|k| other[k].run.x1_mm).filter(|&e| e > solid.x0_mm);
    let right = other.get(after).map(|o| o.run.x0_mm).filter(|&e| e < solid.x1_mm);
    let slant = |whole: f64| whole > 0.0 && whole < ledge;
    let part = |of: f64, whole: f64| if slant(whole) { (of / whole).clamp(0.0, 1.0) } else { 0.5 };
    match (left, right) {
        (Some(end), None) => part(solid.x1_mm - x, solid.x1_mm - end),
        (None, Some(end)) => part(x - solid.x0_mm, end - solid.x0_mm),
        _ => 0.5,
    }
}
