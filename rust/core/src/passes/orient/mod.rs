//! Orient: choose the pose knowingly. Directions are judged by the layer engine at coarse pitch,
//! the best again at fine pitch, and every term of every direction is kept to be looked at.

mod begun;
mod choose;
mod directions;
mod stand_in;
mod terms;
mod thin;
mod why;

use choose::Extremes;
pub use choose::{Goal, Weights};
pub use terms::{TERMS, Terms};

use crate::appearance::Up;
use crate::codes::FindingCode;
use crate::context::Context;
use crate::error::{Error, Result, check_range};
use crate::finding::{Done, Finding, Report, Severity};
use crate::mesh::frame::evenly;
use crate::mesh::{Pose, Vector};
use crate::part::Part;
use crate::pass::Pass;
use crate::setup::Machine;
use nalgebra::{Translation3, UnitQuaternion};
use rayon::prelude::*;
use serde::{Deserialize, Serialize};
use stand_in::StandIn;
use std::sync::atomic::{AtomicUsize, Ordering};
use terms::Judge;
use thin::Crossed;

/// Options of the pass.
///
/// ```
/// use vatwright::{Context, Part, Pass, Setup, mesh::shapes::cuboid, passes::Orient};
/// # let mut setup = Setup::default();
/// # (setup.exposure.layer_mm, setup.machine.pixel_mm) = (0.1, 0.1); // quick to run
/// let ctx = Context::new(setup);
/// let part = Part::new(cuboid(20.0, 4.0, 4.0)?);
/// let done = Orient { directions: 30, refine: 2, ..Orient::default() }.apply(part, &ctx)?;
/// assert!(done.report.numbers["time_s"] > 0.0);
/// # Ok::<(), vatwright::Error>(())
/// ```
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Orient {
    /// Directions spread evenly over the sphere; the part's own flats and axes come on top.
    pub directions: u32,
    /// How many of the best are judged again at fine pitch.
    pub refine: u32,
    /// Layer and pixel of the coarse search, mm; by default a hundredth of the part's size, or as
    /// fine as its walls are thin, down to a third of that.
    pub coarse_mm: Option<f64>,
    /// Layer and pixel of the fine judgement, mm; by default a four-hundredth of the part's size, or
    /// half of its thinnest walls.
    pub fine_mm: Option<f64>,
    /// Goals in order: each narrows the choice to poses within `slack` of its best. Empty: the
    /// weights alone decide; they also decide among what the goals leave.
    pub goals: Vec<Goal>,
    /// Share of a goal's spread, from its best to its worst, that still counts as best.
    pub slack: f64,
    /// Weight of each term.
    pub weights: Weights,
    /// What is up in the model, where the part does not know it yet.
    pub up: Up,
    /// Refuse poses that would put tips on keep-clean facets, if any pose avoids it.
    pub spare_clean: bool,
    /// Height of the lowest point over the plate, mm, for a raft or supports to fill; a recipe
    /// raises it to what its raft does.
    pub lift_mm: f64,
    /// Border to keep free around the part, mm, for a raft's rim; a recipe raises it to what its
    /// raft needs. A part that fits no other way goes without.
    pub border_mm: f64,
}

impl Default for Orient {
    fn default() -> Orient {
        Orient {
            directions: 400,
            refine: 24,
            coarse_mm: None,
            fine_mm: None,
            goals: Vec::new(),
            slack: 0.05,
            weights: Weights::default(),
            up: Up::Auto,
            spare_clean: true,
            lift_mm: 0.0,
            border_mm: 0.0,
        }
    }
}

/// Walls are seen at this share of their thickness.
const FINER: f64 = 1.25;
/// Thin walls make the coarse search so many times finer at most.
const FINEST: f64 = 3.0;
/// Share of a part that the judging layers may lose before the report warns.
const MOST_UNSEEN: f64 = 0.1;

/// The pitch that suits a part's size, mm.
fn by_size_mm(part: &StandIn) -> f64 {
    (part.size_mm() / 100.0).clamp(0.05, 5.0)
}

