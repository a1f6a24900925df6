//! Confidence: for what share of the constants that a setup's intervals admit everything holds.
//!
//! Nothing is solved anew. A pull of the film goes with the peel law drawn and the strength that it
//! is held against with the strength drawn; what a layer's hardest worked member bears under a pull
//! goes with the pull of the layer's most affected region (the safe side: others there grow less).
//! The press on the way back grows slower than viscosity does, so the factor of viscosity is an upper
//! bound where it is above 1; below, the press counts as it is. Draws are judged at safety 1: what
//! constants may be is in their intervals. Spring-back, sag and lost tips are judged with the
//! nominal constants alone.

use super::assess::Assessment;
use super::demand::{Demand, Use};
use super::loads::Load;
use super::stages::Body;
use crate::error::Result;
use crate::job::Job;
use crate::layers::Region;
use crate::mechanics::peel::{Model, compactness};
use crate::setup::{DrawnSetup, Setup, drawn, names};
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

/// How a drawn setup changes a region's load over the nominal one, at a nominal pull above zero.
fn pull_factor(load: &Load, region: &Region, model: &Model, nominal: &Setup, drawn: &Setup) -> f64 {
    let of = |pull: crate::mechanics::peel::Pull| pull.force_n;
    let all = of(load.peel) + of(load.suction) + of(load.vented);
    if all <= 0.0 {
        return 1.0;
    }
    let compact = compactness(region.area_mm2, load.torsion_mm4);
    let thicker = drawn.resin.viscosity_pa_s / nominal.resin.viscosity_pa_s;
    let peel = model.force_n(region.area_mm2, compact);
    (peel + of(load.suction) + of(load.vented) * thicker) / all
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
    let pull = |i: &usize| loads[*i].pulls().iter().map(|p| p.force_n).sum::<f64>();
    let greatest = (0..loads.len()).max_by(|a, b| pull(a).total_cmp(&pull(b)))?;
    let mut asked: Vec<f64> = drawn(setup, DRAWS)
        .iter()
        .map(|d| {
            let model = Model::of(&d.setup);
            let pull = pull_factor(&loads[greatest], &regions[greatest], &model, setup, &d.setup);
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
    assessment: &Assessment,
    bond_kpa: &[f64],
    setup: &Setup,
    job: &Job,
) -> Result<Option<Confidence>> {
    let names = names(setup);
    if names.is_empty() {
        return Ok(None);
    }
    let draws = drawn(setup, DRAWS);
    let holds = draws
        .par_iter()
        .map(|d| {
            job.go_on()?;
            Ok(holds(body, assessment, bond_kpa, setup, d))
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

fn holds(
    body: &Body<'_>,
    assessment: &Assessment,
    bond_kpa: &[f64],
    nominal: &Setup,
    drawn: &DrawnSetup,
) -> bool {
    let setup = &drawn.setup;
    let (model, survey) = (Model::of(setup), body.survey);
    let strength_mpa = setup.resin.green_strength_mpa;
    let stiffer = setup.resin.green_modulus_mpa / nominal.resin.green_modulus_mpa;
    let pressed = (setup.resin.viscosity_pa_s / nominal.resin.viscosity_pa_s).max(1.0);
    assessment.layers.iter().enumerate().all(|(k, used)| {
        let of_layer = survey.regions_of(k as u32);
        let factor = of_layer
            .map(|i| pull_factor(&body.loads[i], &survey.regions[i], &model, nominal, setup))
            .fold(0.0, f64::max);
        let bears = |mpa: f64, by: f64| mpa * by <= strength_mpa;
        let pulled_mpa = |u: &Use| match u.demand {
            // No pull works it harder than the press does, each by its own limit.
            Demand::Press => u.ratio * Demand::Pull.limit_mpa(nominal),
            _ => u.value,
        };
        let euler_n = used.buckling.limit * nominal.limits.safety * stiffer;
        [used.neck, used.bar, used.section].iter().all(|u| bears(pulled_mpa(u), factor))
            && bears(used.pressed.value, pressed)
            && used.buckling.value * factor.max(pressed) <= euler_n.max(f64::MIN_POSITIVE)
            && bond_kpa.get(k).is_none_or(|kpa| kpa * factor <= setup.resin.plate_bond_kpa)
    })
}
