//! Light: how a pixel's light spreads in the plane of a layer, and where cured edges come to lie.
//!
//! A share is a part of the full light, 0–1: deep inside a wide lit region it is 1, at a straight
//! edge ½. The spread is taken as the same at every depth; heat and diffusion come on top.

use crate::setup::Setup;
use std::f64::consts::{FRAC_1_SQRT_2, PI, SQRT_2};

/// Spread of a point of light: a normal core and heavy tails, both round.
///
/// Core (1/2πσ²)·e^(−r²/2σ²); tails γ/(2π(r² + γ²)^(3/2)), the round spread whose line is
/// Lorentzian, γ/(π(x² + γ²)) (derived). A Lorentzian explains small features where a normal
/// spread does not (PMID 38689905, published).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct EdgeBlur {
    /// Standard deviation σ of the core, mm.
    pub sigma_mm: f64,
    /// Half width at half height γ of the tails' line, mm.
    pub gamma_mm: f64,
    /// Part of the light that is in the tails, 0–1.
    pub tail_share: f64,
}

impl EdgeBlur {
    /// The spread of a setup's light.
    pub fn of(setup: &Setup) -> EdgeBlur {
        let x = &setup.exposure;
        EdgeBlur {
            sigma_mm: x.edge_blur_mm,
            gamma_mm: x.edge_tail_mm,
            tail_share: x.edge_tail_share,
        }
    }

    /// All light in the normal core.
    pub fn gaussian(sigma_mm: f64) -> EdgeBlur {
        EdgeBlur { sigma_mm, gamma_mm: 0.0, tail_share: 0.0 }
    }

    /// All light in the Lorentzian tails.
    pub fn lorentzian(gamma_mm: f64) -> EdgeBlur {
        EdgeBlur { sigma_mm: 0.0, gamma_mm, tail_share: 1.0 }
    }

    fn mix(&self, core: f64, tails: f64) -> f64 {
        (1.0 - self.tail_share) * core + self.tail_share * tails
    }

    /// Share at `x_mm` beyond the straight edge of a wide lit region, negative inside:
    /// ½·erfc(x/σ√2) and arccot(x/γ)/π (derived).
    ///
    /// ```
    /// use vatwright::mechanics::light::EdgeBlur;
    /// assert_eq!(EdgeBlur::lorentzian(0.025).edge(0.025), 0.25); // arccot 1 = π/4
    /// ```
    pub fn edge(&self, x_mm: f64) -> f64 {
        self.mix(normal_edge(x_mm, self.sigma_mm), lorentz_edge(x_mm, self.gamma_mm))
    }

    /// Share at `x_mm` from the middle line of a long lit slot (derived: an edge less an edge).
    pub fn slot(&self, x_mm: f64, width_mm: f64) -> f64 {
        // By symmetry; beyond the middle the far edge's share is the smaller and loses no digits.
        let x = x_mm.abs();
        self.edge(x - 0.5 * width_mm) - self.edge(x + 0.5 * width_mm)
    }

    /// Share at `x_mm` and `y_mm` beyond the two edges of a lit right-angled corner: core, the
    /// product of two edges; tails, ¼ + [atan(a/γ) + atan(b/γ) + atan(ab/γ√(γ² + a² + b²))]/2π
    /// with a = −x, b = −y (solid angle of a rectangle seen from γ above it; derived).
    pub fn corner(&self, x_mm: f64, y_mm: f64) -> f64 {
        let core = normal_edge(x_mm, self.sigma_mm) * normal_edge(y_mm, self.sigma_mm);
        let (a, b, g) = (-x_mm, -y_mm, self.gamma_mm);
        let slant = g * (g * g + a * a + b * b).sqrt();
        let angle = a.atan2(g) + b.atan2(g) + (a * b).atan2(slant);
        self.mix(core, 0.25 + angle / (2.0 * PI))
    }

    /// Share in the middle of a lit disc: 1 − e^(−R²/2σ²) (Rayleigh's distribution, any handbook)
    /// and 1 − γ/√(γ² + R²) (derived). A dark disc's middle gets the rest.
    pub fn disc(&self, radius_mm: f64) -> f64 {
        let core = -(-0.5 * (radius_mm / self.sigma_mm).powi(2)).exp_m1();
        self.mix(
            if self.sigma_mm > 0.0 { core } else { 1.0 },
            1.0 - self.gamma_mm / self.gamma_mm.hypot(radius_mm),
        )
    }

