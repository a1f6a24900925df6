//! The frame of a part's supports: columns and braces as beams, tips as cones, the part as a body.

use super::{Beam, Frame, Hold, Load, Profile, Tie};
use crate::error::Result;
use crate::mechanics::bar;
use crate::mechanics::peel::Pull;
use crate::mesh::Point;
use crate::part::Supports;
use std::collections::BTreeSet;
use std::ops::Range;

/// A frame with the numbers that lead back to the supports it was made from.
#[derive(Clone, Debug, PartialEq)]
pub struct SupportFrame {
    /// The structure. Its first nodes and beams are those of the supports, in their order.
    pub frame: Frame,
    /// The node that stands for the part, at the middle of its tips.
    pub body: u32,
    /// The beams of the tips, in the tips' order; each runs from its column to the part.
    pub tips: Range<usize>,
}

impl SupportFrame {
    /// Builds the frame: feet clamped, but those that stand on the part tied to it as the tips are;
    /// tips as cones from the neck to the widest member at their node.
    pub fn new(supports: &Supports, modulus_mpa: f64, poisson: f64) -> SupportFrame {
        let mut frame = Frame { nodes: supports.nodes.clone(), ..Frame::default() };
        let mut widest = vec![0.0_f64; supports.nodes.len()];
        for m in &supports.members {
            let profile = Profile::round(m.diameter_mm);
            frame.beams.push(Beam::new(m.a, m.b, profile, modulus_mpa, poisson));
            for node in [m.a, m.b] {
                if let Some(w) = widest.get_mut(node as usize) {
                    *w = w.max(m.diameter_mm);
                }
            }
        }
        let on_part: BTreeSet<u32> = supports.landings.iter().map(|t| t.node).collect();
        let on_base = supports.feet.iter().filter(|f| !on_part.contains(f));
        frame.holds = on_base.map(|&node| Hold::clamped(node)).collect();
        let n = supports.tips.len().max(1) as f64;
        let sum = supports.tips.iter().map(|t| t.contact.coords).sum::<crate::mesh::Vector>();
        let middle = Point::from(sum / n);
        let body = frame.node(middle.x, middle.y, middle.z);
        let first = frame.beams.len();
        let mut tie = Tie { body, nodes: on_part.into_iter().collect() };
        for tip in &supports.tips {
            let contact = frame.node(tip.contact.x, tip.contact.y, tip.contact.z);
            let wide = widest.get(tip.node as usize).copied().unwrap_or(0.0).max(tip.diameter_mm);
            let profile = Profile::cone(tip.diameter_mm, wide);
            frame.beams.push(Beam::new(tip.node, contact, profile, modulus_mpa, poisson));
            tie.nodes.push(contact);
        }
        frame.ties.push(tie);
        let tips = first..frame.beams.len();
        SupportFrame { frame, body, tips }
    }

    /// The load that a layer's pull puts on the part: along +z, away from the plate.
    pub fn load(&self, pull: Pull) -> Load {
        let z = self.frame.nodes[self.body as usize].z;
        self.frame.load_at(self.body, Point::new(pull.x_mm, pull.y_mm, z), [0.0, 0.0, pull.force_n])
    }

    /// Factors the frame and solves it for a unit pull and two unit moments: from these follows
    /// every layer.
    ///
    /// # Errors
    /// As [`Frame::factor`].
    pub fn response(&self) -> Result<Response> {
        let factored = self.frame.factor()?;
        let middle = self.frame.nodes[self.body as usize];
        let unit = |force_n: [f64; 3], moment_n_mm: [f64; 3]| {
            factored.solve(&[Load { node: self.body, force_n, moment_n_mm }])
        };
        let cases = [
            unit([0.0, 0.0, 1.0], [0.0; 3])?,
            unit([0.0; 3], [1.0, 0.0, 0.0])?,
            unit([0.0; 3], [0.0, 1.0, 0.0])?,
        ];
        let beams = 0..self.frame.beams.len();
        let pulls = beams.map(|i| cases.each_ref().map(|s| s.axial_n(i))).collect();
        let give = cases.each_ref().map(|s| {
            let m = s.motions[self.body as usize];
            [m[2], m[3], m[4]]
        });
        Ok(Response { middle_mm: [middle.x, middle.y], pulls, tips: self.tips.clone(), give })
    }
}

