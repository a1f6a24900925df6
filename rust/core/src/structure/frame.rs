//! The frame of a part's supports: columns and braces as beams, necks as cones, the part as a body.

use crate::error::Result;
use crate::mechanics::bar;
use crate::mechanics::frame::{Beam, Factored, Frame, Hold, Load, Profile, Solution, Tie};
use crate::mechanics::peel::Pull;
use crate::mesh::{Point, Vector};
use crate::part::{Supports, Tip};
use nalgebra::{Matrix6, Vector6};
use std::collections::BTreeSet;
use std::ops::Range;

/// A frame with the numbers that lead back to the supports it was made from.
#[derive(Clone, Debug, PartialEq)]
pub struct SupportFrame {
    /// The structure. Its first nodes and beams are those of the supports, in their order.
    pub frame: Frame,
    /// The node that stands for the part, at the middle of its tips.
    pub body: u32,
    /// The necks of the tips, in the order asked for; each runs from its column to the part.
    pub tips: Range<usize>,
    /// The necks of the landings, in the supports' order; each runs from its column to the part.
    pub landings: Range<usize>,
    /// Landings that stand on the piece.
    own: Vec<u32>,
}

impl SupportFrame {
    /// The frame of a piece of the part that hangs on these tips and on which these landings stand.
    ///
    /// Feet are clamped. Necks are cones from their own width to that of the widest member at their
    /// node. Landings that stand on another piece are clamped there: what stands on it is not
    /// added to what it stands on.
    pub fn new(
        s: &Supports,
        tips: &[u32],
        landings: &[u32],
        modulus_mpa: f64,
        poisson: f64,
    ) -> SupportFrame {
        let mut frame = Frame { nodes: s.nodes.clone(), ..Frame::default() };
        let mut widest = vec![0.0_f64; s.nodes.len()];
        for m in &s.members {
            let profile = Profile::round(m.diameter_mm);
            frame.beams.push(Beam::new(m.a, m.b, profile, modulus_mpa, poisson));
            for node in [m.a, m.b] {
                if let Some(w) = widest.get_mut(node as usize) {
                    *w = w.max(m.diameter_mm);
                }
            }
        }
        let landed: BTreeSet<u32> = s.landings.iter().map(|t| t.node).collect();
        let on_base = s.feet.iter().filter(|f| !landed.contains(f));
        frame.holds = on_base.map(|&node| Hold::clamped(node)).collect();
        let holding = || tips.iter().map(|&i| &s.tips[i as usize]);
        let sum = holding().map(|t| t.contact.coords).sum::<Vector>();
        let middle = Point::from(sum / tips.len().max(1) as f64);
        let body = frame.node(middle.x, middle.y, middle.z);
        let mut tie = Tie { body, nodes: Vec::new() };
        let neck = |frame: &mut Frame, tip: &Tip| {
            let contact = frame.node(tip.contact.x, tip.contact.y, tip.contact.z);
            let column = widest.get(tip.node as usize).copied().unwrap_or(0.0);
            let wide = neck_mm(tip.diameter_mm, column);
            let beam = Beam::new(tip.node, contact, Profile::round(wide), modulus_mpa, poisson);
            frame.beams.push(beam.tapered(Profile::round(tip.diameter_mm)));
            contact
        };
        let first = frame.beams.len();
        for tip in holding() {
            tie.nodes.push(neck(&mut frame, tip));
        }
        let last = frame.beams.len();
        let own: BTreeSet<u32> = landings.iter().copied().collect();
        for (i, landing) in s.landings.iter().enumerate() {
            let contact = neck(&mut frame, landing);
            if own.contains(&(i as u32)) {
                tie.nodes.push(contact);
            } else {
                frame.holds.push(Hold::clamped(contact));
            }
        }
        frame.ties.push(tie);
        let landings = last..frame.beams.len();
        SupportFrame { frame, body, tips: first..last, landings, own: own.into_iter().collect() }
    }

    /// All tips and landings on one piece: how the finished part stands.
    pub fn whole(s: &Supports, modulus_mpa: f64, poisson: f64) -> SupportFrame {
        let all = |list: &[Tip]| (0..list.len() as u32).collect::<Vec<_>>();
        SupportFrame::new(s, &all(&s.tips), &all(&s.landings), modulus_mpa, poisson)
    }

