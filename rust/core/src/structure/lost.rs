//! Redundancy: what becomes of a piece when any one of its tips fails.

use super::assess::{Assessment, outermost};
use super::demand::{Demand, Use};
use super::frame::{SupportFrame, Wrench};
use super::stages::{Body, Case, History};
use crate::error::{Error, Result};
use crate::job::Job;
use crate::mesh::Point;
use crate::part::Supports;
use crate::setup::Setup;
use rayon::prelude::*;

/// What hangs on so little a section, and rises so little above its lowest tip, is a speck: one tip
/// may hold it, mm² and mm.
const SPECK_MM2: f64 = 5.0;
const SPECK_HIGH_MM: f64 = 3.0;
/// Anything larger hangs on so many tips at least.
pub(crate) const STOOL: usize = 3;
/// So many tips of a stage are taken away, the hardest worked ones.
const TAKEN: usize = 8;

/// Whether a piece is more than a speck, so that it must hold when one of its tips fails.
pub(crate) fn asks_redundancy(area_mm2: f64, above_lowest_tip_mm: f64) -> bool {
    area_mm2 > SPECK_MM2 || above_lowest_tip_mm > SPECK_HIGH_MM
}

/// What becomes of a stage when one of its tips goes.
#[derive(Default)]
struct Lost {
    /// By layer, the hardest work of what is left.
    layers: Vec<(u32, Use)>,
    /// By tip of the stage, how hard it works after another one has gone.
    tips: Vec<Use>,
    /// By member.
    members: Vec<Use>,
    /// Where the piece hangs on too few.
    few: Option<(u32, Point, usize)>,
}

/// Takes away, one after the other, the hardest worked tips of every stage that holds more than a
/// speck, and tells the assessment what the others bear then.
///
/// # Errors
/// [`Error::Cancelled`].
pub(crate) fn lose_tips(
    body: &Body<'_>,
    history: &History,
    s: &Supports,
    assessment: &mut Assessment,
    setup: &Setup,
    job: &Job,
) -> Result<()> {
    let mut cases: Vec<Vec<&Case>> = vec![Vec::new(); history.stages.len()];
    for case in &history.cases {
        if let Some(stage) = case.stage {
            cases[stage as usize].push(case);
        }
    }
    let tips = &assessment.tips;
    let found = cases
        .par_iter()
        .enumerate()
        .map(|(stage, cases)| {
            job.go_on()?;
            lost(body, history, s, tips, (stage as u32, cases), setup, job)
        })
        .collect::<Result<Vec<Lost>>>()?;
    assessment.lost = vec![Use::default(); s.tips.len()];
    assessment.lost_members = vec![Use::default(); s.members.len()];
    for (of_stage, stage) in found.into_iter().zip(&history.stages) {
        for (&tip, used) in stage.tips.iter().zip(of_stage.tips) {
            assessment.lost[tip as usize].keep(used);
        }
        let members = assessment.lost_members.iter_mut().zip(of_stage.members);
        members.for_each(|(kept, used)| kept.keep(used));
        for (layer, used) in of_stage.layers {
            assessment.layers[layer as usize].lost.keep(used);
        }
        assessment.few.extend(of_stage.few);
    }
    Ok(())
}

fn lost(
    body: &Body<'_>,
    history: &History,
    s: &Supports,
    uses: &[Use],
    (stage, cases): (u32, &[&Case]),
    setup: &Setup,
    job: &Job,
) -> Result<Lost> {
    let (grid, at) = (&body.survey.grid, &history.stages[stage as usize]);
    let held: Vec<Point> = at.tips.iter().map(|&t| s.tips[t as usize].contact).collect();
    let lowest_mm = held.iter().map(|p| p.z).fold(f64::INFINITY, f64::min);
    let large = |c: &&&Case| asks_redundancy(c.area_mm2, grid.z_mm(c.layer) - lowest_mm);
    let cases: Vec<&Case> = cases.iter().filter(large).copied().collect();
    let mut out = Lost::default();
    let Some(first) = cases.first() else { return Ok(out) };
    if held.len() < STOOL {
        out.few = Some((first.layer, held[0], held.len()));
        return Ok(out);
    }
    let r = &setup.resin;
    let model = SupportFrame::new(s, &at.tips, &at.landings, r.green_modulus_mpa, r.poisson);
    let solved = match model.solved() {
        Ok(solved) => solved,
        // No sound structure with all its tips: told already.
        Err(Error::Structure { .. }) => return Ok(out),
        Err(other) => return Err(other),
    };
    let demand = Demand::LostTip;
    let limit = demand.limit_mpa(setup);
    let whole = solved.response();
    let pulls: Vec<(usize, Use, Wrench)> = cases
        .iter()
        .enumerate()
        .map(|(i, case)| {
            let layer = case.layer;
            let blank = Use { limit, layer, demand, stage, alone: true, ..Use::default() };
            (i, blank, whole.pulled(case.pull))
        })
        .collect();
    out.tips = vec![Use::default(); held.len()];
    out.members = vec![Use::default(); s.members.len()];
    let hardest = outermost(&pulls);
    let mut order: Vec<usize> = (0..held.len()).collect();
    let ratio = |t: usize| uses[at.tips[t] as usize].ratio;
    order.sort_by(|&a, &b| ratio(b).total_cmp(&ratio(a)).then(a.cmp(&b)));
    for &gone in order.iter().take(TAKEN) {
        job.go_on()?;
        let Some(left) = solved.without(gone)? else {
            out.few = Some((first.layer, held[gone], held.len()));
            continue;
        };
        for &i in &hardest {
            let (_, blank, load) = &pulls[i];
            let mut worst = Use::default();
            for (t, strain) in left.necks(load).enumerate().filter(|n| n.0 != gone) {
                let value = strain.greatest_mpa();
                let used = Use { ratio: value / limit, value, place: Some(held[t]), ..*blank };
                out.tips[t].keep(used);
                worst.keep(used);
            }
            for (i, m) in s.members.iter().enumerate() {
                let value = left.member(i, load).greatest_mpa();
                let place = Some(nalgebra::center(&s.nodes[m.a as usize], &s.nodes[m.b as usize]));
                let used = Use { ratio: value / limit, value, place, ..*blank };
                out.members[i].keep(used);
                worst.keep(used);
            }
            out.layers.push((blank.layer, worst));
        }
    }
    Ok(out)
}