/// A pose that was judged.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Candidate {
    /// Build direction in body coordinates.
    pub up: Vector,
    /// What it costs.
    pub terms: Terms,
    /// Weighted sum of the terms; less is better.
    pub score: f64,
    /// Whether no other candidate is at least as good in every weighted term and better in one.
    pub front: bool,
    /// Whether it fits the machine and keeps tips off keep-clean facets.
    pub admissible: bool,
}

/// Everything a search found.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Search {
    /// Every direction at coarse pitch.
    pub coarse: Vec<Candidate>,
    /// The best of them at fine pitch, best first.
    pub fine: Vec<Candidate>,
    /// Layer and pixel of the coarse judgement, mm.
    pub coarse_mm: f64,
    /// Layer and pixel of the fine judgement, mm.
    pub fine_mm: f64,
    /// Farthest the coarse stand-in strays from the part, mm.
    pub proxy_error_mm: f64,
}

/// A tilt and what it costs.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Tilt {
    /// Angle from the part's present pose, degrees.
    pub angle_deg: f64,
    /// What it costs.
    pub terms: Terms,
}

impl Orient {
    /// Size of the space in which the part must find its place, mm.
    fn room(&self, machine: &Machine, border_mm: f64) -> Vector {
        let [width_mm, depth_mm] =
            [machine.width_mm, machine.depth_mm].map(|w| w - 2.0 * border_mm);
        Vector::new(width_mm, depth_mm, machine.height_mm - self.lift_mm)
    }

    /// Checks the options against their ranges.
    ///
    /// # Errors
    /// [`Error::Value`] naming the first that is out of its range.
    pub fn validate(&self) -> Result<()> {
        for (place, value, lo, hi, unit) in [
            ("orient.directions", f64::from(self.directions), 1.0, 2e4, ""),
            ("orient.refine", f64::from(self.refine), 1.0, 1e3, ""),
            ("orient.coarse_mm", self.coarse_mm.unwrap_or(1.0), 0.01, 10.0, "mm"),
            ("orient.fine_mm", self.fine_mm.unwrap_or(1.0), 0.01, 10.0, "mm"),
            ("orient.slack", self.slack, 0.0, 1.0, ""),
            ("orient.lift_mm", self.lift_mm, 0.0, 100.0, "mm"),
            ("orient.border_mm", self.border_mm, 0.0, 100.0, "mm"),
        ] {
            check_range(place, value, lo, hi, unit)?;
        }
        self.weights.validate()
    }

    /// Coarse and fine pitch for a part, mm.
    fn pitches(&self, part: &StandIn, wall_mm: f64) -> (f64, f64) {
        let by_size = by_size_mm(part);
        let by_wall = (wall_mm / FINER).clamp(by_size / FINEST, by_size);
        let fine = (self.coarse_mm.unwrap_or(by_size) / 4.0).min(wall_mm / 2.0);
        let fine = self.fine_mm.unwrap_or(fine.max(by_size / 16.0).max(0.02));
        (self.coarse_mm.unwrap_or(by_wall), fine)
    }

