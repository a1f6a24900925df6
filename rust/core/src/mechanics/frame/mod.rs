//! Supports as a structure: a frame of beams in space, factored once and loaded layer after layer.
//!
//! Columns, braces and tips are Euler–Bernoulli beams, even or tapered (no shear deformation, small
//! deflections; right for bars at least ten times longer than thick, a little too stiff below),
//! joined rigidly.
//! The printed part is far stiffer than what carries it, so it enters as a rigid body that ties
//! its tips together ([`Tie`]). The equations are solved by sparse Cholesky; the same frame gives
//! the same bits on any number of threads.
//!
//! Everything is a plain list of numbers, so a frame can be handed to any general-purpose solver:
//! nodes, beams with area, moments and moduli, holds with their fixed directions, loads.

mod element;
mod solve;

pub use solve::{Factored, Solution};

use super::bar;
use crate::error::{Error, Result};
use crate::mesh::{Point, Vector};

/// Cross-section of a beam.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Profile {
    /// Area, mm².
    pub area_mm2: f64,
    /// Second moment for bending in the local x–z plane, mm⁴.
    pub iy_mm4: f64,
    /// Second moment for bending in the local x–y plane, mm⁴.
    pub iz_mm4: f64,
    /// Torsion constant, mm⁴.
    pub torsion_mm4: f64,
}

impl Profile {
    /// A round bar.
    pub fn round(diameter_mm: f64) -> Profile {
        let i = bar::inertia_mm4(diameter_mm);
        Profile { area_mm2: bar::area_mm2(diameter_mm), iy_mm4: i, iz_mm4: i, torsion_mm4: 2.0 * i }
    }

    /// Part of the way from this profile to another, every measure as the breadth of a cone would
    /// have it: exact between round profiles.
    fn towards(&self, other: &Profile, t: f64) -> Profile {
        let root = |a: f64, b: f64, n: f64| {
            (a.powf(1.0 / n) + (b.powf(1.0 / n) - a.powf(1.0 / n)) * t).powf(n)
        };
        Profile {
            area_mm2: root(self.area_mm2, other.area_mm2, 2.0),
            iy_mm4: root(self.iy_mm4, other.iy_mm4, 4.0),
            iz_mm4: root(self.iz_mm4, other.iz_mm4, 4.0),
            torsion_mm4: root(self.torsion_mm4, other.torsion_mm4, 4.0),
        }
    }

    /// Greatest stress of a round section under a force along the bar and a moment across it, MPa:
    /// |N|/A + M·r/I with the radius 2√(I/A). Pressed fibres count like pulled ones.
    pub fn stress_mpa(&self, axial_n: f64, bending_n_mm: f64) -> f64 {
        let inertia = self.iy_mm4.min(self.iz_mm4);
        let radius = 2.0 * (inertia / self.area_mm2).sqrt();
        axial_n.abs() / self.area_mm2 + bending_n_mm * radius / inertia
    }
}

/// A straight beam between two nodes.
///
/// Local x runs from `a` to `b`. Local z is as near to global z as it can be (local y along global
/// y for upright beams), then both are turned about x by `roll_deg`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Beam {
    /// Start node.
    pub a: u32,
    /// End node.
    pub b: u32,
    /// Cross-section at `a`.
    pub profile: Profile,
    /// Cross-section at `b`; between them it changes as a cone does.
    pub end: Profile,
    /// Young's modulus, MPa.
    pub modulus_mpa: f64,
    /// Shear modulus, MPa.
    pub shear_mpa: f64,
    /// Turn of the cross-section about local x, degrees; round ones need none.
    pub roll_deg: f64,
}

impl Beam {
    /// A uniform beam of isotropic material: G = E/2(1 + ν).
    pub fn new(a: u32, b: u32, profile: Profile, modulus_mpa: f64, poisson: f64) -> Beam {
        let shear_mpa = modulus_mpa / (2.0 * (1.0 + poisson));
        Beam { a, b, profile, end: profile, modulus_mpa, shear_mpa, roll_deg: 0.0 }
    }

    /// This beam tapering to another cross-section at `b`.
    pub fn tapered(self, end: Profile) -> Beam {
        Beam { end, ..self }
    }
}

/// A node that something outside the frame holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Hold {
    /// The node.
    pub node: u32,
    /// Held displacements x, y, z and turns about x, y, z.
    pub fixed: [bool; 6],
}

impl Hold {
    /// A node that neither moves nor turns.
    pub fn clamped(node: u32) -> Hold {
        Hold { node, fixed: [true; 6] }
    }

    /// A node that cannot move but may turn.
    pub fn pinned(node: u32) -> Hold {
        Hold { node, fixed: [true, true, true, false, false, false] }
    }
}

