//! The structure proven at every layer ([`crate::structure`]): what falls short grows until it holds
//! or cannot grow any more.

use super::probe::Probe;
use super::{Support, trees};
use crate::context::Context;
use crate::error::Result;
use crate::part::Supports;
use crate::structure::{self, Assessment, Body, History, Judge, Use};
use std::collections::BTreeSet;

/// Rounds of growing and judging again what was strained too much, and of looking at all of it.
const ROUNDS: usize = 6;
const LOOKS: usize = 3;
/// Use of a limit that rounding alone may bring about.
pub(super) const TOLERATED: f64 = 1.005;
/// Use that growing aims at: thicker bars draw more load.
const AIM: f64 = 0.95;
/// How much thicker than asked members and necks may grow.
const THICKEST: f64 = 2.0;
const WIDEST_NECK: f64 = 1.75;

/// What came of it.
#[derive(Debug, Default)]
pub(super) struct Proof {
    pub(super) assessment: Assessment,
    /// Members and necks made thicker.
    pub(super) grown: usize,
}

/// Tips beyond their limit, worst first.
pub(super) fn beyond(tips: &[Use]) -> Vec<(usize, Use)> {
    let mut over: Vec<(usize, Use)> =
        tips.iter().copied().enumerate().filter(|t| t.1.ratio > 1.0).collect();
    over.sort_by(|a, b| b.1.ratio.total_cmp(&a.1.ratio).then(a.0.cmp(&b.0)));
    over
}

/// Judges, grows and judges again.
///
/// # Errors
/// [`Error::Cancelled`](crate::Error::Cancelled).
pub(super) fn prove(
    s: &mut Supports,
    body: &Body<'_>,
    o: &Support,
    probe: &Probe,
    ctx: &Context,
) -> Result<Proof> {
    let history = History::of(body, Some(s), &ctx.job)?;
    let judge = Judge::new(*body, &history, &ctx.setup, &ctx.job);
    let all: Vec<u32> = (0..history.stages.len() as u32).collect();
    let mut grown = BTreeSet::new();
    // What grows is judged in the stages that strain something too much; then all are looked at
    // again, since thicker bars draw more load.
    for _ in 0..LOOKS {
        let mut found = judge.supports(s, &all)?;
        let strained = |u: &&Use| u.ratio > AIM;
        let uses = found.tips.iter().chain(&found.landings).chain(&found.members);
        let hot: BTreeSet<u32> = uses.filter(strained).map(|u| u.stage).collect();
        let hot: Vec<u32> = hot.into_iter().collect();
        let before = grown.len();
        let mut changed = false;
        for _ in 0..ROUNDS {
            if !grow(s, &found, o, probe, &mut grown) {
                break;
            }
            changed = true;
            found = judge.supports(s, &hot)?;
        }
        if !changed || (grown.len() == before && before > 0) {
            break;
        }
    }
    let assessed = |s: &Supports| {
        let (setup, job) = (&ctx.setup, &ctx.job);
        let mut assessment = structure::assess(body, &history, Some(s), setup, job)?;
        structure::lose_tips(body, &history, s, &mut assessment, setup, job)?;
        Ok(assessment)
    };
    let mut assessment: Assessment = assessed(s)?;
    let over = |uses: &[Use]| uses.iter().any(|u| u.ratio > 1.0);
    let short =
        assessment.stiffen > 1.0 || over(&assessment.lost) || over(&assessment.lost_members);
    if short && grow(s, &assessment, o, probe, &mut grown) {
        assessment = assessed(s)?;
    }
    Ok(Proof { assessment, grown: grown.len() })
}

/// Thickens what falls short; whether anything could.
fn grow(
    s: &mut Supports,
    a: &Assessment,
    o: &Support,
    probe: &Probe,
    grown: &mut BTreeSet<usize>,
) -> bool {
    let mut changed = false;
    // Stiffness against the pull goes with the area of straight columns.
    let stiffer = a.stiffen.sqrt();
    let hardest = |all: &[Use], lost: &[Use], i: usize| {
        let of_lost = lost.get(i).map_or(0.0, |u| u.ratio);
        all[i].ratio.max(of_lost)
    };
    for i in 0..s.members.len() {
        let used = hardest(&a.members, &a.lost_members, i);
        // Bending stress falls with d³, the buckling load rises with d⁴.
        let factor = if used > 1.0 { (used / AIM).cbrt() } else { 1.0 }.max(stiffer);
        let m = &s.members[i];
        let wanted = (m.diameter_mm * factor).min(THICKEST * o.column_mm);
        if wanted <= m.diameter_mm * 1.001 {
            continue;
        }
        let (p, q) = (s.nodes[m.a as usize], s.nodes[m.b as usize]);
        if probe.clear(&p, &q, wanted / 2.0 + o.gap_mm) {
            s.members[i].diameter_mm = wanted;
            grown.insert(i);
            changed = true;
        }
    }
    let first = s.members.len();
    let of_tips = (0..s.tips.len()).map(|i| hardest(&a.tips, &a.lost, i));
    let used: Vec<f64> = of_tips.chain(a.landings.iter().map(|u| u.ratio)).collect();
    let necks = s.tips.iter_mut().chain(&mut s.landings);
    for (i, (tip, used)) in necks.zip(used).enumerate() {
        let wanted = (tip.diameter_mm * (used / AIM).sqrt()).min(WIDEST_NECK * o.tip_mm);
        if used > 1.0 && wanted > tip.diameter_mm * 1.001 {
            tip.diameter_mm = wanted;
            grown.insert(first + i);
            changed = true;
        }
    }
    trees::never_thinner_below(s);
    changed
}
