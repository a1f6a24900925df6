//! What begins in a layer, told so that it means the same at every pitch.
//!
//! Coarse layers see a gentle slope as wide treads, and a thin leaning wall as shreds that no
//! longer meet from layer to layer. Neither is what will print.

use crate::layers::{Overhang, Region, Survey};

/// Number of islands that the layer before could not carry.
pub(super) fn islands(survey: &Survey, over: &[Overhang]) -> usize {
    let hangs = |island: &&u32| {
        let island = &survey.regions[**island as usize];
        let Ok(at) = over.binary_search_by_key(&island.layer, |o| o.layer) else { return false };
        let inside = over[at].regions.iter().filter(|r| within(r, island));
        2.0 * inside.map(|r| r.area_mm2).sum::<f64>() >= island.area_mm2
    };
    survey.islands.iter().filter(hangs).count()
}

fn within(inner: &Region, outer: &Region) -> bool {
    (0..2).all(|i| inner.min_mm[i] >= outer.min_mm[i] && inner.max_mm[i] <= outer.max_mm[i])
}

/// Widest area that would begin in one layer of `layer_mm`, the first layer included, mm².
///
/// A flat begins in one layer, however thin; a slope begins about as much in the next layer again,
/// in proportion to the layers' thickness.
pub(super) fn widest_mm2(survey: &Survey, over: &[Overhang], layer_mm: f64) -> f64 {
    let share = (layer_mm / survey.grid.layer_mm).min(1.0);
    let mut begun = vec![0.0; survey.sections.len() + 2];
    for o in over {
        let areas = o.regions.iter().map(|r| r.area_mm2);
        begun[o.layer as usize + 1] = areas.fold(0.0, f64::max);
    }
    let flat = |around: &[f64]| {
        let slope = around[1].min(around[0].max(around[2]));
        around[1] - slope * (1.0 - share)
    };
    let widest = begun.windows(3).map(flat).fold(0.0, f64::max);
    let section = |k: usize| survey.sections.get(k).map_or(0.0, |s| s.area_mm2);
    // The middle of the first layer lies half a layer up; the section grows to there.
    let growth = (section(1) - section(0)).max(0.0);
    widest.max(section(0) - 0.5 * growth * (1.0 - share))
}
