//! Time: a masked-light machine needs the same time for a layer whatever is on it.

use crate::setup::Setup;

/// Time a layer spends moving and waiting, s: m = lift/v_up + return/v_down + pauses, the way
/// back being as long as the lift. Acceleration is left out: well under a tenth of a second at
/// usual speeds.
///
/// ```
/// use vatwright::mechanics::time::motion_s;
/// assert!((motion_s(5.0, 1.0, 2.5, 1.0) - 8.0).abs() < 1e-12);
/// ```
pub fn motion_s(lift_mm: f64, up_mm_s: f64, down_mm_s: f64, pauses_s: f64) -> f64 {
    lift_mm / up_mm_s + lift_mm / down_mm_s + pauses_s
}

/// Time of a whole print, s: T = N_b(t_eb + m) + N(t_e + m) (derived), of `layers` in all the
/// first ones being over-exposed.
pub fn print_s(
    layers: u32,
    exposure_s: f64,
    first_layers: u32,
    first_exposure_s: f64,
    motion_s: f64,
) -> f64 {
    let first = first_layers.min(layers);
    f64::from(first) * (first_exposure_s + motion_s)
        + f64::from(layers - first) * (exposure_s + motion_s)
}

/// [`motion_s`] of a setup.
pub fn motion_of(setup: &Setup) -> f64 {
    let m = &setup.machine;
    motion_s(m.lift_mm, m.lift_speed_mm_s, m.return_speed_mm_s, m.settle_s + m.pause_s)
}

/// Time from the start until the given number of layers is done, s.
pub fn print_of(setup: &Setup, layers: u32) -> f64 {
    let e = &setup.exposure;
    print_s(layers, e.exposure_s, e.first_layers, e.first_exposure_s, motion_of(setup))
}
