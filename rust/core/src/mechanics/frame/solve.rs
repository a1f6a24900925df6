//! Assembly, factorisation and solution of a frame.

use super::element::{self, Matrix12};
use super::{Frame, Load};
use crate::error::{Error, Result};
use crate::mechanics::bar;
use crate::mesh::{Point, Vector};
use faer::Mat;
use faer::linalg::solvers::Solve;
use faer::sparse::linalg::solvers::Llt;
use faer::sparse::{SparseColMat, Triplet};
use nalgebra::SVector;

type Vector12 = SVector<f64, 12>;

/// Relative error of a known displacement, found again by solving, from which on the matrix counts
/// as singular. Sound frames stay below 1e-7, mechanisms are off by their whole length.
const LOOSE: f64 = 1e-4;
/// Part of its own diagonal that is added to find out which node of a mechanism moves.
const PROP: f64 = 1e-9;
const NONE: u32 = u32::MAX;

/// A frame whose matrix is factored: solves load cases at the cost of two sparse triangles.
#[derive(Debug)]
pub struct Factored<'a> {
    frame: &'a Frame,
    llt: Llt<usize, f64>,
    /// Equation of each node's six motions, NONE where it is held. Tied nodes have none.
    equations: Vec<[u32; 6]>,
    bodies: Vec<u32>,
    /// Local end forces of each beam from the motions of the nodes that stand for its ends.
    forces: Vec<Matrix12>,
    unknowns: usize,
}

/// What a load case does to a frame.
#[derive(Clone, Debug, PartialEq)]
pub struct Solution {
    /// Displacement x, y, z (mm) and turn about x, y, z (rad) of every node.
    pub motions: Vec<[f64; 6]>,
    /// Force (N) and moment (N·mm) that each hold exerts on the frame.
    pub reactions: Vec<[f64; 6]>,
    /// Force and moment on each beam at `a`, then at `b`, in its local axes, N and N·mm.
    pub ends: Vec<[f64; 12]>,
}

