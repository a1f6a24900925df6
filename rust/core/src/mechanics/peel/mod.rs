//! Peel: the force with which a fresh layer leaves the film.
//!
//! The model of a layer: a measured mean separation stress times its section, with a power for
//! area and one for lift speed and shape, capped by the atmosphere:
//!
//! F = min(σ·A0·(A/A0)ᵃ·(s·V/V0)ⁿ, p_atm·A), with s = J/J_circle the section's [`compactness`].
//!
//! Where it comes from: resin flowing into the gap resists like Stefan's F = 3ηVJ/h³, with J the
//! section's torsion constant, but the film gives way and stores the pull, and then the peak is
//! about √(3ηVJ/C)/h ([`film`]). For a disc √J grows like the area, so a mean stress (a = 1) is
//! what a soft film shows that lets go at once, and J and V enter together with n = ½. Films let
//! go from the edge inwards: measured peaks grow slower than the area (a from 0.2 to 0.7) and
//! slower than the root of speed (n from 0.27 to 0.51). `docs/mechanics/peel.md` has the data and
//! how the defaults were chosen. That stress rises with speed and falls with softer films is
//! published (Wu et al. 2021, 10.1108/rpj-04-2020-0070; Yang et al. 2022,
//! 10.1115/msec2022-85380); the default 20 kPa is common practice with a sweep of 5–60.

pub mod film;
mod section;
mod torsion;

pub use section::Section;
pub use torsion::{Run, torsion_mm4};

use super::{ATMOSPHERE_KPA, mpa, n_s_mm2};
use crate::setup::Setup;
use std::f64::consts::PI;

/// Force to lift a disc off a rigid plane through a thin film of liquid, N: F = 3πηVR⁴/(2h³),
/// Stefan 1874 (published). Valid for gap ≪ radius, while the pressure stays above zero: cap it by
/// [`cap_n`].
///
/// ```
/// use vatwright::mechanics::peel::stefan_force_n;
/// let [near, far] = [0.1, 0.2].map(|gap| stefan_force_n(5.0, gap, 1.0, 0.3));
/// assert!((near / far - 8.0).abs() < 1e-9); // falls with the third power of the gap
/// ```
pub fn stefan_force_n(radius_mm: f64, gap_mm: f64, speed_mm_s: f64, viscosity_pa_s: f64) -> f64 {
    stefan_section_n(PI * radius_mm.powi(4) / 2.0, gap_mm, speed_mm_s, viscosity_pa_s)
}

/// [`stefan_force_n`] for any section by its torsion constant J ([`torsion_mm4`]), N:
/// F = 3ηVJ/h³ (derived: pressure in the gap and Saint-Venant's torsion solve the same Poisson
/// problem).
pub fn stefan_section_n(
    torsion_mm4: f64,
    gap_mm: f64,
    speed_mm_s: f64,
    viscosity_pa_s: f64,
) -> f64 {
    3.0 * n_s_mm2(viscosity_pa_s) * speed_mm_s * torsion_mm4 / gap_mm.powi(3)
}

/// [`stefan_force_n`] for a ring into which resin flows from outside and inside, N:
/// F = (3πηV/2h³)[R2⁴ − R1⁴ − (R2² − R1²)²/ln(R2/R1)] (from memory).
pub fn stefan_ring_n(
    inner_mm: f64,
    outer_mm: f64,
    gap_mm: f64,
    speed_mm_s: f64,
    viscosity_pa_s: f64,
) -> f64 {
    let (a, b) = (inner_mm.powi(2), outer_mm.powi(2));
    let torsion = PI / 2.0 * (b * b - a * a - (b - a).powi(2) / (outer_mm / inner_mm).ln());
    stefan_section_n(torsion, gap_mm, speed_mm_s, viscosity_pa_s)
}

/// Force that drives a straight peel line of width b through a film, N: F = bG/(1 − cosθ), Kendall
/// 1975, J. Phys. D 8:1449 (from memory), with G the energy of adhesion, J/m², and θ the angle
/// between film and part. For an inextensible film under steady peel.
pub fn kendall_force_n(width_mm: f64, energy_j_m2: f64, angle_deg: f64) -> f64 {
    width_mm * energy_j_m2 * 1e-3 / (1.0 - angle_deg.to_radians().cos())
}

