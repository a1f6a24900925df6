//! The part's own strength: what passes through its sections on the way from the layer that is being
//! pulled to what holds it.
//!
//! Below a cut the part falls into groups that hang together without what is above. What a group
//! hands up through the cut is the sum of what its tips and landings do to it: statics alone, once
//! the frame has said how the load shares out. Groups that stand on plate or raft take what is
//! left, as one section together: legs are counted as tied to each other, which many thin ones are
//! not. A section bears force and bending, |N|/A + M·y/I up to the corner of its box, which is the
//! safe side for all but boxes; what leans is taken as it is cut, level.

use super::demand::{Demand, Use};
use super::frame::Held;
use super::stages::{Body, Case, History, Section, aside};
use crate::mechanics::peel::Pull;
use crate::mesh::{Point, Vector};
use crate::setup::Setup;
use rayon::prelude::*;
use std::collections::BTreeMap;

/// Cuts are weighed once in so much height, at the weakest layer in it, mm.
const BAND_MM: f64 = 0.5;
/// So near above a contact the part gives way like the neck itself, which is judged, and hands its
/// share on to others; sections there are not, mm.
const GROWN_IN_MM: f64 = 1.0;

/// The sections that the hardest pulls pass through on their way down.
#[derive(Debug)]
pub(crate) struct Cuts {
    /// For each case that is followed its sections.
    below: BTreeMap<usize, Vec<Cut>>,
    grounded: Vec<u32>,
}

impl Cuts {
    /// Follows, of every piece, the hardest pull in each band of height.
    pub(crate) fn of(body: &Body<'_>, history: &History) -> Cuts {
        let band = band(body);
        let mut best: BTreeMap<(u32, u32), usize> = BTreeMap::new();
        for (i, case) in history.cases.iter().enumerate() {
            if case.stage.is_none() && !case.grounded {
                continue;
            }
            let piece = history.joined.root(case.regions[0], case.layer);
            let kept = best.entry((piece, case.layer / band)).or_insert(i);
            if case.pull.force_n > history.cases[*kept].pull.force_n {
                *kept = i;
            }
        }
        let picked: Vec<usize> = best.into_values().collect();
        let cuts: Vec<_> =
            picked.par_iter().map(|&i| below(body, history, &history.cases[i])).collect();
        let grounded = (0..body.grounded.len()).filter(|&r| body.grounded[r]);
        Cuts {
            below: picked.into_iter().zip(cuts).collect(),
            grounded: grounded.map(|r| r as u32).collect(),
        }
    }

    /// The sections below a case, if it is followed.
    pub(crate) fn below(&self, case: usize) -> Option<&[Cut]> {
        self.below.get(&case).map(Vec::as_slice)
    }
}

fn band(body: &Body<'_>) -> u32 {
    (BAND_MM / body.survey.grid.layer_mm).ceil().max(1.0) as u32
}

/// A section that a load passes through.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Cut {
    layer: u32,
    /// The region that stands for the group below.
    group: u32,
    section: Section,
}

/// The weakest section of every group in every band below a case.
fn below(body: &Body<'_>, history: &History, case: &Case) -> Vec<Cut> {
    let (survey, band) = (body.survey, band(body));
    let mut out: BTreeMap<(u32, u32), Cut> = BTreeMap::new();
    let mut level = case.regions.clone();
    for layer in (0..case.layer).rev() {
        let mut next: Vec<u32> = level.iter().flat_map(|&r| survey.below(r)).collect();
        next.sort_unstable();
        next.dedup();
        level = next;
        if level.is_empty() {
            break;
        }
        let mut groups: Vec<(u32, u32)> =
            level.iter().map(|&r| (history.joined.root(r, layer), r)).collect();
        groups.sort_unstable();
        for regions in groups.chunk_by(|a, b| a.0 == b.0) {
            let section = Section::of(regions.iter().map(|r| &survey.regions[r.1 as usize]));
            let cut = Cut { layer, group: regions[0].0, section };
            let kept = out.entry((layer / band, cut.group)).or_insert(cut);
            if cut.section.area_mm2 < kept.section.area_mm2 {
                *kept = cut;
            }
        }
    }
    out.into_values().collect()
}

/// What one load asks of the sections of a piece that hangs on tips.
pub(crate) fn hanging(
    body: &Body<'_>,
    history: &History,
    case: &Case,
    cuts: &[Cut],
    held: &[Held],
    demand: Demand,
    setup: &Setup,
) -> Vec<Use> {
    let grid = &body.survey.grid;
    let grown_in = (GROWN_IN_MM / grid.layer_mm).ceil() as u32;
    let judged = cuts.iter().filter_map(|cut| {
        let own = held.iter().filter(|h| history.joined.root(h.region, cut.layer) == cut.group);
        let top = own.clone().map(|h| body.survey.regions[h.region as usize].layer).max()?;
        if top + grown_in > cut.layer {
            return None;
        }
        let at = cut.section.middle(grid.z_mm(cut.layer));
        let (mut force_n, mut moment) = (0.0, Vector::zeros());
        for h in own {
            let [fx, fy, fz, mx, my, mz] = h.wrench;
            let force = Vector::new(fx, fy, fz);
            force_n += fz;
            moment += Vector::new(mx, my, mz) + (h.at - at).cross(&force);
        }
        Some(cut.section.used(force_n, [moment.x, moment.y], case.layer, at, demand, setup))
    });
    judged.collect()
}