    /// Judges directions and returns them all.
    ///
    /// # Errors
    /// [`Error::Value`] for options out of range, [`Error::Limit`] for more than four hours of one
    /// core, [`Error::Pass`] for a part on supports, [`Error::Cancelled`].
    pub fn search(&self, part: &Part, ctx: &Context) -> Result<Search> {
        self.validate()?;
        // Half a million facets take a while before the first direction is judged.
        let exact = StandIn::exact(part);
        let crossed = Crossed::of(&exact, by_size_mm(&exact), &ctx.job)?;
        let (coarse_mm, fine_mm) = self.pitches(&exact, crossed.wall_mm);
        ctx.checkpoint(0.0)?;
        let light = exact.light_enough(coarse_mm / 2.0);
        ctx.checkpoint(0.0)?;
        let fine = 2 * self.refine + 60;
        affordable(
            "orient",
            work(&light, self.directions + 3 * self.refine, coarse_mm)
                + work(&exact, fine, fine_mm),
        )?;
        let part = &part.clone().appraised(self.up, &ctx.job.quiet())?;
        let judge = Judge::new(&exact, part, crossed.volume_mm3, ctx);
        let as_modelled = exact.from_body * part.pose.rotation.inverse() * Vector::z();
        let mut ups = Vec::new();
        directions::add_new(&mut ups, directions::natural(exact.body(), ctx)?);
        directions::add_new(&mut ups, [as_modelled]);
        ctx.checkpoint(0.0)?;
        let even = evenly(self.directions).into_iter();
        let even: Vec<Vector> = even.filter(|d| !directions::near_any(d, &ups)).collect();
        ups.extend(even);
        let scale = choose::Scale::of(&exact, ctx);
        let extremes = Extremes::of(exact.body(), ctx)?;

        let at = |stand: &StandIn, pitch_mm: f64, ups: &[Vector], ctx: &Context| {
            let terms =
                |up: &Vector| judge.terms(&stand.standing(&directions::to_z(up)), up, pitch_mm);
            self.judge_all(ups, &extremes, &scale, ctx, terms)
        };
        let mut coarse = at(&light, coarse_mm, &ups, &ctx.stage("coarse", 0.0, 0.6))?;

        // Directions between the lattice's: half a spacing around the best.
        let spacing = (4.0 * std::f64::consts::PI / f64::from(self.directions)).sqrt().min(0.6);
        let around = self.around_best(&coarse, self.refine as usize / 2 + 1, 0.4 * spacing);
        coarse.extend(at(&light, coarse_mm, &around, &ctx.stage("near the best", 0.6, 0.7))?);
        choose::mark_front(&mut coarse, &self.weights, ctx)?;

        let best = choose::ranked(&coarse, self).into_iter().take(self.refine as usize);
        let ups: Vec<Vector> = best.map(|i| coarse[i].up).collect();
        let mut fine = at(&exact, fine_mm, &ups, &ctx.stage("fine", 0.7, 0.9))?;
        // Then close in on the few best by smaller and smaller turns.
        for (round, (count, share)) in [(4, 0.5), (3, 0.25), (2, 0.12)].into_iter().enumerate() {
            let from = 0.9 + 0.033 * round as f64;
            let around = self.around_best(&fine, count, share * spacing);
            fine.extend(at(
                &exact,
                fine_mm,
                &around,
                &ctx.stage("closing in", from, from + 0.033),
            )?);
        }
        let order = choose::ranked(&fine, self);
        let mut fine: Vec<Candidate> = order.into_iter().map(|i| fine[i].clone()).collect();
        choose::mark_front(&mut fine, &self.weights, ctx)?;
        for c in coarse.iter_mut().chain(&mut fine) {
            c.up = exact.from_body.inverse() * c.up;
        }
        Ok(Search { coarse, fine, coarse_mm, fine_mm, proxy_error_mm: light.error_mm })
    }

    /// Directions at an angle (radians) around each of the few best.
    fn around_best(&self, all: &[Candidate], count: usize, angle: f64) -> Vec<Vector> {
        let best = choose::ranked(all, self).into_iter().take(count);
        best.flat_map(|i| directions::around(&all[i].up, angle)).collect()
    }

    fn judge_all(
        &self,
        ups: &[Vector],
        extremes: &Extremes,
        scale: &choose::Scale,
        ctx: &Context,
        terms: impl Fn(&Vector) -> Result<Terms> + Sync,
    ) -> Result<Vec<Candidate>> {
        let done = AtomicUsize::new(0);
        let room = self.room(&ctx.setup.machine, self.border_mm);
        ups.par_iter()
            .map(|up| {
                ctx.checkpoint(done.fetch_add(1, Ordering::Relaxed) as f64 / ups.len() as f64)?;
                let terms = terms(up)?;
                let clean = !self.spare_clean || terms.clean_contact_mm2 <= 0.0;
                Ok(Candidate {
                    up: *up,
                    terms,
                    score: scale.score(&terms, &self.weights),
                    front: false,
                    admissible: clean && extremes.fit(&directions::to_z(up), &room),
                })
            })
            .collect()
    }

