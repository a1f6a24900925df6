//! Single bars: stiffness and strength of one strut, column or tip by closed formulas.
//!
//! Quick answers for sizing, and the truth that the [`super::frame`] is tested against. Beam
//! formulas as in Roark or Timoshenko (from memory); slender bars, small deflections.

use std::f64::consts::PI;

/// Area of a round bar, mm².
pub fn area_mm2(diameter_mm: f64) -> f64 {
    PI * diameter_mm * diameter_mm / 4.0
}

/// Second moment of area of a round bar about a diameter, mm⁴: πd⁴/64.
pub fn inertia_mm4(diameter_mm: f64) -> f64 {
    PI * diameter_mm.powi(4) / 64.0
}

/// Axial stiffness, N/mm: EA/L.
pub fn axial_n_mm(modulus_mpa: f64, diameter_mm: f64, length_mm: f64) -> f64 {
    modulus_mpa * area_mm2(diameter_mm) / length_mm
}

/// Axial stiffness of a cone between two diameters, N/mm: πE·d1·d2/4L.
pub fn taper_axial_n_mm(modulus_mpa: f64, d1_mm: f64, d2_mm: f64, length_mm: f64) -> f64 {
    PI * modulus_mpa * d1_mm * d2_mm / (4.0 * length_mm)
}

/// Stiffness against a sideways load at the free end, N/mm: 3EI/L³.
pub fn cantilever_n_mm(modulus_mpa: f64, diameter_mm: f64, length_mm: f64) -> f64 {
    3.0 * modulus_mpa * inertia_mm4(diameter_mm) / length_mm.powi(3)
}

/// Slope at the free end under a sideways load there, rad: PL²/2EI.
pub fn cantilever_slope(load_n: f64, modulus_mpa: f64, diameter_mm: f64, length_mm: f64) -> f64 {
    load_n * length_mm.powi(2) / (2.0 * modulus_mpa * inertia_mm4(diameter_mm))
}

/// Vertical stiffness of an inclined strut whose head is guided (moves only up and down, does not
/// turn), N/mm: (EA/L)sin²α + (12EI/L³)cos²α with α from the horizontal, degrees.
pub fn inclined_n_mm(modulus_mpa: f64, diameter_mm: f64, length_mm: f64, tilt_deg: f64) -> f64 {
    let (s, c) = tilt_deg.to_radians().sin_cos();
    axial_n_mm(modulus_mpa, diameter_mm, length_mm) * s * s
        + 4.0 * cantilever_n_mm(modulus_mpa, diameter_mm, length_mm) * c * c
}

/// How a bar's ends are held against buckling.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Ends {
    /// One end built in, the other free.
    FixedFree,
    /// Both ends held, free to turn.
    Pinned,
    /// One end built in, the other held but free to turn: a column whose head is a thin tip.
    FixedPinned,
    /// Both ends built in.
    Fixed,
}

impl Ends {
    /// Effective length over length: 2, 1, 0.699, 0.5. The third is π over the first root of
    /// tan x = x.
    pub fn effective_length(self) -> f64 {
        match self {
            Ends::FixedFree => 2.0,
            Ends::Pinned => 1.0,
            Ends::FixedPinned => PI / 4.493_409_457_909_064,
            Ends::Fixed => 0.5,
        }
    }
}

/// Load at which a straight bar buckles, N: Euler's π²EI/(KL)² with K the effective-length factor
/// ([`Ends::effective_length`]). For slender bars; a crooked or young one buckles earlier. Peel
/// pulls supports; it is the way back to the film that presses them.
///
/// ```
/// use vatwright::mechanics::bar::{euler_n, inertia_mm4};
/// let load = euler_n(1000.0, inertia_mm4(1.0), 10.0, 1.0);
/// assert!((load - std::f64::consts::PI.powi(3) * 10.0 / 64.0).abs() < 1e-9);
/// ```
pub fn euler_n(modulus_mpa: f64, inertia_mm4: f64, length_mm: f64, effective_length: f64) -> f64 {
    PI * PI * modulus_mpa * inertia_mm4 / (effective_length * length_mm).powi(2)
}

/// Pull at which a round neck tears, N: σπd²/4.
pub fn neck_n(strength_mpa: f64, diameter_mm: f64) -> f64 {
    strength_mpa * area_mm2(diameter_mm)
}

/// Number of equal necks that carry a centred pull with a safety factor.
pub fn necks_for(pull_n: f64, safety: f64, neck_n: f64) -> u32 {
    (pull_n * safety / neck_n - 1e-9).ceil().max(0.0) as u32 // a hair under is not one more
}
