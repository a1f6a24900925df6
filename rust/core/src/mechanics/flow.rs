//! Flow through vents: how much pressure a hole costs, how long a cavity drains, what stays.
//!
//! A vent that is too small is as good as none, and a hole that lets the resin out may still
//! leave a tear hanging in it: both follow from viscosity, surface tension and the bore. Flow of
//! resin through a bore of millimetres is laminar (Reynolds number about 1), so formulas for
//! water jets (Torricelli) give holes far too small.

use super::{GRAVITY_M_S2, mpa, n_s_mm2};
use crate::setup::Resin;
use std::f64::consts::PI;

/// A straight round hole through a wall.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bore {
    /// Diameter, mm.
    pub diameter_mm: f64,
    /// Length through the wall, mm.
    pub length_mm: f64,
}

/// What a liquid does in a hole.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Liquid {
    /// Dynamic viscosity, Pa·s; resins have 0.1–1 (common practice).
    pub viscosity_pa_s: f64,
    /// Density, g/cm³.
    pub density_g_cm3: f64,
    /// Surface tension, mN/m; acrylates have 30–40 (from memory).
    pub surface_tension_mn_m: f64,
}

impl Liquid {
    fn tension_n_mm(self) -> f64 {
        self.surface_tension_mn_m * 1e-6
    }

    fn weight_n_mm3(self) -> f64 {
        self.density_g_cm3 * 1e-6 * GRAVITY_M_S2
    }
}

impl From<&Resin> for Liquid {
    fn from(r: &Resin) -> Liquid {
        Liquid {
            viscosity_pa_s: r.viscosity_pa_s,
            density_g_cm3: r.liquid_g_cm3,
            surface_tension_mn_m: r.surface_tension_mn_m,
        }
    }
}

/// Flow that a rising void of that area asks of its vents, mm³/s: Q = A·V.
pub fn flow_mm3_s(area_mm2: f64, speed_mm_s: f64) -> f64 {
    area_mm2 * speed_mm_s
}

/// Pressure loss of a long tube without its ends, kPa: ΔP = 8ηQL/(πr⁴), Hagen–Poiseuille.
/// For short bores use [`pressure_kpa`]; this is its limit for length ≫ diameter.
pub fn tube_kpa(bore: Bore, flow_mm3_s: f64, viscosity_pa_s: f64) -> f64 {
    let r = bore.diameter_mm / 2.0;
    8e3 * n_s_mm2(viscosity_pa_s) * flow_mm3_s * bore.length_mm / (PI * r.powi(4))
}

/// The bore's length with the loss at its two ends counted as more length, mm: L + 3πr/8.
/// Hagen–Poiseuille plus Sampson's hole in a thin wall; Dagan, Weinbaum & Pfeffer 1982, J. Fluid
/// Mech. 115:505 (from memory) found the sum within 1 % of the exact creeping flow.
pub fn effective_length_mm(bore: Bore) -> f64 {
    bore.length_mm + 3.0 * PI * bore.diameter_mm / 16.0
}

/// Pressure loss of a bore with its ends, kPa: ΔP = (8ηQ/πr⁴)(L + 3πr/8), see
/// [`effective_length_mm`]. Valid for a [`reynolds`] number up to about 10 and bores of any
/// length, zero included.
pub fn pressure_kpa(bore: Bore, flow_mm3_s: f64, viscosity_pa_s: f64) -> f64 {
    let with_ends = Bore { length_mm: effective_length_mm(bore), ..bore };
    tube_kpa(with_ends, flow_mm3_s, viscosity_pa_s)
}

/// Flow that a bore passes per kPa, mm³/(s·kPa). Vents of one cavity work side by side: add
/// theirs up.
pub fn conductance_mm3_s_kpa(bore: Bore, viscosity_pa_s: f64) -> f64 {
    1.0 / pressure_kpa(bore, 1.0, viscosity_pa_s)
}

/// Reynolds number 2ρQ/(πrη) of a bore: above 10 the formulas here begin to understate the
/// pressure, above 2000 they are void.
pub fn reynolds(bore: Bore, flow_mm3_s: f64, liquid: Liquid) -> f64 {
    let r = bore.diameter_mm / 2.0;
    2e-3 * liquid.density_g_cm3 * flow_mm3_s / (PI * r * liquid.viscosity_pa_s)
}

/// Least diameter of a bore of the given length that passes the flow within the pressure, mm.
/// Solves [`pressure_kpa`] for the diameter.
pub fn diameter_for_pressure_mm(
    limit_kpa: f64,
    length_mm: f64,
    flow_mm3_s: f64,
    viscosity_pa_s: f64,
) -> f64 {
    // r⁴ = c(L + κr). Newton from above falls steadily, as r⁴ − c(L + κr) is convex there.
    let c = 8.0 * n_s_mm2(viscosity_pa_s) * flow_mm3_s / (PI * mpa(limit_kpa));
    let k = 3.0 * PI / 8.0;
    let mut r = (c * length_mm).powf(0.25) + (c * k).cbrt();
    for _ in 0..50 {
        let step = (r.powi(4) - c * (length_mm + k * r)) / (4.0 * r.powi(3) - c * k);
        r -= step;
        if step.abs() <= 1e-12 * r {
            break;
        }
    }
    2.0 * r
}

/// Height of resin that a hole holds back against gravity, mm: h = 2γ/(ρgr), the capillary rise
/// of a fully wetted bore. The column counts from the hole's lower mouth.
pub fn retention_mm(diameter_mm: f64, liquid: Liquid) -> f64 {
    let r = diameter_mm / 2.0;
    2.0 * liquid.tension_n_mm() / (liquid.weight_n_mm3() * r)
}

/// Time for the level in a vented cavity to fall from one height above the bore to another, s.
///
/// t = (8ηL_eff·A/(πρgr⁴))·ln[(h0 + L − c)/(h1 + L − c)] with c the capillary head
/// ([`retention_mm`]) when `capillary`, else 0; quasi-static laminar flow (derived). A cavity
/// whose area changes with height: take volume / height as the area. Infinite when capillarity
/// stops the flow before the lower level.
pub fn drain_s(
    area_mm2: f64,
    from_mm: f64,
    to_mm: f64,
    bore: Bore,
    liquid: Liquid,
    capillary: bool,
) -> f64 {
    if from_mm <= to_mm {
        return 0.0;
    }
    let c = if capillary { retention_mm(bore.diameter_mm, liquid) } else { 0.0 };
    let end = to_mm + bore.length_mm - c;
    if end <= 0.0 {
        return f64::INFINITY;
    }
    let r = bore.diameter_mm / 2.0;
    let scale = 8.0 * n_s_mm2(liquid.viscosity_pa_s) * effective_length_mm(bore) * area_mm2
        / (PI * liquid.weight_n_mm3() * r.powi(4));
    scale * ((from_mm + bore.length_mm - c) / end).ln()
}

/// Diameter below which one hole alone can lock itself with air over resin, mm: 3.68·√(γ/ρg),
/// the Rayleigh–Taylor limit of a round hole (from memory; 3.68 is twice the first zero of J₁′).
/// Measured locks reach [`AIR_LOCK_MEASURED_MM`], so below that a cavity needs a second hole.
pub fn air_lock_mm(liquid: Liquid) -> f64 {
    3.68 * (liquid.tension_n_mm() / liquid.weight_n_mm3()).sqrt()
}

/// Diameter up to which air locks of single holes always occurred in measurement, mm
/// (Extrand 2017, Langmuir 33:12903, published: 10–15 mm).
pub const AIR_LOCK_MEASURED_MM: f64 = 10.0;
