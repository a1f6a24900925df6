//! How wide a hole must be, by flow.

use super::Vent;
use crate::mechanics::flow::{self, Bore, Liquid};
use crate::setup::Setup;

/// Part of a cavity's height that must run out by itself, against the capillary head that holds
/// the rest; washing takes what stays (common practice, no source).
const DRAINED: f64 = 0.5;
/// A level this close to what capillarity holds counts as drained, mm: the last millimetre takes
/// for ever.
const LAST_MM: f64 = 1.0;

/// Resin to be drained from above a hole.
#[derive(Clone, Copy, Debug)]
pub(super) struct Pool {
    pub(super) volume_mm3: f64,
    pub(super) height_mm: f64,
}

/// Diameter that keeps the pressure of a lifting void at its limit, mm.
pub(super) fn air_mm(area_mm2: f64, length_mm: f64, setup: &Setup) -> f64 {
    let flow = flow::flow_mm3_s(area_mm2, setup.machine.lift_speed_mm_s);
    let limit = setup.limits.vent_pressure_kpa;
    flow::diameter_for_pressure_mm(limit, length_mm, flow, setup.resin.viscosity_pa_s)
}

/// Level above the bore down to which a pool counts as drained, mm.
fn drained_mm(bore: Bore, liquid: Liquid) -> f64 {
    (held_mm(bore, liquid) + LAST_MM).max(0.0)
}

/// Level of resin above the bore that capillarity holds, mm.
pub(super) fn held_mm(bore: Bore, liquid: Liquid) -> f64 {
    (flow::retention_mm(bore.diameter_mm, liquid) - bore.length_mm).max(0.0)
}

/// Time for the pool to drain to within a millimetre of what capillarity holds, s.
pub(super) fn drain_s(pool: Pool, bore: Bore, liquid: Liquid) -> f64 {
    let area = pool.volume_mm3 / pool.height_mm.max(LAST_MM);
    flow::drain_s(area, pool.height_mm, drained_mm(bore, liquid), bore, liquid, true)
}

/// Least diameter that drains the pool in time, to a hundredth of a millimetre; infinite when
/// the widest allowed does not.
pub(super) fn drain_mm(pool: Pool, length_mm: f64, options: &Vent, setup: &Setup) -> f64 {
    let liquid = Liquid::from(&setup.resin);
    let drains = |diameter_mm: f64| {
        let bore = Bore { diameter_mm, length_mm };
        held_mm(bore, liquid) <= (1.0 - DRAINED) * pool.height_mm
            && drain_s(pool, bore, liquid) <= setup.limits.drain_s
    };
    let (mut low, mut high) = (options.least_mm, options.most_mm);
    if drains(low) {
        return low;
    }
    if !drains(high) {
        return f64::INFINITY;
    }
    while high - low > 0.01 {
        let middle = 0.5 * (low + high);
        if drains(middle) { high = middle } else { low = middle }
    }
    high
}