/// What a layer's load asks of the sections of a piece that stands on plate or raft.
pub(crate) fn standing(
    body: &Body<'_>,
    history: &History,
    case: &Case,
    below: &[Cut],
    cuts: &Cuts,
    setup: &Setup,
) -> Vec<Use> {
    let grid = &body.survey.grid;
    // Groups of one layer that stand bear together.
    let mut levels: BTreeMap<u32, Vec<&Cut>> = BTreeMap::new();
    for cut in below {
        let stands = |&g: &u32| history.joined.root(g, cut.layer) == cut.group;
        if cuts.grounded.iter().any(stands) {
            levels.entry(cut.layer / band(body)).or_default().push(cut);
        }
    }
    let judged = levels.into_values().map(|cuts| {
        let section = Section::joined(cuts.iter().map(|c| &c.section));
        let at = section.middle(grid.z_mm(cuts[0].layer));
        let used = |demand: Demand, pull: Pull| {
            let moment = [pull.force_n * (pull.y_mm - at.y), -pull.force_n * (pull.x_mm - at.x)];
            section.used(pull.force_n, moment, case.layer, at, demand, setup)
        };
        let mut worst = used(Demand::Pull, case.pull);
        for (demand, pull) in case.fronts() {
            worst.keep(used(demand, pull));
        }
        let height_mm = grid.z_mm(case.layer) - at.z;
        for pull in aside(case.pull, height_mm, setup) {
            worst.keep(used(Demand::Side, pull));
        }
        worst
    });
    judged.collect()
}

impl Section {
    fn middle(&self, z_mm: f64) -> Point {
        Point::new(self.centroid_mm[0], self.centroid_mm[1], z_mm)
    }

    /// Force along z and moments about x and y through the centroid, over what it may bear.
    fn used(
        &self,
        force_n: f64,
        [mx, my]: [f64; 2],
        layer: u32,
        place: Point,
        demand: Demand,
        setup: &Setup,
    ) -> Use {
        let limit = demand.limit_mpa(setup);
        let value = self.stress_mpa(force_n, [mx, my]);
        let (ratio, place, alone) = (value / limit, Some(place), true);
        Use { ratio, value, limit, place, layer, demand, stage: 0, alone }
    }

    /// Greatest stress under a force along z and moments about x and y through the centroid, MPa:
    /// |N|/A + bending about both axes with the full tensor (any strength-of-materials book), at
    /// the worst corner of the section's box.
    pub(crate) fn stress_mpa(&self, force_n: f64, [mx, my]: [f64; 2]) -> f64 {
        let [xx, yy, xy] = self.moments_mm4;
        let det = xx * yy - xy * xy;
        let (sx, sy) = ((-my * yy - mx * xy) / det, (mx * xx + my * xy) / det);
        let c = self.centroid_mm;
        let mut bending = 0.0_f64;
        for x in [self.min_mm[0], self.max_mm[0]] {
            for y in [self.min_mm[1], self.max_mm[1]] {
                bending = bending.max((sx * (x - c[0]) + sy * (y - c[1])).abs());
            }
        }
        force_n.abs() / self.area_mm2 + bending
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    /// A rectangle b × h in a corner of the plane: N/A + 6M/bh² (any strength-of-materials book,
    /// from memory), and the two bendings add up at a corner.
    #[test]
    fn a_rectangle_bends_as_in_the_book() {
        let (b, h) = (2.0, 3.0);
        let section = Section {
            area_mm2: b * h,
            centroid_mm: [11.0, 21.5],
            moments_mm4: [h * b * b * b / 12.0, b * h * h * h / 12.0, 0.0],
            min_mm: [10.0, 20.0],
            max_mm: [12.0, 23.0],
        };
        let (about_x, about_y) = (6.0 * 4.0 / (b * h * h), 6.0 * 5.0 / (h * b * b));
        assert_relative_eq!(section.stress_mpa(-3.0, [0.0, 0.0]), 0.5);
        assert_relative_eq!(section.stress_mpa(3.0, [4.0, 0.0]), 0.5 + about_x);
        assert_relative_eq!(section.stress_mpa(3.0, [4.0, 5.0]), 0.5 + about_x + about_y);
    }
}