    /// All terms while the part tilts about an axis through it, from its present pose, at the
    /// fine pitch of [`Orient::fine_mm`]. The axis is in plate coordinates; x and y axes tilt from
    /// the horizontal plane.
    ///
    /// # Errors
    /// [`Error::Value`] when the axis is zero, fewer than two steps are asked or an option is out
    /// of range; [`Error::Limit`] as [`Orient::search`]; [`Error::Cancelled`].
    pub fn sweep(
        &self,
        part: &Part,
        axis: Vector,
        from_deg: f64,
        to_deg: f64,
        steps: u32,
        ctx: &Context,
    ) -> Result<Vec<Tilt>> {
        self.validate()?;
        check_range("sweep.from_deg", from_deg, -360.0, 360.0, "degrees")?;
        check_range("sweep.to_deg", to_deg, -360.0, 360.0, "degrees")?;
        check_range("sweep.steps", f64::from(steps), 2.0, 2e3, "")?;
        let axis = nalgebra::Unit::try_new(axis, 1e-9).ok_or_else(|| Error::Value {
            place: "sweep.axis".into(),
            value: "the zero vector".into(),
            expected: "any direction".into(),
        })?;
        let exact = StandIn::exact(part);
        let crossed = Crossed::of(&exact, by_size_mm(&exact), &ctx.job)?;
        let part = &part.clone().appraised(self.up, &ctx.job.quiet())?;
        let judge = Judge::new(&exact, part, crossed.volume_mm3, ctx);
        let (_, pitch_mm) = self.pitches(&exact, crossed.wall_mm);
        affordable("sweep", work(&exact, steps, pitch_mm))?;
        let done = AtomicUsize::new(0);
        (0..steps)
            .into_par_iter()
            .map(|i| {
                ctx.checkpoint(done.fetch_add(1, Ordering::Relaxed) as f64 / f64::from(steps))?;
                let angle_deg =
                    from_deg + (to_deg - from_deg) * f64::from(i) / f64::from(steps - 1);
                let turn = UnitQuaternion::from_axis_angle(&axis, angle_deg.to_radians());
                let rotation = turn * part.pose.rotation * exact.from_body.inverse();
                let up = rotation.inverse() * Vector::z();
                let terms = judge.terms(&exact.standing(&rotation), &up, pitch_mm)?;
                Ok(Tilt { angle_deg, terms })
            })
            .collect()
    }
}

/// About what a facet and a crossing of a row cost while a direction is judged, s of one core.
const COST_S: f64 = 1e-7;
/// Most time of one core, s: a search overnight on a common machine.
const MOST_S: f64 = 4.0 * 3600.0;

/// Facets and crossings of rows that so many directions touch.
fn work(stand: &StandIn, directions: u32, pitch_mm: f64) -> f64 {
    let rows = (stand.size_mm() / pitch_mm).powi(2);
    f64::from(directions) * (stand.body().triangles().len() as f64 + 4.0 * rows)
}

fn affordable(what: &str, work: f64) -> Result<()> {
    if work * COST_S <= MOST_S {
        return Ok(());
    }
    Err(Error::Limit {
        place: what.into(),
        value: (work * COST_S / 360.0).round() / 10.0,
        limit: MOST_S / 3600.0,
        unit: "hours of one core",
        remedy: "judge fewer directions, or raise orient.coarse_mm and orient.fine_mm".into(),
    })
}

impl Pass<Part> for Orient {
    type Out = Part;

    fn name(&self) -> &'static str {
        "orient"
    }

    fn validate(&self) -> Result<()> {
        Orient::validate(self)
    }

    fn apply(&self, part: Part, ctx: &Context) -> Result<Done<Part>> {
        let (part, search) = self.searched(part, ctx)?;
        self.posed(part, &search, ctx)
    }
}

/// Poses that are tried after the best are turned so far from those before, degrees.
const APART_DEG: f64 = 20.0;