    /// How far a cured edge lies outside the lit region's straight edge, mm: where the share is
    /// Ec/E. Core alone σ√2·erfc⁻¹(2Ec/E), tails alone γ·cot(πEc/E) (derived), both by bisection.
    /// Negative (the edge draws back) below twice the critical dose, −∞ below the critical dose.
    /// 0.1–0.4 mm are seen on first layers (common practice).
    pub fn growth_mm(&self, dose_mj_cm2: f64, critical_mj_cm2: f64) -> f64 {
        let share = critical_mj_cm2 / dose_mj_cm2;
        let core = self.sigma_mm * SQRT_2 * erfc_inv(2.0 * share);
        if self.tail_share <= 0.0 {
            return core;
        }
        let tails = match share {
            s if s >= 1.0 => f64::NEG_INFINITY,
            s if s <= 0.0 => f64::INFINITY,
            s => self.gamma_mm * (PI * s).cos() / (PI * s).sin(),
        };
        if self.tail_share >= 1.0 || core == tails {
            return tails;
        }
        // Each part alone falls outwards, so their mix meets the share between the two.
        let (mut near, mut far) = (core.min(tails), core.max(tails));
        for _ in 0..100 {
            let middle = 0.5 * (near + far);
            if self.edge(middle) > share { near = middle } else { far = middle }
        }
        0.5 * (near + far)
    }

    /// Widest dark gap between two wide lit regions that cures shut, mm: both sides shine into it,
    /// so its middle line reaches Ec where one edge reaches Ec/2 (derived). Negative: none does.
    pub fn closed_gap_mm(&self, dose_mj_cm2: f64, critical_mj_cm2: f64) -> f64 {
        2.0 * self.growth_mm(dose_mj_cm2, 0.5 * critical_mj_cm2)
    }

    /// Narrowest long lit rib whose middle line cures, mm: what it loses over both edges is
    /// E − Ec (derived). −∞ where the dose is without bound, ∞ below the critical dose.
    pub fn least_rib_mm(&self, dose_mj_cm2: f64, critical_mj_cm2: f64) -> f64 {
        if dose_mj_cm2 <= critical_mj_cm2 {
            return f64::INFINITY;
        }
        2.0 * self.growth_mm(dose_mj_cm2, 0.5 * (dose_mj_cm2 - critical_mj_cm2))
    }

    /// The same spread as a sum of round normal spreads: standard deviations (mm) and weights that
    /// sum to 1, narrowest first. The tails are a scale mixture of normals with σ = γ/|z|, z
    /// standard normal (a Student distribution of one degree of freedom, from memory); steps of 2
    /// from γ/4 to 128γ keep every edge's share within 0.002.
    pub fn gaussians(&self) -> Vec<(f64, f64)> {
        let density = |z: f64| z * (-0.5 * z * z).exp();
        let steps: Vec<(f64, f64)> =
            (-2..=7).map(|i| 2f64.powi(i)).map(|s| (s, density(1.0 / s))).collect();
        // The widest stands for all beyond: a sum of steps of ln 2, with ∫ density dlnz = √(π/2).
        let sum: f64 = (0.5 * PI).sqrt() / std::f64::consts::LN_2;
        let last = steps.len() - 1;
        let beyond = sum - steps[..last].iter().map(|s| s.1).sum::<f64>();
        let mut out: Vec<(f64, f64)> = steps
            .iter()
            .enumerate()
            .map(|(i, &(s, weight))| (s, if i == last { beyond } else { weight }))
            .map(|(s, weight)| (s * self.gamma_mm, self.tail_share * weight / sum))
            .chain([(self.sigma_mm, 1.0 - self.tail_share)])
            .filter(|g| g.1 > 0.0)
            .collect();
        out.sort_by(|a, b| a.0.total_cmp(&b.0));
        out
    }
}

/// Share of a normal spread beyond a straight edge; without spread, a step.
fn normal_edge(x_mm: f64, sigma_mm: f64) -> f64 {
    if x_mm == 0.0 { 0.5 } else { 0.5 * libm::erfc(x_mm / sigma_mm * FRAC_1_SQRT_2) }
}

/// Share of a Lorentzian spread beyond a straight edge; without spread, a step.
fn lorentz_edge(x_mm: f64, gamma_mm: f64) -> f64 {
    if x_mm == 0.0 { 0.5 } else { gamma_mm.atan2(x_mm) / PI }
}

/// Inverse of the complementary error function on 0..2; ±∞ at and beyond the ends.
fn erfc_inv(y: f64) -> f64 {
    if y <= 0.0 {
        return f64::INFINITY;
    }
    if y >= 2.0 {
        return f64::NEG_INFINITY;
    }
    if y > 1.0 {
        return -erfc_inv(2.0 - y);
    }
    // Newton on ln erfc, which is concave: from 0 every step but the last falls short, so it
    // climbs to the root for any y.
    let mut x = 0.0_f64;
    for _ in 0..60 {
        let e = libm::erfc(x);
        let slope = -2.0 / std::f64::consts::PI.sqrt() * (-x * x).exp() / e;
        let step = (e / y).ln() / slope;
        x -= step;
        if step.abs() <= 1e-14 * x.abs() {
            break;
        }
    }
    x
}
