//! Mechanics: pure functions of bare numbers, each with formula, source, units and range.
//!
//! Forces are N, lengths mm, moduli and strengths MPa, pressures kPa, viscosity Pa·s. Numbers
//! outside a function's stated range give a number without meaning or NaN, never a panic; what
//! needs a structure to be sound ([`frame`], [`tips`]) returns an error instead. The marks of the
//! sources: *published* was read in the source, *from memory* was not and must be checked before
//! it is cited, *derived* is arithmetic from the formula beside it, *common practice* has no
//! source. `docs/mechanics` repeats formula, range, mark and test for each.

pub mod adhesion;
pub mod bar;
pub mod cure;
pub mod flow;
pub mod frame;
pub mod light;
pub mod optics;
pub mod peel;
pub mod sag;
pub mod springback;
pub mod suction;
pub mod time;
pub mod tips;

/// Standard atmosphere, kPa: no film can be pulled off harder than the air pushes it on.
/// At 1500 m of altitude it is about 16 % less, so the cap errs on the safe side.
pub const ATMOSPHERE_KPA: f64 = 101.325;

/// Gravity, m/s²; it varies by place from 9.78 to 9.83, so three digits are what there is.
pub const GRAVITY_M_S2: f64 = 9.81;

/// Pa·s in N·s/mm², the unit in which viscosity meets mm and N.
fn n_s_mm2(viscosity_pa_s: f64) -> f64 {
    viscosity_pa_s * 1e-6
}

/// kPa in N/mm².
fn mpa(pressure_kpa: f64) -> f64 {
    pressure_kpa * 1e-3
}
