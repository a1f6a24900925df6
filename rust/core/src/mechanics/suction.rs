//! Suction of cups: what a void closed against the film adds to the pull of each lift.

use super::{ATMOSPHERE_KPA, flow, mpa};

/// Greatest pull of a sealed cup full of resin, N: F = p_atm·A. The film would have to leave a
/// vacuum behind; real films leak or stretch before, so this is an upper bound.
///
/// ```
/// use vatwright::mechanics::suction::sealed_force_n;
/// assert!((sealed_force_n(100.0) - 10.1325).abs() < 1e-9); // one atmosphere on 1 cm²
/// ```
pub fn sealed_force_n(area_mm2: f64) -> f64 {
    mpa(ATMOSPHERE_KPA) * area_mm2
}

/// Pressure drop of trapped gas that is stretched by a swept volume, kPa:
/// ΔP = p0(1 − V0/(V0 + A·δ)), Boyle's law (derived). Without gas it is one atmosphere as soon
/// as anything is swept.
pub fn gas_kpa(gas_mm3: f64, swept_mm3: f64) -> f64 {
    if swept_mm3 <= 0.0 {
        return 0.0;
    }
    ATMOSPHERE_KPA * swept_mm3 / (gas_mm3.max(0.0) + swept_mm3)
}

/// Pull of a sealed cup that holds gas, N, after the part has moved by `travel_mm` more than the
/// film: [`gas_kpa`] over its area, at most [`sealed_force_n`].
pub fn gas_force_n(area_mm2: f64, gas_mm3: f64, travel_mm: f64) -> f64 {
    mpa(gas_kpa(gas_mm3, area_mm2 * travel_mm)) * area_mm2
}

/// Pressure difference of a vented cup while it lifts, kPa: what its vents need to pass A·V, at
/// most one atmosphere. `conductance_mm3_s_kpa` is the sum over the vents
/// ([`flow::conductance_mm3_s_kpa`]); 0 means sealed.
pub fn vented_kpa(area_mm2: f64, speed_mm_s: f64, conductance_mm3_s_kpa: f64) -> f64 {
    if area_mm2 <= 0.0 || speed_mm_s <= 0.0 {
        return 0.0;
    }
    (flow::flow_mm3_s(area_mm2, speed_mm_s) / conductance_mm3_s_kpa).min(ATMOSPHERE_KPA)
}

/// Pull of a vented cup while it lifts, N: [`vented_kpa`] over its area.
pub fn vented_force_n(area_mm2: f64, speed_mm_s: f64, conductance_mm3_s_kpa: f64) -> f64 {
    mpa(vented_kpa(area_mm2, speed_mm_s, conductance_mm3_s_kpa)) * area_mm2
}