    /// The load that a layer's pull puts on the part: along +z, away from the plate.
    pub fn load(&self, pull: Pull) -> Load {
        let z = self.frame.nodes[self.body as usize].z;
        self.frame.load_at(self.body, Point::new(pull.x_mm, pull.y_mm, z), [0.0, 0.0, pull.force_n])
    }

    /// Factors the frame and solves it for unit forces and moments on the part: from these follows
    /// every layer.
    ///
    /// # Errors
    /// As [`Frame::factor`].
    pub fn solved(&self) -> Result<Solved<'_>> {
        let factored = self.frame.factor()?;
        let unit = |k: usize| {
            let [force_n, moment_n_mm] = halves(std::array::from_fn(|i| f64::from(i == k)));
            factored.solve(&[Load { node: self.body, force_n, moment_n_mm }])
        };
        let units = [unit(0)?, unit(1)?, unit(2)?, unit(3)?, unit(4)?, unit(5)?];
        Ok(Solved { model: self, factored, units })
    }

    /// How the supports answer any load on the part.
    ///
    /// # Errors
    /// As [`Frame::factor`].
    pub fn response(&self) -> Result<Response> {
        Ok(self.solved()?.response())
    }

    /// The answer made of solutions for unit loads.
    fn answer(&self, units: &[Solution; 6]) -> Response {
        let by_unit = |of: &dyn Fn(&Solution) -> f64| units.each_ref().map(of);
        let bars = (0..self.frame.beams.len()).map(|i| {
            let end = |k: usize| by_unit(&|s| s.ends[i][k]);
            Bar {
                profiles: [self.frame.beams[i].profile, self.frame.beams[i].end],
                axial: end(6),
                bending: [[end(4), end(5)], [end(10), end(11)]],
            }
        });
        let on_plate = self.frame.holds.iter().enumerate();
        let on_plate = on_plate.filter(|(_, hold)| (hold.node as usize) < self.body as usize);
        let on_plate = on_plate.map(|(i, hold)| {
            // What the hold exerts on the frame, the frame exerts on the plate the other way; what
            // pushes aside up there turns the foot down here.
            let z = self.frame.nodes[hold.node as usize].z;
            let of = |f: &dyn Fn([f64; 6]) -> f64| by_unit(&|s| f(s.reactions[i].map(|r| -r)));
            (hold.node, [of(&|f| f[2]), of(&|f| f[3] - z * f[1]), of(&|f| f[4] + z * f[0])])
        });
        let on_part = (self.tips.start..self.landings.end).map(|i| {
            let beam = &self.frame.beams[i];
            let by_unit = std::array::from_fn(|k| by_unit(&|s| -s.end_load(&self.frame, i)[k]));
            Contact { at: self.frame.nodes[beam.b as usize], by_unit }
        });
        Response {
            middle: self.frame.nodes[self.body as usize],
            tips: self.tips.clone(),
            landings: self.landings.clone(),
            on_plate: on_plate.collect(),
            contacts: on_part.collect(),
            own: self.own.clone(),
            give: units.each_ref().map(|s| s.motions[self.body as usize]),
            bars: bars.collect(),
        }
    }
}

/// Force and moment of a wrench.
fn halves([fx, fy, fz, mx, my, mz]: Wrench) -> [[f64; 3]; 2] {
    [[fx, fy, fz], [mx, my, mz]]
}

/// A frame with its answers to unit loads on the part.
#[derive(Debug)]
pub struct Solved<'a> {
    model: &'a SupportFrame,
    factored: Factored<'a>,
    units: [Solution; 6],
}

