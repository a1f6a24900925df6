//! Check: what would fail, layer by layer and with numbers, before anything is printed.
//!
//! [`inspect`] gathers the [`Evidence`] once (layers, survey, loads) and asks every mode of
//! failure in [`MODES`] for its [`Finding`]s. A mode that lacks an input says so in a finding
//! instead of passing. A *fault* will fail as it stands; a *warning* may; a *note* is worth
//! knowing. What keeps within the limit that it prints is a note and nothing graver, and the notes
//! of one mode are one finding with their number.

mod adhesion;
mod columns;
mod confidence;
mod cup;
mod cure;
mod evidence;
mod first_layer_flare;
mod gap;
mod island;
mod keep_clean;
mod lift;
mod overhang;
mod overhang_span;
mod plate;
mod pocket;
mod profile;
mod redundancy;
mod retained_resin;
mod sag;
mod size;
mod springback;
mod strength;
mod thickness;
mod thin;
mod tips;
mod unprinted;
mod vat;
mod watch;

pub use crate::structure::{Confidence, Load};
pub use evidence::Evidence;
pub(crate) use island::tiny_mm2;
pub use overhang_span::Reach;
pub use plate::inspect_plate;
pub use profile::{Profile, ProfileSteps};
pub(crate) use redundancy::of as redundancy_of;

use crate::codes::FindingCode;
use crate::context::Context;
use crate::error::Result;
use crate::finding::{Done, Finding, Moment, Report, Severity};
use crate::options::options;
use crate::part::Part;
use crate::pass::Pass;
use crate::structure::{Assessment, Settling};
use rayon::prelude::*;
use serde::{Deserialize, Serialize};
use std::cmp::Reverse;

/// A way to fail.
#[derive(Clone, Debug)]
pub struct Mode {
    /// What its findings carry as their code.
    pub code: FindingCode,
    /// Looks for it.
    pub find: fn(&Evidence<'_>) -> Result<Vec<Finding>>,
}

macro_rules! modes {
    ($($module:ident $code:ident),*) => {
        /// Every mode that reads the layers, in the order of reports. Size is judged before them:
        /// what does not fit is not scanned.
        pub const MODES: &[Mode] =
            &[$(Mode { code: FindingCode::$code, find: $module::find }),*];
    };
}
modes!(
    unprinted Unprinted, cup Cup, pocket Pocket, retained_resin RetainedResin, island Island,
    overhang Overhang, sag Sag, thin Thin, gap Gap, cure Cure, first_layer_flare FirstLayerFlare,
    adhesion Adhesion, tips Tips, columns Columns, redundancy Redundancy, strength Strength,
    confidence Confidence, lift Lift,
    springback Springback, vat Vat, keep_clean KeepClean
);

/// What the check found.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Checked {
    /// Everything there is to say, gravest first.
    pub findings: Vec<Finding>,
    /// Layer by layer.
    pub profile: Profile,
    /// How sure it is that what holds the part does, where the setup has intervals.
    pub confidence: Option<Confidence>,
    /// How hard the supports work.
    pub uses: SupportUses,
    /// The few moments worth pausing to look, because a risk steps up there.
    pub watch: Vec<Moment>,
}

/// How hard each neck and bar of the supports ever works, over all layers and load cases: 1 at its
/// limit. In the order of the supports' own lists.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct SupportUses {
    /// Necks of tips.
    pub tips: Vec<f64>,
    /// Necks of landings.
    pub landings: Vec<f64>,
    /// Columns and braces, buckling included.
    pub members: Vec<f64>,
}

impl SupportUses {
    fn of(a: &Assessment) -> SupportUses {
        let [tips, landings, members] =
            [&a.tips, &a.landings, &a.members].map(|uses| uses.iter().map(|u| u.ratio).collect());
        SupportUses { tips, landings, members }
    }
}

impl Checked {
    /// The gravest severity found.
    pub fn worst(&self) -> Option<Severity> {
        self.findings.iter().map(|f| f.severity).max()
    }

    /// The findings and the profile's totals and peaks as a report on a part or plate of that name.
    pub fn into_report(self, name: &str) -> Report {
        let mut report = Report::new("check", name);
        self.profile.summary(&mut report);
        if !self.profile.is_empty() {
            let steps = serde_json::to_value(self.profile.steps()).ok();
            report.data.extend(steps.map(|steps| ("profile".into(), steps)));
        }
        if let Some(confidence) = &self.confidence {
            report.number("holds_share", confidence.share);
        }
        report.findings = self.findings;
        report
    }
}