impl Orient {
    /// The part in the best pose, and in further ones in the order of their scores, each turned well
    /// away from those before.
    pub(crate) fn poses(&self, part: Part, most: usize, ctx: &Context) -> Result<Vec<Done<Part>>> {
        let (part, mut search) = self.searched(part, ctx)?;
        let near = APART_DEG.to_radians().cos();
        let mut out = Vec::new();
        let mut tried: Vec<Vector> = Vec::new();
        while out.len() < most {
            let far = |c: &Candidate| tried.iter().all(|up| up.dot(&c.up) < near);
            let first = search.fine.first().is_some_and(|c| c.admissible);
            let may = |c: &Candidate| far(c) && (c.admissible || !first);
            let Some(next) = search.fine.iter().position(may) else { break };
            search.fine[..=next].rotate_right(1);
            tried.push(search.fine[0].up);
            out.push(self.posed(part.clone(), &search, ctx)?);
        }
        Ok(out)
    }

    fn searched(&self, part: Part, ctx: &Context) -> Result<(Part, Search)> {
        // Refuse early what cannot be turned.
        part.turned(part.pose.rotation, self.lift_mm)?;
        let part = part.appraised(self.up, &ctx.stage("appearance", 0.0, 0.0).job)?;
        let search = self.search(&part, ctx)?;
        Ok((part, search))
    }

    /// The part in the pose that leads the search, and why.
    fn posed(&self, part: Part, search: &Search, ctx: &Context) -> Result<Done<Part>> {
        let best = &search.fine[0];
        let mut report = Report::new("orient", &part.name);
        let upright = directions::to_z(&best.up);
        let extremes = Extremes::of(&part.body, &ctx.quiet())?;
        let turn = [self.border_mm, 0.0].into_iter().find_map(|border_mm| {
            extremes.turn_to_fit(&upright, &self.room(&ctx.setup.machine, border_mm))
        });
        if turn.is_none() {
            let m = &ctx.setup.machine;
            let size =
                part.body.bounds_at(&Pose::from_parts(Translation3::identity(), upright)).size();
            report.findings.push(
                Finding::new(
                    FindingCode::TooLarge,
                    Severity::Fault,
                    &part.name,
                    format!(
                        "no pose fits the machine's {} × {} × {} mm",
                        m.width_mm, m.depth_mm, m.height_mm
                    ),
                )
                .measured(size.max(), m.height_mm.max(m.width_mm), "mm")
                .remedy("cut the part, scale it, or use a larger machine"),
            );
        }
        if self.spare_clean && best.terms.clean_contact_mm2 > 0.0 {
            report.findings.push(
                Finding::new(
                    FindingCode::KeepClean,
                    Severity::Warning,
                    &part.name,
                    "no pose that fits keeps tips off all keep-clean facets",
                )
                .measured(best.terms.clean_contact_mm2, 0.0, "mm²")
                .remedy("mark fewer facets, or accept marks and sand them"),
            );
        }
        if best.terms.unseen > MOST_UNSEEN {
            let said = format!(
                "{:.0} % of the part is thinner than the {:.3} mm at which its pose was judged",
                100.0 * best.terms.unseen,
                search.fine_mm
            );
            report.findings.push(
                Finding::new(FindingCode::Unseen, Severity::Warning, &part.name, said)
                    .measured(best.terms.unseen, MOST_UNSEEN, "")
                    .remedy("set orient.coarse_mm and orient.fine_mm below its thinnest walls"),
            );
        }
        if let Some(seen) = &part.appearance {
            let scale = choose::Scale::of(&StandIn::exact(&part), ctx);
            report.words.insert("why".into(), why::words(search, self, &scale, seen));
            report.words.insert("upright".into(), seen.words());
        }
        for (name, value) in TERMS.iter().zip(best.terms.values()) {
            report.number(name, value);
        }
        report.number("score", best.score);
        report.number("directions", search.coarse.len() as f64);
        report.number("coarse_mm", search.coarse_mm);
        report.number("fine_mm", search.fine_mm);
        report.number("proxy_error_mm", search.proxy_error_mm);
        let rotation = turn.unwrap_or_else(UnitQuaternion::identity) * upright;
        let part = part.turned(rotation, self.lift_mm)?;
        Ok(Done { value: part, report })
    }
}