impl<'a> Factored<'a> {
    pub(super) fn new(frame: &'a Frame) -> Result<Factored<'a>> {
        let bodies = frame.bodies();
        let mut fixed = vec![[false; 6]; frame.nodes.len()];
        for hold in &frame.holds {
            for (fixed, held) in fixed[hold.node as usize].iter_mut().zip(hold.fixed) {
                *fixed |= held;
            }
        }
        let mut unknowns = 0;
        let mut equations = vec![[NONE; 6]; frame.nodes.len()];
        for (node, eq) in equations.iter_mut().enumerate() {
            for k in 0..6 {
                if bodies[node] as usize == node && !fixed[node][k] {
                    eq[k] = unknowns;
                    unknowns += 1;
                }
            }
        }
        let n = unknowns as usize;
        let mut triplets = Vec::with_capacity(frame.beams.len() * 78);
        let mut diagonal = vec![0.0; n];
        let mut forces = Vec::with_capacity(frame.beams.len());
        for (i, beam) in frame.beams.iter().enumerate() {
            let (a, b) = (beam.a as usize, beam.b as usize);
            let (pa, pb) = (frame.nodes[a], frame.nodes[b]);
            let turn = element::turn(&element::axes(pa, pb, beam.roll_deg));
            let mut levers = Matrix12::identity();
            for (end, node, place) in [(0, a, pa), (6, b, pb)] {
                let arm = place - frame.nodes[bodies[node] as usize];
                levers.fixed_view_mut::<6, 6>(end, end).copy_from(&element::lever(arm));
            }
            let motion = turn * levers;
            let force = element::stiffness(beam, frame.length_mm(i)) * motion;
            let k = motion.transpose() * force;
            let eq = ends(&equations, &bodies, a, b);
            for row in 0..12 {
                for col in 0..12 {
                    if eq[row] == NONE || eq[col] == NONE || eq[row] < eq[col] {
                        continue;
                    }
                    // Both ends on one body share equations: every pair counts then.
                    let (r, c) = (eq[row] as usize, eq[col] as usize);
                    triplets.push(Triplet::new(r, c, k[(row, col)]));
                    if r == c {
                        diagonal[r] += k[(row, col)];
                    }
                }
            }
            forces.push(force);
        }
        if let Some(eq) = diagonal.iter().position(|&d| d <= 0.0) {
            return Err(loose(&equations, eq));
        }
        let matrix = assemble(n, &triplets)?;
        let llt = matrix.sp_cholesky(faer::Side::Lower).ok();
        let sound = llt.filter(|llt| is_sound(llt, &triplets, n));
        let Some(llt) = sound else {
            return Err(loose(&equations, loosest(triplets, &diagonal, &equations)));
        };
        Ok(Factored { frame, llt, equations, bodies, forces, unknowns: n })
    }

    /// Displacements, reactions and member forces under the loads.
    ///
    /// # Errors
    /// [`Error::Structure`] when a load is not finite or sits on a node that does not exist.
    pub fn solve(&self, loads: &[Load]) -> Result<Solution> {
        let frame = self.frame;
        let mut applied = vec![[0.0; 6]; frame.nodes.len()];
        for load in loads {
            let all = load.force_n.iter().chain(&load.moment_n_mm);
            if load.node as usize >= frame.nodes.len() || !all.clone().all(|v| v.is_finite()) {
                return Err(Error::Structure {
                    place: format!("load on node {}", load.node),
                    problem: "the node does not exist or the load is not finite".into(),
                    remedy: "put finite loads on nodes of the frame".into(),
                });
            }
            let body = self.bodies[load.node as usize];
            let at = frame.nodes[load.node as usize];
            let moved = frame.load_at(body, at, load.force_n);
            for k in 0..3 {
                applied[body as usize][k] += load.force_n[k];
                applied[body as usize][k + 3] += moved.moment_n_mm[k] + load.moment_n_mm[k];
            }
        }
        let mut rhs = Mat::<f64>::zeros(self.unknowns, 1);
        for (eq, load) in self.equations.iter().zip(&applied) {
            for k in 0..6 {
                if eq[k] != NONE {
                    rhs[(eq[k] as usize, 0)] = load[k];
                }
            }
        }
        let x = self.llt.solve(&rhs);
        let at = |eq: u32| if eq == NONE { 0.0 } else { x[(eq as usize, 0)] };
        let mut motions: Vec<[f64; 6]> = self.equations.iter().map(|eq| eq.map(at)).collect();
        let mut ends = Vec::with_capacity(frame.beams.len());
        // What the nodes need from outside to stand still; beyond the loads, the holds give it.
        let mut needed: Vec<[f64; 6]> = applied.iter().map(|load| load.map(|v| -v)).collect();
        for (i, beam) in frame.beams.iter().enumerate() {
            let (a, b) = (self.bodies[beam.a as usize], self.bodies[beam.b as usize]);
            let (ma, mb) = (motions[a as usize], motions[b as usize]);
            let u = Vector12::from_fn(|k, _| if k < 6 { ma[k] } else { mb[k - 6] });
            let f: [f64; 12] = (self.forces[i] * u).into();
            let axes = element::axes(
                frame.nodes[beam.a as usize],
                frame.nodes[beam.b as usize],
                beam.roll_deg,
            );
            for (body, node, end) in [(a, beam.a, 0), (b, beam.b, 6)] {
                let force = axes.transpose() * Vector::new(f[end], f[end + 1], f[end + 2]);
                let moment = axes.transpose() * Vector::new(f[end + 3], f[end + 4], f[end + 5]);
                let arm = frame.nodes[node as usize] - frame.nodes[body as usize];
                let moment = moment + arm.cross(&force);
                for k in 0..3 {
                    needed[body as usize][k] += force[k];
                    needed[body as usize][k + 3] += moment[k];
                }
            }
            ends.push(f);
        }
        for (node, &body) in self.bodies.iter().enumerate() {
            if body as usize != node {
                let arm = frame.nodes[node] - frame.nodes[body as usize];
                let m: nalgebra::Vector6<f64> = motions[body as usize].into();
                motions[node] = (element::lever(arm) * m).into();
            }
        }
        let reactions = frame
            .holds
            .iter()
            .map(|h| {
                let n = needed[h.node as usize];
                std::array::from_fn(|k| if h.fixed[k] { n[k] } else { 0.0 })
            })
            .collect();
        Ok(Solution { motions, reactions, ends })
    }
}

impl Solution {
    /// This solution with so much of each of several others of the same frame on top.
    pub fn with(&self, others: &[Solution], shares: &[f64]) -> Solution {
        let mut out = self.clone();
        for (other, share) in others.iter().zip(shares) {
            let all = [(&mut out.motions, &other.motions), (&mut out.reactions, &other.reactions)];
            for (sum, more) in all {
                for (sum, more) in sum.iter_mut().flatten().zip(more.iter().flatten()) {
                    *sum += share * more;
                }
            }
            for (sum, more) in out.ends.iter_mut().flatten().zip(other.ends.iter().flatten()) {
                *sum += share * more;
            }
        }
        out
    }

    /// Axial force in beam `i`, N: pull is positive.
    pub fn axial_n(&self, i: usize) -> f64 {
        self.ends[i][6]
    }

    /// Force (N) and moment (N·mm) on beam `i` at `b`, along and about the global axes.
    pub fn end_load(&self, frame: &Frame, i: usize) -> [f64; 6] {
        let (beam, f) = (&frame.beams[i], &self.ends[i]);
        let at = |node: u32| frame.nodes[node as usize];
        let axes = element::axes(at(beam.a), at(beam.b), beam.roll_deg).transpose();
        let force = axes * Vector::new(f[6], f[7], f[8]);
        let moment = axes * Vector::new(f[9], f[10], f[11]);
        [force.x, force.y, force.z, moment.x, moment.y, moment.z]
    }