impl Solved<'_> {
    /// How the supports answer any load.
    pub fn response(&self) -> Response {
        self.model.answer(&self.units)
    }

    /// How they do once the neck of a tip, numbered as in the frame, has gone; none where what is
    /// left can move without resistance.
    ///
    /// The neck is taken away by forces that cancel what it bears (force method: the same frame
    /// under six self-balanced pairs of loads at the neck's ends; any book on structural analysis).
    ///
    /// # Errors
    /// As [`Factored::solve`].
    pub fn without(&self, tip: usize) -> Result<Option<Response>> {
        let (frame, i) = (&self.model.frame, self.model.tips.start + tip);
        let (a, b) = (frame.beams[i].a, frame.beams[i].b);
        let arm = frame.nodes[b as usize] - frame.nodes[a as usize];
        let pair = |k: usize| {
            let [force_n, moment_n_mm] = halves(std::array::from_fn(|i| f64::from(i == k)));
            let turned = Vector::from(moment_n_mm) + arm.cross(&Vector::from(force_n));
            self.factored.solve(&[
                Load { node: b, force_n, moment_n_mm },
                Load { node: a, force_n: force_n.map(|f| -f), moment_n_mm: (-turned).into() },
            ])
        };
        let pairs = [pair(0)?, pair(1)?, pair(2)?, pair(3)?, pair(4)?, pair(5)?];
        let borne = |of: &[Solution; 6]| {
            let columns = of.each_ref().map(|s| Vector6::from(s.end_load(frame, i)));
            Matrix6::from_columns(&columns)
        };
        let Some(inverse) = (Matrix6::identity() - borne(&pairs)).try_inverse() else {
            return Ok(None);
        };
        let cancelling = inverse * borne(&self.units);
        if cancelling.iter().any(|x| x.abs() > MECHANISM) {
            return Ok(None);
        }
        let left = std::array::from_fn(|unit| {
            let shares: [f64; 6] = cancelling.column(unit).into_owned().into();
            let mut left = self.units[unit].with(&pairs, &shares);
            left.ends[i] = [0.0; 12];
            left
        });
        Ok(Some(self.model.answer(&left)))
    }
}

/// Forces and moments of so much for one newton or newton millimetre are those of a mechanism.
const MECHANISM: f64 = 1e6;

/// Force x, y, z, N, and moment about x, y, z, N·mm, on the part's node.
pub type Wrench = [f64; 6];

fn dot(a: &Wrench, b: &Wrench) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}
/// What a beam bears for each unit load.
#[derive(Clone, Debug, PartialEq)]
struct Bar {
    /// At its start and its end.
    profiles: [Profile; 2],
    axial: Wrench,
    /// Two moments across it at either end.
    bending: [[Wrench; 2]; 2],
}

impl Bar {
    fn strain(&self, load: &Wrench) -> Strain {
        let axial_n = dot(&self.axial, load);
        let stress = |end: usize| {
            let [u, v] = &self.bending[end];
            self.profiles[end].stress_mpa(axial_n, dot(u, load).hypot(dot(v, load)))
        };
        Strain { axial_n, stress_mpa: [stress(0), stress(1)] }
    }
}

/// How a neck pulls on what it touches for each unit load, at its contact.
#[derive(Clone, Debug, PartialEq)]
struct Contact {
    at: Point,
    /// Force and moment, x, y, z each.
    by_unit: [Wrench; 6],
}

/// What a bar bears under a load.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Strain {
    /// Along it, N; negative where it is pressed.
    pub axial_n: f64,
    /// Greatest stress at its start and at its end, MPa ([`Profile::stress_mpa`]).
    pub stress_mpa: [f64; 2],
}

impl Strain {
    /// Greatest stress at either end, MPa.
    pub(crate) fn greatest_mpa(&self) -> f64 {
        self.stress_mpa[0].max(self.stress_mpa[1])
    }
}

/// What a tip or landing does to the part, in which region and at which place.
pub(crate) struct Held {
    pub(crate) region: u32,
    pub(crate) at: Point,
    /// Force, N, and moment, N·mm, x, y, z each.
    pub(crate) wrench: Wrench,
}

/// What a foot does to the plate: lift, N, and moments about x and y, N·mm, right under its node.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Lift {
    pub(crate) force_n: f64,
    pub(crate) moment_n_mm: [f64; 2],
}

impl Lift {
    /// The single pull that does the same, for a foot at that place.
    pub(crate) fn pull(&self, x_mm: f64, y_mm: f64) -> Pull {
        // A pure moment is a hair of a force very far off.
        let force_n =
            if self.force_n.abs() < 1e-9 { 1e-9_f64.copysign(self.force_n) } else { self.force_n };
        let [mx, my] = self.moment_n_mm;
        Pull { force_n, x_mm: x_mm - my / force_n, y_mm: y_mm + mx / force_n }
    }
}

/// How supports answer any load on the part, by superposition.
#[derive(Clone, Debug, PartialEq)]
pub struct Response {
    /// Where the part's node stands.
    middle: Point,
    bars: Vec<Bar>,
    tips: Range<usize>,
    landings: Range<usize>,
    /// Landings that stand on this piece.
    own: Vec<u32>,
    /// For each foot on raft or plate its node, and the lift and moments about x and y on the plate
    /// under it.
    on_plate: Vec<(u32, [Wrench; 3])>,
    /// Necks of the tips, then of all landings.
    contacts: Vec<Contact>,
    /// Displacement and turns of the part's node for each unit load.
    give: [Wrench; 6],
}