/// Greatest force between a section and the film, N: p_atm·A; beyond it the resin would have to
/// carry tension.
pub fn cap_n(area_mm2: f64) -> f64 {
    mpa(ATMOSPHERE_KPA) * area_mm2
}

/// A section's torsion constant relative to a circle of its area, J/(A²/2π): 1 for a circle, which
/// is the greatest, towards 0 for slender sections (hexagon 0.969, square 0.883, triangle 0.726).
pub fn compactness(area_mm2: f64, torsion_mm4: f64) -> f64 {
    if area_mm2 <= 0.0 {
        return 0.0;
    }
    (2.0 * PI * torsion_mm4 / (area_mm2 * area_mm2)).clamp(0.0, 1.0)
}

/// What one machine's film does: the model at the head of this page with its numbers.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Model {
    /// Mean separation stress of a compact section of the reference area at the reference speed, kPa.
    pub stress_kpa: f64,
    /// The reference area A0, mm².
    pub area_mm2: f64,
    /// The exponent a of area, 0–1.
    pub area_exponent: f64,
    /// Lift speed over the speed at which that stress was measured.
    pub speed_ratio: f64,
    /// The exponent n of speed and compactness, 0–1.
    pub speed_exponent: f64,
}

impl Model {
    /// The model of a setup.
    pub fn of(setup: &Setup) -> Model {
        let m = &setup.machine;
        Model {
            stress_kpa: m.separation_kpa,
            area_mm2: m.separation_area_mm2,
            area_exponent: m.separation_area_exponent,
            speed_ratio: m.lift_speed_mm_s / m.separation_speed_mm_s,
            speed_exponent: m.separation_speed_exponent,
        }
    }

    /// Factor for the shape: compactnessⁿ.
    pub fn shape_factor(&self, compactness: f64) -> f64 {
        compactness.powf(self.speed_exponent)
    }

    /// Factor for lift speed: (V/V0)ⁿ. Never falls with speed.
    pub fn speed_factor(&self) -> f64 {
        self.speed_ratio.powf(self.speed_exponent)
    }

    /// Factor on the mean stress for the area: (A/A0)ᵃ⁻¹. Never rises with area.
    pub fn area_factor(&self, area_mm2: f64) -> f64 {
        (area_mm2 / self.area_mm2).powf(self.area_exponent - 1.0)
    }

    /// Mean separation stress of a compact section of the reference area, kPa: what the film's
    /// pull on a patch of a layer is reckoned with.
    pub fn compact_kpa(&self) -> f64 {
        self.mean_kpa(self.area_mm2, 1.0)
    }

    /// Mean separation stress of a section, kPa, at most one atmosphere.
    pub fn mean_kpa(&self, area_mm2: f64, compactness: f64) -> f64 {
        let factors =
            self.area_factor(area_mm2) * self.shape_factor(compactness) * self.speed_factor();
        (self.stress_kpa * factors).min(ATMOSPHERE_KPA)
    }

    /// Peel force of one connected section, N.
    pub fn force_n(&self, area_mm2: f64, compactness: f64) -> f64 {
        if area_mm2 <= 0.0 {
            return 0.0;
        }
        mpa(self.mean_kpa(area_mm2, compactness)) * area_mm2
    }

    /// Peel of one connected section with its line of action.
    pub fn pull(&self, section: &Section) -> Pull {
        Pull {
            force_n: self.force_n(section.moments.area_mm2, section.compactness()),
            x_mm: section.moments.x_mm,
            y_mm: section.moments.y_mm,
        }
    }
}

/// A force along z with the place where it acts.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Pull {
    /// Force, N.
    pub force_n: f64,
    /// Line of action, mm.
    pub x_mm: f64,
    /// Line of action, mm.
    pub y_mm: f64,
}

impl Pull {
    /// The resultant of several pulls, added in the order given: peel of a layer's regions, its
    /// cups. Without any force it acts at the origin.
    pub fn sum(pulls: impl IntoIterator<Item = Pull>) -> Pull {
        let (mut force, mut mx, mut my) = (0.0, 0.0, 0.0);
        for p in pulls {
            force += p.force_n;
            mx += p.force_n * p.x_mm;
            my += p.force_n * p.y_mm;
        }
        if force == 0.0 {
            return Pull::default();
        }
        Pull { force_n: force, x_mm: mx / force, y_mm: my / force }
    }
}