    /// Bending moment in beam `i` at `a` and at `b`, N·mm.
    pub fn bending_n_mm(&self, i: usize) -> [f64; 2] {
        let f = &self.ends[i];
        [f[4].hypot(f[5]), f[10].hypot(f[11])]
    }

    /// Greatest stress in beam `i` taken as round, at `a` and at `b`, MPa
    /// ([`Profile::stress_mpa`](super::Profile::stress_mpa)).
    pub fn stress_mpa(&self, frame: &Frame, i: usize) -> [f64; 2] {
        let (beam, [a, b]) = (&frame.beams[i], self.bending_n_mm(i));
        let axial_n = self.axial_n(i);
        [beam.profile.stress_mpa(axial_n, a), beam.end.stress_mpa(axial_n, b)]
    }

    /// How much of its Euler load presses beam `i`: it buckles at 1. `effective_length` as in
    /// [`bar::euler_n`]. 0 for a beam under pull.
    pub fn buckling(&self, frame: &Frame, i: usize, effective_length: f64) -> f64 {
        let beam = &frame.beams[i];
        let inertia = beam.profile.iy_mm4.min(beam.profile.iz_mm4);
        let length = frame.length_mm(i);
        let limit = bar::euler_n(beam.modulus_mpa, inertia, length, effective_length);
        (-self.axial_n(i)).max(0.0) / limit
    }

    /// Displacement of a point that moves with a node as one rigid body, mm.
    pub fn displacement_mm(&self, frame: &Frame, node: u32, point: Point) -> Vector {
        let m = self.motions[node as usize];
        let turn = Vector::new(m[3], m[4], m[5]);
        Vector::new(m[0], m[1], m[2]) + turn.cross(&(point - frame.nodes[node as usize]))
    }
}

/// The equations of the motions that a beam between nodes `a` and `b` resists.
fn ends(equations: &[[u32; 6]], bodies: &[u32], a: usize, b: usize) -> [u32; 12] {
    let (a, b) = (equations[bodies[a] as usize], equations[bodies[b] as usize]);
    std::array::from_fn(|k| if k < 6 { a[k] } else { b[k - 6] })
}

fn assemble(n: usize, triplets: &[Triplet<usize, usize, f64>]) -> Result<SparseColMat<usize, f64>> {
    SparseColMat::try_new_from_triplets(n, n, triplets).map_err(|_| Error::Limit {
        place: "frame".into(),
        value: n as f64,
        limit: f64::from(u32::MAX),
        unit: "equations",
        remedy: "use fewer members".into(),
    })
}

/// A deterministic displacement that no structure has for a mode.
fn trial(i: usize) -> f64 {
    0.5 + (i as f64 * 0.618_033_988_749_895).fract()
}

/// Whether solving finds a displacement again that is known.
fn is_sound(llt: &Llt<usize, f64>, triplets: &[Triplet<usize, usize, f64>], n: usize) -> bool {
    let mut rhs = Mat::<f64>::zeros(n, 1);
    for t in triplets {
        rhs[(t.row, 0)] += t.val * trial(t.col);
        if t.row != t.col {
            rhs[(t.col, 0)] += t.val * trial(t.row);
        }
    }
    let x = llt.solve(&rhs);
    (0..n).all(|i| (x[(i, 0)] / trial(i) - 1.0).abs() < LOOSE)
}

/// The equation that moves most when a mechanism is barely propped up.
fn loosest(
    mut triplets: Vec<Triplet<usize, usize, f64>>,
    diagonal: &[f64],
    equations: &[[u32; 6]],
) -> usize {
    let n = diagonal.len();
    triplets.extend(diagonal.iter().enumerate().map(|(i, d)| Triplet::new(i, i, PROP * d)));
    let propped = assemble(n, &triplets).ok();
    let Some(llt) = propped.and_then(|m| m.sp_cholesky(faer::Side::Lower).ok()) else {
        return 0;
    };
    let rhs = Mat::<f64>::from_fn(n, 1, |i, _| trial(i) * diagonal[i].sqrt());
    let x = llt.solve(&rhs);
    let moves = |eq: u32| if eq == NONE { 0.0 } else { x[(eq as usize, 0)].abs() };
    // Displacements tell more than turns, which every node of a loose limb shares.
    equations
        .iter()
        .flat_map(|eq| &eq[..3])
        .copied()
        .filter(|&eq| eq != NONE)
        .max_by(|&a, &b| moves(a).total_cmp(&moves(b)))
        .unwrap_or(0) as usize
}

fn loose(equations: &[[u32; 6]], equation: usize) -> Error {
    let node = equations.iter().position(|eq| eq.contains(&(equation as u32))).unwrap_or(0);
    Error::Structure {
        place: format!("node {node}"),
        problem: "it can move without resistance".into(),
        remedy: "hold it, brace it or connect it to what is held".into(),
    }
}
