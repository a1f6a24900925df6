//! The evidence: what every mode of failure reads, computed once.

use super::adhesion::{self, Bond};
use super::island::Floats;
use super::lift;
use super::overhang_span::{self, Ledge};
use super::profile::Profile;
use super::thickness::Lines;
use crate::context::Context;
use crate::error::Result;
use crate::layers::{Cup, Grid, Layers, Scan, Survey};
use crate::mechanics::peel::Pull;
use crate::mechanics::{suction, time};
use crate::part::{Part, Role};
use crate::setup::Setup;
use crate::structure::{self, Assessment, Body, Confidence, History, LayerUse, Load};

/// Layers, survey and loads of one part.
#[derive(Debug)]
pub struct Evidence<'a> {
    /// The part.
    pub part: &'a Part,
    /// How the work runs, and the workshop's numbers.
    pub ctx: &'a Context,
    /// Everything that will be printed.
    pub printed: Layers,
    /// What hangs together in `printed`.
    pub survey: Survey,
    /// Body and lattice alone, where supports or a raft make that something else.
    bare: Option<(Layers, Survey)>,
    /// What the film does to each region of [`Evidence::body_survey`].
    pub loads: Vec<Load>,
    /// By layer, the peel of supports and raft.
    pub(super) added: Vec<Pull>,
    /// Numbers by layer.
    pub profile: Profile,
    pub(super) floats: Floats,
    pub(super) ledges: Vec<Ledge>,
    pub(super) lines: Lines,
    pub(super) assessment: Assessment,
    /// Tips that touch nothing.
    pub(super) loose_tips: Vec<u32>,
    pub(super) bond: Bond,
    pub(super) confidence: Option<Confidence>,
}

/// Roles that make up the body's own section.
const BODY: [Role; 2] = [Role::Body, Role::Lattice];

impl<'a> Evidence<'a> {
    /// Scans the part at the printer's pixel and reads what the modes need.
    ///
    /// # Errors
    /// As [`inspect`](super::inspect).
    pub fn gather(part: &'a Part, ctx: &'a Context) -> Result<Evidence<'a>> {
        let (layer_mm, pixel_mm) = (ctx.setup.exposure.layer_mm, ctx.setup.machine.pixel_mm);
        // Each step tells the listener its name, so that its share of the time can be seen.
        let step = |name: &str, at: f64| ctx.stage(name, at, at).checkpoint(0.0);
        step("scan", 0.0)?;
        let surfaces = part.surfaces(&Role::ALL);
        let grid = Grid::around(&surfaces, layer_mm, pixel_mm)?;
        let printed = Scan::new(&surfaces, grid).layers(&ctx.job)?;
        step("survey", 0.3)?;
        let survey = Survey::of(&printed, &ctx.job)?;
        let bare = if part.supports.is_some() || part.raft.is_some() {
            let body = Scan::new(&part.surfaces(&BODY), grid).layers(&ctx.job)?;
            let survey = Survey::of(&body, &ctx.job)?;
            Some((body, survey))
        } else {
            None
        };
        let mut evidence = Evidence {
            part,
            ctx,
            floats: Floats::of(&survey),
            printed,
            survey,
            bare,
            loads: Vec::new(),
            added: Vec::new(),
            profile: Profile::default(),
            ledges: Vec::new(),
            lines: Lines::default(),
            assessment: Assessment::default(),
            loose_tips: Vec::new(),
            bond: Bond::default(),
            confidence: None,
        };
        step("loads", 0.5)?;
        let (survey, body) = (evidence.body_survey(), evidence.body());
        evidence.loads =
            structure::loads(part, survey, body, evidence.voids(), &ctx.setup, &ctx.job)?;
        let (printed, body) = (&evidence.printed.layers, evidence.body());
        evidence.added = structure::added_pulls(printed, body, &ctx.setup, &ctx.job)?;
        step("standing", 0.7)?;
        let grounded = evidence.grounded();
        let history =
            History::of(&evidence.structure(&grounded), part.supports.as_deref(), &ctx.job)?;
        evidence.assessment = evidence.assess(&grounded, &history)?;
        evidence.bond = adhesion::bond(&evidence);
        let bond_kpa: Vec<f64> = evidence.bond.tension.iter().map(|t| t.0).collect();
        let (body, job) = (evidence.structure(&grounded), &ctx.job);
        evidence.confidence = structure::confidence(
            &body,
            &history,
            &evidence.assessment,
            &bond_kpa,
            &ctx.setup,
            job,
        )?;
        evidence.loose_tips = history.loose;
        evidence.profile = profile(&evidence);
        step("ledges", 0.8)?;
        evidence.ledges = overhang_span::find(&evidence)?;
        step("lines", 0.9)?;
        evidence.lines = Lines::of(&evidence)?;
        Ok(evidence)
    }

    /// The part as what stands and hangs.
    fn structure<'b>(&'b self, grounded: &'b [bool]) -> Body<'b> {
        Body { layers: self.body(), survey: self.body_survey(), loads: &self.loads, grounded }
    }

    fn assess(&self, grounded: &[bool], history: &History) -> Result<Assessment> {
        let (supports, body) = (self.part.supports.as_deref(), self.structure(grounded));
        let (setup, job) = (self.setup(), &self.ctx.job);
        let mut assessment = structure::assess(&body, history, supports, setup, job)?;
        if let Some(s) = supports {
            structure::lose_tips(&body, history, s, &mut assessment, setup, job)?;
        }
        Ok(assessment)
    }

    /// Which regions of the body lie on the plate or on the raft.
    fn grounded(&self) -> Vec<bool> {
        let survey = self.body_survey();
        let mut out = vec![false; survey.regions.len()];
        if self.grid().layers == 0 {
            return out;
        }
        out[survey.regions_of(0)].fill(true);
        let Some(raft) = &self.part.raft else { return out };
        // The first layers above the raft are within a layer of its top.
        let top = (raft.plan.top_mm() / self.grid().layer_mm).ceil() as u32 + 1;
        for k in 1..top.min(self.grid().layers) {
            let base = self.printed.layer(k - 1).minus(self.body().layer(k - 1));
            let pieces = self.body().layer(k).pieces(self.grid());
            for (r, piece) in survey.regions_of(k).zip(&pieces) {
                out[r] = !piece.intersection(&base).is_empty();
            }
        }
        out
    }

    /// The workshop's numbers.
    pub fn setup(&self) -> &Setup {
        &self.ctx.setup
    }

    /// Where layers, rows and pixels lie.
    pub fn grid(&self) -> &Grid {
        &self.survey.grid
    }

    /// Body and lattice without supports and raft.
    pub fn body(&self) -> &Layers {
        self.bare.as_ref().map_or(&self.printed, |b| &b.0)
    }

    /// What hangs together in [`Evidence::body`].
    pub fn body_survey(&self) -> &Survey {
        self.bare.as_ref().map_or(&self.survey, |b| &b.1)
    }

    /// Voids that count: larger than the noise of overlapping shells, and not mere openings in
    /// the raft, into which the film bends (common practice, no source).
    pub fn voids(&self) -> impl Iterator<Item = &Cup> {
        let raft_mm = self.part.raft.as_ref().map_or(0.0, |r| r.plan.top_mm());
        let raft_layers = (raft_mm / self.grid().layer_mm).round() as u32;
        self.survey.cups.iter().filter(move |c| {
            c.volume_mm3 >= self.setup().limits.noise_mm3
                && c.opens_at.is_none_or(|k| k > raft_layers)
        })
    }
}