impl Response {
    /// The load of a pull along z.
    pub fn pulled(&self, pull: Pull) -> Wrench {
        self.pushed(Point::new(pull.x_mm, pull.y_mm, self.middle.z), [0.0, 0.0, pull.force_n])
    }

    /// The load of a force at a place.
    pub fn pushed(&self, at: Point, force_n: [f64; 3]) -> Wrench {
        let moment = (at - self.middle).cross(&Vector::from(force_n));
        let [fx, fy, fz] = force_n;
        [fx, fy, fz, moment.x, moment.y, moment.z]
    }

    /// How far a place of the part moves aside under a load, mm.
    pub fn sway_mm(&self, load: &Wrench, at: Point) -> f64 {
        let [x, y, _, mx, my, mz] =
            std::array::from_fn(|k| self.give.iter().zip(load).map(|(unit, l)| unit[k] * l).sum());
        let arm = at - self.middle;
        let turned = Vector::new(mx, my, mz).cross(&arm);
        f64::hypot(x + turned.x, y + turned.y)
    }

    /// What the necks of the tips bear, in their order; the last end of each is the contact.
    pub fn necks(&self, load: &Wrench) -> impl Iterator<Item = Strain> {
        self.strains(self.tips.clone(), load)
    }

    /// What the necks of the landings bear, in the supports' order.
    pub fn landings(&self, load: &Wrench) -> impl Iterator<Item = Strain> {
        self.strains(self.landings.clone(), load)
    }

    /// What a member bears.
    pub fn member(&self, i: usize, load: &Wrench) -> Strain {
        self.bars[i].strain(load)
    }

    fn strains(&self, bars: Range<usize>, load: &Wrench) -> impl Iterator<Item = Strain> {
        self.bars[bars].iter().map(|bar| bar.strain(load))
    }

    /// What tips and landings do to the piece under a load. `tips` names those of the frame,
    /// `regions` says for all tips and all landings which region of the part they touch.
    pub(crate) fn held(
        &self,
        load: &Wrench,
        tips: &[u32],
        [tip_region, landing_region]: &[&[Option<u32>]; 2],
    ) -> Vec<Held> {
        let held = |region: Option<u32>, contact: &Contact| {
            let wrench = contact.by_unit.each_ref().map(|unit| dot(unit, load));
            region.map(|region| Held { region, at: contact.at, wrench })
        };
        let (of_tips, of_landings) = self.contacts.split_at(tips.len());
        let on_tips = tips.iter().zip(of_tips);
        let on_tips = on_tips.filter_map(|(&t, c)| held(tip_region[t as usize], c));
        let on_landings = self
            .own
            .iter()
            .filter_map(|&l| held(landing_region[l as usize], &of_landings[l as usize]));
        on_tips.chain(on_landings).collect()
    }

    /// Each foot on raft or plate under a load: its node, and what it does to the plate under it.
    pub(crate) fn feet(&self, load: &Wrench) -> impl Iterator<Item = (u32, Lift)> {
        self.on_plate.iter().map(|(node, of)| {
            let [force_n, mx, my] = [0, 1, 2].map(|k| dot(&of[k], load));
            (*node, Lift { force_n, moment_n_mm: [mx, my] })
        })
    }

    /// Stiffness of the supports against a pull at that place, N/mm: force over rise there.
    pub fn stiffness_n_mm(&self, x_mm: f64, y_mm: f64) -> f64 {
        let unit = self.pulled(Pull { force_n: 1.0, x_mm, y_mm });
        // By Maxwell–Betti the lever of the pull is also that of the rise.
        let rise = self.give.iter().zip(unit).map(|(case, load)| load * dot(case, &unit));
        1.0 / rise.sum::<f64>()
    }
}

/// Diameter of a neck's wide end, mm, on a column of a diameter: a slim neck bends with the part's
/// motion where a stout one would break at its thin end, since what bends it is the motion and not
/// a force.
pub(crate) fn neck_mm(tip_mm: f64, column_mm: f64) -> f64 {
    const TAPER: f64 = 1.5;
    column_mm.clamp(tip_mm, TAPER * tip_mm)
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
    let feet: BTreeSet<u32> = s.feet.iter().copied().collect();
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
                if feet.contains(&node) {
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
