//! Settling: how far every region still is from its layer when the light comes.
//!
//! Before the light each region presses resin out of its gap, and what holds it gives way. The
//! machine's arm is one spring for everything in the vat: what settles at the same time shares it as
//! it resists. So what a part settles on is kept apart from what else settles, and a whole plate is
//! let settle without building its parts anew.

use super::demand::Use;
use super::limb::Limb;
use super::stages::{Body, History};
use crate::mechanics::springback;
use crate::mesh::Point;
use crate::setup::Setup;

/// Beyond this a longer pause is the better cure than thicker columns.
const MOST_STIFFER: f64 = 2.0;

/// What the regions of a part settle on.
#[derive(Debug, Default)]
pub(crate) struct Settling {
    seats: Vec<Seat>,
    /// Number of the survey's regions.
    regions: usize,
    layer_mm: f64,
    /// By layer, how the part resists being pressed through resin, mm⁴.
    pub(crate) resists_mm4: Vec<f64>,
}

/// What a region settles on.
#[derive(Debug)]
struct Seat {
    region: u32,
    layer: u32,
    /// The regions it stands on.
    below: Vec<u32>,
    place: Point,
    torsion_mm4: f64,
    /// The same of all regions of its piece in the layer.
    piece_mm4: f64,
    /// Stiffness of the supports under the piece, N/mm.
    supports_n_mm: f64,
    /// How far its limb bends, mm/N.
    limb_mm_n: f64,
}

/// How a part settled.
#[derive(Debug)]
pub(crate) struct Settled {
    /// By layer, the part of the layer by which it turns out too thick.
    pub(crate) missed: Vec<Use>,
    /// Settle pause that would keep every layer within the limit, s.
    pub(crate) settle_s: f64,
    /// Factor on the supports' stiffness that would do the same, where that is worth it: at most
    /// [`MOST_STIFFER`], else 1.
    pub(crate) stiffen: f64,
}

impl Settling {
    /// Gathers it, given the stiffness of what is under each case, N/mm.
    pub(super) fn of(
        body: &Body<'_>,
        history: &History,
        supports_n_mm: &[f64],
        setup: &Setup,
    ) -> Settling {
        let survey = body.survey;
        let mut limbs = vec![Limb::default(); survey.regions.len()];
        let mut tipped = vec![false; survey.regions.len()];
        history.tip_region.iter().flatten().for_each(|&r| tipped[r as usize] = true);
        let resists = |k| body.loads[survey.regions_of(k)].iter().map(|l| l.torsion_mm4).sum();
        let mut out = Settling {
            seats: Vec::with_capacity(survey.regions.len()),
            regions: survey.regions.len(),
            layer_mm: survey.grid.layer_mm,
            resists_mm4: (0..survey.grid.layers).map(resists).collect(),
        };
        for (case, &supports_n_mm) in history.cases.iter().zip(supports_n_mm) {
            for &region in &case.regions {
                let i = region as usize;
                if !body.grounded[i] && !tipped[i] {
                    let modulus_mpa = setup.resin.green_modulus_mpa;
                    limbs[i] = Limb::of(region, survey, &limbs, modulus_mpa);
                }
            }
            // What hangs on nothing, or on nothing sound, has nothing to settle on; that is told
            // apart.
            if (!case.grounded && case.stage.is_none()) || supports_n_mm <= 0.0 {
                continue;
            }
            out.seats.extend(case.regions.iter().map(|&region| {
                let i = region as usize;
                Seat {
                    region,
                    layer: case.layer,
                    below: survey.below(region).collect(),
                    place: survey.regions[i].place(&survey.grid),
                    torsion_mm4: body.loads[i].torsion_mm4,
                    piece_mm4: case.torsion_mm4,
                    supports_n_mm,
                    limb_mm_n: limbs[i].bend_mm_n(&survey.regions[i]),
                }
            }));
        }
        out
    }

    /// Lets every region settle before the light: the gap left is its layer. `all_mm4` is, by layer,
    /// how everything that settles at the same time resists, this part included.
    pub(crate) fn settle(&self, all_mm4: &[f64], setup: &Setup) -> Settled {
        let (m, r) = (&setup.machine, &setup.resin);
        let (h, limit) = (self.layer_mm, setup.limits.missed_layer);
        let mut out =
            Settled { missed: vec![Use::default(); all_mm4.len()], settle_s: 0.0, stiffen: 1.0 };
        // How far machine, supports and limb still give way when the light comes, mm.
        let mut lag_mm = vec![0.0; self.regions];
        for seat in &self.seats {
            let all = all_mm4[seat.layer as usize];
            let arm_share = if all > 0.0 { seat.piece_mm4 / all } else { 1.0 };
            let arm = m.frame_stiffness_n_mm * arm_share;
            let base = springback::series_stiffness_n_mm(&[arm, seat.supports_n_mm]);
            // The regions of a piece share what holds it as they resist.
            let share = if seat.piece_mm4 > 0.0 { seat.torsion_mm4 / seat.piece_mm4 } else { 1.0 };
            let springs = [base * share, seat.limb_mm_n.recip()];
            let stiffness = springback::series_stiffness_n_mm(&springs);
            let before = seat.below.iter().map(|&b| lag_mm[b as usize]).fold(0.0, f64::max);
            // What holds it presses on from the layers before: the gap heads for less than a layer.
            let gap = springback::gap_left_mm(
                seat.torsion_mm4,
                h - before,
                m.settle_s,
                r.viscosity_pa_s,
                stiffness,
            );
            let ratio = (gap - h) / h;
            lag_mm[seat.region as usize] = (before + gap - h).max(0.0);
            let (place, layer) = (Some(seat.place), seat.layer);
            let missed = Use { ratio, value: ratio, limit, place, layer, ..Use::default() };
            out.missed[layer as usize].keep(missed);
            if layer >= setup.exposure.first_layers && ratio > limit {
                let damping = springback::damping_n_s_mm(seat.torsion_mm4, h, r.viscosity_pa_s);
                let tau = springback::time_constant_s(damping, stiffness);
                let unit_s = springback::settle_for_s(limit, 1.0);
                out.settle_s = out.settle_s.max(unit_s * tau);
                // What the supports' own spring would have to be, beside those of arm and limb.
                let wanted = damping * unit_s / m.settle_s.max(1e-9);
                let rest = 1.0 / wanted - seat.limb_mm_n - 1.0 / (arm * share);
                let factor = 1.0 / (rest * share * seat.supports_n_mm);
                if rest > 0.0 && factor <= MOST_STIFFER {
                    out.stiffen = out.stiffen.max(factor);
                }
            }
        }
        out
    }
}