/// How supports answer any pull along z, by superposition.
#[derive(Clone, Debug, PartialEq)]
pub struct Response {
    /// Where the part's node stands, mm.
    middle_mm: [f64; 2],
    /// Axial pull of each beam per unit of force and of moment about x and y through the middle.
    pulls: Vec<[f64; 3]>,
    /// The beams of the tips.
    tips: Range<usize>,
    /// Rise and turn about x and y of the part, for the same three.
    give: [[f64; 3]; 3],
}

impl Response {
    /// Force and moments at the middle that a unit pull at that place makes.
    fn unit(&self, x_mm: f64, y_mm: f64) -> [f64; 3] {
        [1.0, y_mm - self.middle_mm[1], self.middle_mm[0] - x_mm]
    }

    /// Pull in each tip, N, in the tips' order; negative where the part presses on it.
    pub fn tip_pulls_n(&self, pull: Pull) -> Vec<f64> {
        self.axial_n(self.tips.clone(), pull)
    }

    /// Axial pull in each member of the supports, N, in the members' order; negative where it is
    /// pressed.
    pub fn member_pulls_n(&self, pull: Pull) -> Vec<f64> {
        self.axial_n(0..self.tips.start, pull)
    }

    fn axial_n(&self, beams: Range<usize>, pull: Pull) -> Vec<f64> {
        let unit = self.unit(pull.x_mm, pull.y_mm);
        let dot = |beam: &[f64; 3]| beam.iter().zip(unit).map(|(a, b)| a * b).sum::<f64>();
        self.pulls[beams].iter().map(|beam| pull.force_n * dot(beam)).collect()
    }

    /// Stiffness of the supports against a pull at that place, N/mm: force over rise there.
    pub fn stiffness_n_mm(&self, x_mm: f64, y_mm: f64) -> f64 {
        let unit = self.unit(x_mm, y_mm);
        // By Maxwell–Betti the lever of the pull is also that of the rise.
        let rise = self.give.iter().zip(unit).map(|(case, load)| {
            load * case.iter().zip(unit).map(|(motion, lever)| motion * lever).sum::<f64>()
        });
        1.0 / rise.sum::<f64>()
    }
}

/// Press at which each member buckles, N: Euler's load of the stretch it belongs to, from joint to
/// joint, one end built in and the other held ([`bar::Ends::FixedPinned`]).
pub fn buckling_loads_n(s: &Supports, modulus_mpa: f64) -> Vec<f64> {
    let mut meeting: Vec<Vec<u32>> = vec![Vec::new(); s.nodes.len()];
    for (i, m) in s.members.iter().enumerate() {
        for node in [m.a, m.b] {
            meeting[node as usize].push(i as u32);
        }
    }
    let length = |i: usize| {
        let m = &s.members[i];
        (s.nodes[m.a as usize] - s.nodes[m.b as usize]).norm()
    };
    let stretch_mm = |i: usize| {
        let mut sum = length(i);
        for mut node in [s.members[i].a, s.members[i].b] {
            let mut member = i as u32;
            // A node where just two members meet is a bend in one column, not a joint.
            while let [a, b] = meeting[node as usize][..] {
                if s.feet.contains(&node) {
                    break;
                }
                member = if a == member { b } else { a };
                if member as usize == i {
                    break;
                }
                sum += length(member as usize);
                let m = &s.members[member as usize];
                node = if m.a == node { m.b } else { m.a };
            }
        }
        sum
    };
    (0..s.members.len())
        .map(|i| {
            let inertia = bar::inertia_mm4(s.members[i].diameter_mm);
            let ends = bar::Ends::FixedPinned.effective_length();
            bar::euler_n(modulus_mpa, inertia, stretch_mm(i), ends)
        })
        .collect()
}
