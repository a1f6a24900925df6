//! A film that gives: how lift, film and gap share the travel.
//!
//! The plate moves V·t; the film follows by C·F; only the rest opens the gap, and the narrow gap
//! resists by F = 3ηJ/h³·dh/dt. So a soft film lowers the peak and delays it.

use super::n_s_mm2;

/// The peak of a pull through a film that gives.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Peak {
    /// Greatest force, N.
    pub force_n: f64,
    /// Travel of the plate until then, mm.
    pub travel_mm: f64,
    /// How far the film has followed by then, mm: C·F.
    pub film_mm: f64,
}

/// Peak force of a section of torsion constant J that starts `gap_mm` from a film of compliance C
/// and is lifted at a constant speed (derived).
///
/// With u = h/h0 and s = V·t/h0 the motion obeys du/ds = u³(1 + s − u)/β, β = 3ηJCV/h0⁴: one
/// number decides. For small β the film is rigid and the peak is Stefan's 3ηJV/h0³; for large β
/// it nears h0√β/C = √(3ηJV/C)/h0, so force rises with the root of speed and section. Not capped
/// by the atmosphere ([`super::cap_n`]).
pub fn peak(
    torsion_mm4: f64,
    gap_mm: f64,
    speed_mm_s: f64,
    viscosity_pa_s: f64,
    compliance_mm_n: f64,
) -> Peak {
    let rigid_n = super::stefan_section_n(torsion_mm4, gap_mm, speed_mm_s, viscosity_pa_s);
    let beta =
        3.0 * n_s_mm2(viscosity_pa_s) * torsion_mm4 * compliance_mm_n * speed_mm_s / gap_mm.powi(4);
    if beta.is_nan() || beta <= 1e-9 {
        return Peak { force_n: rigid_n, travel_mm: 0.0, film_mm: rigid_n * compliance_mm_n };
    }
    let rate = |s: f64, u: f64| u.powi(3) * (1.0 + s - u) / beta;
    let (mut s, mut u) = (0.0_f64, 1.0_f64);
    let seed = 1e-3 * beta.min(beta.sqrt());
    // The film's deflection 1 + s − u peaks where the gap opens as fast as the plate moves.
    while rate(s, u) < 1.0 {
        let step = STEP * (beta / u.powi(3)).min(s.max(seed)).min(u / rate(s, u).max(1e-300));
        let a = rate(s, u);
        let b = rate(s + 0.5 * step, u + 0.5 * step * a);
        let c = rate(s + 0.5 * step, u + 0.5 * step * b);
        let d = rate(s + step, u + step * c);
        u += step * (a + 2.0 * b + 2.0 * c + d) / 6.0;
        s += step;
    }
    let film_mm = (1.0 + s - u) * gap_mm;
    Peak { force_n: film_mm / compliance_mm_n, travel_mm: s * gap_mm, film_mm }
}

/// Step of the integration relative to the fastest change; the peak is flat, so this gives it to
/// four digits.
const STEP: f64 = 0.02;

/// Travel of the plate that a film takes up before a section comes off with the given force, mm:
/// C·F. The lift must exceed it, or the layer never leaves the film.
pub fn taken_up_mm(force_n: f64, compliance_mm_n: f64) -> f64 {
    force_n * compliance_mm_n
}