fn profile(e: &Evidence<'_>) -> Profile {
    let n = e.grid().layers;
    let mut sealed = vec![0.0; n as usize];
    for &(k, area) in e.voids().flat_map(|c| &c.sealed) {
        sealed[k as usize] += area;
    }
    let peel = |k: u32| {
        let body = e.loads[e.body_survey().regions_of(k)].iter();
        body.map(|l| l.peel.force_n).sum::<f64>() + e.added[k as usize].force_n
    };
    let use_of = |kind: fn(&LayerUse) -> f64| e.assessment.layers.iter().map(kind).collect();
    let vented = |k: u32| {
        e.loads[e.body_survey().regions_of(k)].iter().map(|l| l.vented.force_n).sum::<f64>()
    };
    Profile {
        z_mm: (1..=n).map(|k| f64::from(k) * e.grid().layer_mm).collect(),
        clock_s: (1..=n).map(|k| time::print_of(e.setup(), k)).collect(),
        section_mm2: e.survey.sections.iter().map(|s| s.area_mm2).collect(),
        peel_n: (0..n).map(peel).collect(),
        suction_n: (0..n)
            .map(|k| suction::sealed_force_n(sealed[k as usize]) + vented(k))
            .collect(),
        sealed_mm2: sealed,
        tip_use: use_of(|l| l.neck.ratio),
        bar_use: use_of(|l| l.bar.ratio),
        column_use: use_of(|l| l.buckling.ratio),
        section_use: use_of(|l| l.section.ratio),
        bond_use: if e.bond.tension.is_empty() {
            vec![0.0; n as usize]
        } else {
            e.bond.tension.iter().map(|t| t.0 / e.bond.limit_kpa).collect()
        },
        missed: use_of(|l| l.missed.ratio),
        pull_limit_n: lift::limit_n(&e.setup().machine),
    }
}