/// Findings of one kind listed singly; beyond that they are only counted.
const LISTED: usize = 25;

/// Looks at a part for every way to fail.
///
/// A part that does not fit the machine gets that finding alone: the rest is judged once it fits.
///
/// # Errors
/// [`Error::Value`](crate::Error::Value) or [`Error::Limit`](crate::Error::Limit) when the layer
/// grid cannot be made, [`Error::Cancelled`](crate::Error::Cancelled).
///
/// ```
/// use vatwright::{Context, FindingCode, Part, Pose, Setup, Solid, check, mesh::{Mesh, shapes::cuboid}};
/// # let mut setup = Setup::default();
/// # (setup.exposure.layer_mm, setup.machine.pixel_mm) = (0.1, 0.1); // quick to run
/// let ctx = Context::new(setup);
/// // A beam held up by nothing over a block.
/// let beam = cuboid(8.0, 1.0, 1.0)?.transformed(&Pose::translation(0.0, 0.0, 4.0));
/// let both = Mesh::concat("signal", &[cuboid(2.0, 2.0, 2.0)?.into(), beam]);
/// let found = check::inspect(&Part::new(Solid::try_from(both)?), &ctx)?.findings;
/// assert!(found.iter().any(|f| f.code == FindingCode::Island));
/// # Ok::<(), vatwright::Error>(())
/// ```
pub fn inspect(part: &Part, ctx: &Context) -> Result<Checked> {
    Ok(look(part, ctx)?.0)
}

/// The same, with what the part settles on, so that it can be let settle beside others.
fn look(part: &Part, ctx: &Context) -> Result<(Checked, Settling)> {
    let misfits = size::find(part, &ctx.setup);
    if misfits.iter().any(|f| f.severity == Severity::Fault) {
        let checked = Checked { findings: misfits, ..Checked::default() };
        return Ok((checked, Settling::default()));
    }
    let stage = ctx.stage("layers", 0.0, 0.7);
    let evidence = Evidence::gather(part, &stage)?;
    let found = MODES.par_iter().map(|m| (m.find)(&evidence)).collect::<Result<Vec<_>>>()?;
    let mut findings = misfits;
    found.into_iter().for_each(|of_mode| findings.extend(shortened(of_mode)));
    findings.sort_by_key(|f| Reverse(f.severity));
    ctx.checkpoint(1.0)?;
    let watch = watch::moments(&evidence.profile, &findings, &ctx.setup);
    let uses = SupportUses::of(&evidence.assessment);
    let Evidence { profile, confidence, assessment, .. } = evidence;
    Ok((Checked { findings, profile, confidence, uses, watch }, assessment.settling))
}

/// Keeps the gravest findings of a mode and counts the others; its notes become one.
fn shortened(mut findings: Vec<Finding>) -> Vec<Finding> {
    findings.sort_by_key(|f| Reverse(f.severity));
    let notes = findings.split_off(findings.partition_point(|f| f.severity > Severity::Note));
    let (n, value) = (notes.len(), |f: &Finding| f.value.unwrap_or(0.0));
    // The first of equals, so that the order of findings decides and nothing else.
    if let Some(mut note) = notes.into_iter().rev().max_by(|a, b| value(a).total_cmp(&value(b))) {
        if n > 1 {
            note.message = format!("{} ({n} of this kind, this is the largest)", note.message);
        }
        findings.push(note);
    }
    if findings.len() > LISTED {
        let rest = findings.split_off(LISTED);
        let first = &rest[0];
        findings.push(Finding::new(
            first.code.clone(),
            first.severity,
            &first.part,
            format!("{} more of the same kind", rest.len()),
        ));
    }
    findings
}

options! {
    /// The check. As a step of a recipe it hands the part on unchanged.
    pub struct Check at "check" {}
}

impl Pass<Part> for Check {
    type Out = Part;

    fn name(&self) -> &'static str {
        "check"
    }

    fn apply(&self, part: Part, ctx: &Context) -> Result<Done<Part>> {
        let report = inspect(&part, ctx)?.into_report(&part.name);
        Ok(Done { value: part, report })
    }
}
