//! Confidence: for what share of the constants that a setup's intervals admit everything holds.
//!
//! Nothing is solved anew. A pull of the film goes with the peel law drawn and the strength that it
//! is held against with the strength drawn; what a neck or bar bears goes with the whole pull of the
//! piece that hangs there, what a section of the part bears with that of the layer's most affected
//! piece (the safe side), the bond with the pull of the layer.
//! The press on the way back grows slower than viscosity does, so the factor of viscosity is an upper
//! bound where it is above 1; below, the press counts as it is. Draws are judged at safety 1: what
//! constants may be is in their intervals. Spring-back, sag and lost tips are judged with the
//! nominal constants alone.

use super::assess::Assessment;
use super::demand::{Demand, Use};
use super::loads::Load;
use super::stages::{Body, Case, History};
use crate::error::Result;
use crate::job::Job;
use crate::layers::Region;
use crate::mechanics::peel::{Model, compactness};
use crate::setup::{Setup, drawn, names};
use rayon::prelude::*;
use serde::{Deserialize, Serialize};

/// So many setups are drawn: shares are right to about 2 %.
const DRAWS: usize = 256;

/// How sure it is that a part holds, as far as constants are known.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Confidence {
    /// Share of the admissible constants for which everything holds, 0–1.
    pub share: f64,
    /// The constant whose measurement would settle most; none where all or nothing holds.
    pub settles: Option<String>,
}

/// The pull on a region as a drawn setup has it, N.
fn pull_n(load: &Load, region: &Region, model: &Model, nominal: &Setup, drawn: &Setup) -> f64 {
    let thicker = drawn.resin.viscosity_pa_s / nominal.resin.viscosity_pa_s;
    let peel = model.force_n(region.area_mm2, compactness(region.area_mm2, load.torsion_mm4));
    peel + load.suction.force_n + load.vented.force_n * thicker
}

/// The pull on a region with the setup's own numbers, N.
fn nominal_n(load: &Load) -> f64 {
    load.pulls().iter().map(|p| p.force_n).sum()
}

/// The safety with which nominal constants are to be held so that a share of all admissible ones
/// holds at safety 1, for the region of the greatest pull; none without intervals.
pub(crate) fn safety_for(
    share: f64,
    regions: &[Region],
    loads: &[Load],
    setup: &Setup,
) -> Option<f64> {
    if names(setup).is_empty() {
        return None;
    }
    let nominal = |i: &usize| nominal_n(&loads[*i]);
    let greatest = (0..loads.len())
        .max_by(|a, b| nominal(a).total_cmp(&nominal(b)))
        .filter(|i| nominal(i) > 0.0)?;
    let mut asked: Vec<f64> = drawn(setup, DRAWS)
        .iter()
        .map(|d| {
            let (load, region) = (&loads[greatest], &regions[greatest]);
            let pull = pull_n(load, region, &Model::of(&d.setup), setup, &d.setup);
            let pull = pull / nominal(&greatest);
            pull * setup.resin.green_strength_mpa / d.setup.resin.green_strength_mpa
        })
        .collect();
    asked.sort_unstable_by(f64::total_cmp);
    let at = (share * DRAWS as f64).ceil() as usize;
    Some(asked[at.clamp(1, DRAWS) - 1])
}

/// How sure it is that what was assessed holds, with the tension at the plate by layer, kPa; none
/// without intervals.
///
/// # Errors
/// [`Error::Cancelled`](crate::Error::Cancelled).
pub(crate) fn confidence(
    body: &Body<'_>,
    history: &History,
    assessment: &Assessment,
    bond_kpa: &[f64],
    setup: &Setup,
    job: &Job,
) -> Result<Option<Confidence>> {
    let names = names(setup);
    if names.is_empty() {
        return Ok(None);
    }
    let mut pieces: Vec<Vec<&Case>> = vec![Vec::new(); assessment.layers.len()];
    for case in &history.cases {
        pieces[case.layer as usize].push(case);
    }
    let nominal: Vec<f64> = body.loads.iter().map(nominal_n).collect();
    let draws = drawn(setup, DRAWS);
    let holds = draws
        .par_iter()
        .map(|d| {
            job.go_on()?;
            Ok(holds(body, &pieces, &nominal, assessment, bond_kpa, [setup, &d.setup]))
        })
        .collect::<Result<Vec<bool>>>()?;
    let held = holds.iter().filter(|h| **h).count();
    let mean = |k: usize, which: bool| {
        let of = || draws.iter().zip(&holds).filter(|d| *d.1 == which).map(|d| d.0.at[k]);
        of().sum::<f64>() / of().count() as f64
    };
    let apart = |k: &usize| (mean(*k, true) - mean(*k, false)).abs();
    let settles = (held > 0 && held < DRAWS)
        .then(|| (0..names.len()).max_by(|a, b| apart(a).total_cmp(&apart(b))))
        .flatten();
    let share = held as f64 / DRAWS as f64;
    Ok(Some(Confidence { share, settles: settles.map(|k| names[k].clone()) }))
}

/// Whether everything holds with a drawn setup; `before` is what pulls on each region with the
/// nominal one.
fn holds(
    body: &Body<'_>,
    pieces: &[Vec<&Case>],
    before: &[f64],
    assessment: &Assessment,
    bond_kpa: &[f64],
    [nominal, setup]: [&Setup; 2],
) -> bool {
    let model = Model::of(setup);
    let regions = body.loads.iter().zip(&body.survey.regions);
    let after: Vec<f64> =
        regions.map(|(load, region)| pull_n(load, region, &model, nominal, setup)).collect();
    let strength_mpa = setup.resin.green_strength_mpa;
    let stiffer = setup.resin.green_modulus_mpa / nominal.resin.green_modulus_mpa;
    let pressed = (setup.resin.viscosity_pa_s / nominal.resin.viscosity_pa_s).max(1.0);
    assessment.layers.iter().enumerate().all(|(k, used)| {
        let factor = |of: &mut dyn Iterator<Item = u32>| {
            let (mut nominal, mut drawn) = (0.0, 0.0);
            for i in of {
                nominal += before[i as usize];
                drawn += after[i as usize];
            }
            if nominal > 0.0 { drawn / nominal } else { 1.0 }
        };
        let of_piece = |c: &&Case| factor(&mut c.regions.iter().copied());
        let most = pieces[k].iter().map(of_piece).fold(0.0, f64::max);
        // The piece that hangs on what is worked so.
        let hung = |u: &Use| {
            let own = pieces[k].iter().find(|c| c.stage == Some(u.stage));
            own.map_or(most, of_piece)
        };
        let pulled_mpa = |u: &Use| match u.demand {
            // No pull works it harder than the press does, each by its own limit.
            Demand::Press => u.ratio * Demand::Pull.limit_mpa(nominal),
            _ => u.value,
        };
        let bears = |mpa: f64, by: f64| mpa * by <= strength_mpa;
        let euler_n = used.buckling.limit * nominal.limits.safety * stiffer;
        let all = || body.survey.regions_of(k as u32).map(|r| r as u32);
        [used.neck, used.bar].iter().all(|u| bears(pulled_mpa(u), hung(u)))
            && bears(pulled_mpa(&used.section), most)
            && bears(used.pressed.value, pressed)
            && (used.buckling.value * hung(&used.buckling).max(pressed) <= euler_n
                || used.buckling.value <= 0.0)
            && bond_kpa
                .get(k)
                .is_none_or(|kpa| kpa * factor(&mut all()) <= setup.resin.plate_bond_kpa)
    })
}
