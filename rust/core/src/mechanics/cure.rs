//! Cure: how deep light hardens resin and how far it goes on behind an overhang. What it does
//! sideways is [`light`](super::light).
//!
//! The working curve's two constants differ several-fold between laboratories for one resin batch
//! (Kolibaba et al. 2024, Addit. Manuf. 84:104082, published), so measure them on the machine.

/// Dose, mJ/cm²: irradiance (mW/cm²) times time (s).
pub fn dose_mj_cm2(irradiance_mw_cm2: f64, time_s: f64) -> f64 {
    irradiance_mw_cm2 * time_s
}

/// Depth to which a dose cures, mm: Cd = Dp·ln(E/Ec), 0 below the critical dose. Jacobs 1992 (from
/// memory); Gibson, Rosen & Stucker, ch. 4 (published). Valid where light follows Beer–Lambert.
///
/// ```
/// use vatwright::mechanics::cure::depth_mm;
/// assert!((depth_mm(std::f64::consts::E * 6.0, 0.12, 6.0) - 0.12).abs() < 1e-12); // e·Ec cures Dp deep
/// ```
pub fn depth_mm(dose_mj_cm2: f64, penetration_mm: f64, critical_mj_cm2: f64) -> f64 {
    (penetration_mm * (dose_mj_cm2 / critical_mj_cm2).ln()).max(0.0)
}

/// Dose that cures to a depth, mJ/cm²: the inverse of [`depth_mm`].
pub fn dose_for_depth_mj_cm2(depth_mm: f64, penetration_mm: f64, critical_mj_cm2: f64) -> f64 {
    critical_mj_cm2 * (depth_mm / penetration_mm).exp()
}

/// How far cured resin reaches beyond a face that looks towards the plate, mm, once `layers`
/// layers have been exposed behind it:
/// d = Dp·ln[(E0/Ec)(1 − e^(−Nh/Dp))/(e^(h/Dp) − 1)], doses adding up, 0 where nothing cures
/// (derived; compare Limaye & Rosen 2007, from memory). Infinite `layers` give the limit.
pub fn print_through_mm(
    layers: f64,
    layer_mm: f64,
    dose_mj_cm2: f64,
    penetration_mm: f64,
    critical_mj_cm2: f64,
) -> f64 {
    let x = layer_mm / penetration_mm;
    let sum = -(-layers * x).exp_m1() / x.exp_m1();
    depth_mm(dose_mj_cm2 * sum, penetration_mm, critical_mj_cm2)
}