/// A rigid body: nodes that move with another as if cast in one piece.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Tie {
    /// The node that stands for the body. It needs no beam of its own.
    pub body: u32,
    /// The nodes that follow it.
    pub nodes: Vec<u32>,
}

/// A force and a moment on a node, global directions.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Load {
    /// The node.
    pub node: u32,
    /// Force, N.
    pub force_n: [f64; 3],
    /// Moment, N·mm.
    pub moment_n_mm: [f64; 3],
}

/// A structure of beams.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Frame {
    /// Joints, mm.
    pub nodes: Vec<Point>,
    /// Beams between them.
    pub beams: Vec<Beam>,
    /// What holds the structure.
    pub holds: Vec<Hold>,
    /// Rigid bodies in it.
    pub ties: Vec<Tie>,
}

impl Frame {
    /// Adds a node and returns its number.
    pub fn node(&mut self, x_mm: f64, y_mm: f64, z_mm: f64) -> u32 {
        self.nodes.push(Point::new(x_mm, y_mm, z_mm));
        self.nodes.len() as u32 - 1
    }

    /// The load on node `node` that a force at another point of the same rigid body makes.
    pub fn load_at(&self, node: u32, point: Point, force_n: [f64; 3]) -> Load {
        let arm = point - self.nodes[node as usize];
        let moment = arm.cross(&Vector::from(force_n));
        Load { node, force_n, moment_n_mm: moment.into() }
    }

    /// Length of beam `i`, mm.
    pub fn length_mm(&self, i: usize) -> f64 {
        let beam = &self.beams[i];
        (self.nodes[beam.b as usize] - self.nodes[beam.a as usize]).norm()
    }

    /// Checks numbers and assembles and factors the stiffness matrix; what comes back solves any
    /// number of load cases.
    ///
    /// # Errors
    /// [`Error::Structure`] naming the node, beam or tie: a number that is no node, a beam without
    /// length or stiffness, a node that is held by nothing or can move without resistance.
    pub fn factor(&self) -> Result<Factored<'_>> {
        self.check()?;
        Factored::new(self)
    }

    /// For every node the node that stands for it: itself, or the body it is tied to.
    fn bodies(&self) -> Vec<u32> {
        let mut bodies: Vec<u32> = (0..self.nodes.len() as u32).collect();
        for tie in &self.ties {
            for &node in &tie.nodes {
                bodies[node as usize] = tie.body;
            }
        }
        bodies
    }

    fn check(&self) -> Result<()> {
        let n = self.nodes.len() as u32;
        let wrong = |place: String, problem: &str, remedy: &str| {
            Err(Error::Structure { place, problem: problem.into(), remedy: remedy.into() })
        };
        for (i, p) in self.nodes.iter().enumerate() {
            if !p.coords.iter().all(|c| c.is_finite()) {
                return wrong(format!("node {i}"), "its place is not finite", "give it a place");
            }
        }
        for (i, b) in self.beams.iter().enumerate() {
            let place = format!("beam {i}");
            if b.a >= n || b.b >= n {
                return wrong(place, "it ends at a node that does not exist", "add the node");
            }
            if self.length_mm(i) < SHORTEST_MM {
                return wrong(place, "it has no length", "join its two nodes");
            }
            let sizes = |p: Profile| [p.area_mm2, p.iy_mm4, p.iz_mm4, p.torsion_mm4];
            let stiff = [&sizes(b.profile)[..], &sizes(b.end), &[b.modulus_mpa, b.shear_mpa]];
            if !stiff.concat().iter().all(|&v| v > 0.0 && v.is_finite()) || !b.roll_deg.is_finite()
            {
                return wrong(place, "section and moduli must be above zero", "give it a section");
            }
        }
        let mut tied = vec![false; self.nodes.len()];
        for (i, tie) in self.ties.iter().enumerate() {
            let place = format!("tie {i}");
            if tie.body >= n || tie.nodes.iter().any(|&k| k >= n) {
                return wrong(place, "it names a node that does not exist", "add the node");
            }
            for &k in &tie.nodes {
                if k == tie.body || std::mem::replace(&mut tied[k as usize], true) {
                    return wrong(place, "a node is tied twice", "tie each node to one body");
                }
            }
        }
        if let Some(i) = self.ties.iter().position(|t| tied[t.body as usize]) {
            return wrong(format!("tie {i}"), "its body is tied itself", "merge the two ties");
        }
        for hold in &self.holds {
            let place = format!("hold of node {}", hold.node);
            if hold.node >= n {
                return wrong(place, "the node does not exist", "add the node");
            }
            if tied[hold.node as usize] {
                return wrong(place, "the node is tied to a body", "hold the body instead");
            }
        }
        Ok(())
    }
}

/// Beams shorter than this are a mistake of numbering, not of engineering.
const SHORTEST_MM: f64 = 1e-6;
