//! Spring-back: before the light comes, resin must flow out of the gap between part and film, and
//! an elastic part keeps the gap open until it has.
//!
//! The part returns, squeezes the resin, and its supports and the machine's arm give way; they
//! then push the gap shut against the resin's resistance. What is still open when the light comes
//! is printed too thick or does not reach the layer before: a missed layer. The film rests on its
//! glass meanwhile and adds no compliance.

use super::n_s_mm2;

/// Resistance of a film of resin against squeezing, N·s/mm: c = 3ηJ/h³ with J the section's
/// torsion constant ([`torsion_mm4`](super::peel::torsion_mm4)); a disc's J = πR⁴/2 gives Stefan's 3πηR⁴/(2h³).
pub fn damping_n_s_mm(torsion_mm4: f64, gap_mm: f64, viscosity_pa_s: f64) -> f64 {
    3.0 * n_s_mm2(viscosity_pa_s) * torsion_mm4 / gap_mm.powi(3)
}

/// Stiffness of springs in a row (arm, supports, part), N/mm.
pub fn series_stiffness_n_mm(stiffness_n_mm: &[f64]) -> f64 {
    1.0 / stiffness_n_mm.iter().map(|k| 1.0 / k).sum::<f64>()
}

/// Time constant with which the last of the gap closes, s: τ = c/k, from c·dh/dt = −k(h − h_t)
/// (derived), with the damping taken at the layer's thickness.
pub fn time_constant_s(damping_n_s_mm: f64, stiffness_n_mm: f64) -> f64 {
    damping_n_s_mm / stiffness_n_mm
}

/// Part of an opening that is left after the settle pause when the resistance stays what it is at
/// the layer's thickness: e^(−t/τ) (derived). A pause of 3τ leaves 5 %. An upper bound, as a wider
/// gap resists less; see [`excess_left`].
pub fn fraction_left(settle_s: f64, time_constant_s: f64) -> f64 {
    (-settle_s / time_constant_s).exp()
}

/// Gap left beyond the layer's thickness after the settle pause, as a part of that thickness,
/// with the resistance falling as h⁻³ (derived): u = h/h_t solves t/τ = G(u0) − G(u),
/// G(u) = ln(1 − 1/u) + 1/u + 1/(2u²).
///
/// `start` is u0 − 1 at the beginning of the pause; infinite for a return from far off, which
/// differs by under 8 % from any start above 1. Then about 0.223·e^(−t/τ) is left.
pub fn excess_left(start: f64, settle_s: f64, time_constant_s: f64) -> f64 {
    if start <= 0.0 || time_constant_s <= 0.0 {
        return 0.0;
    }
    let target = closing(start) - settle_s / time_constant_s;
    // G rises steadily with the excess; bisect its logarithm.
    let (mut lo, mut hi) = (-700.0_f64, start.min(1e12).ln());
    if closing(hi.exp()) <= target {
        return start;
    }
    if closing(lo.exp()) >= target {
        return 0.0;
    }
    for _ in 0..80 {
        let mid = 0.5 * (lo + hi);
        if closing(mid.exp()) < target { lo = mid } else { hi = mid }
    }
    (0.5 * (lo + hi)).exp()
}

/// Settle pause after which `excess` of the layer's thickness is left of a gap that started far
/// wider, s: the inverse of [`excess_left`].
pub fn settle_for_s(excess: f64, time_constant_s: f64) -> f64 {
    -time_constant_s * closing(excess)
}

/// G of [`excess_left`] by the excess u − 1.
fn closing(excess: f64) -> f64 {
    if excess == f64::INFINITY {
        return 0.0;
    }
    let u = 1.0 + excess;
    if excess > 1e3 {
        return -1.0 / (3.0 * u.powi(3)); // leading term; the sum below would cancel
    }
    (excess / u).ln() + 1.0 / u + 0.5 / (u * u)
}

/// Time for a constant force to press the gap from one height to a smaller one, s:
/// t = (3ηJ/2F)(1/h2² − 1/h1²); for a disc (3πηR⁴/4F)(1/h2² − 1/h1²), Stefan 1874 (published).
pub fn squeeze_out_s(
    torsion_mm4: f64,
    force_n: f64,
    from_mm: f64,
    to_mm: f64,
    viscosity_pa_s: f64,
) -> f64 {
    1.5 * n_s_mm2(viscosity_pa_s) * torsion_mm4 / force_n * (to_mm.powi(-2) - from_mm.powi(-2))
}

/// Force with which a section arrives at its layer when the way back ends there, N: resin flowing
/// out of the gap g resists by 3ηVJ/g³ and a spring of stiffness k gives way by g − h, so g solves
/// 3ηVJ/g³ = k(g − h) (derived; quasi-steady at full speed to the end, an upper bound). For a
/// stiff spring it is Stefan's force at the layer's thickness h.
pub fn arrival_n(
    torsion_mm4: f64,
    layer_mm: f64,
    return_mm_s: f64,
    viscosity_pa_s: f64,
    stiffness_n_mm: f64,
) -> f64 {
    let resists = |gap_mm: f64| damping_n_s_mm(torsion_mm4, gap_mm, viscosity_pa_s) * return_mm_s;
    // The spring's force rises with the gap and the resin's falls: they cross once.
    let (mut lo, mut hi) = (layer_mm, layer_mm + resists(layer_mm) / stiffness_n_mm);
    for _ in 0..60 {
        let mid = 0.5 * (lo + hi);
        if stiffness_n_mm * (mid - layer_mm) < resists(mid) { lo = mid } else { hi = mid }
    }
    resists(0.5 * (lo + hi))
}

/// Gap that is left after the settle pause of a return from far off, mm, when the spring heads for
/// `target_mm`: the layer's thickness less what part and machine still give way from the layers
/// before, so it may be negative. Solves c·dg/dt = −k(g − b) with c = 3ηJ/g³ and b the target:
/// k·t/3ηJ = ∫dg/(g³(g − b)) from the gap left to infinity (derived). For b = h it is
/// h·(1 + [`excess_left`]) of an infinite start.
pub fn gap_left_mm(
    torsion_mm4: f64,
    target_mm: f64,
    settle_s: f64,
    viscosity_pa_s: f64,
    stiffness_n_mm: f64,
) -> f64 {
    let drive = stiffness_n_mm * settle_s / (3.0 * n_s_mm2(viscosity_pa_s) * torsion_mm4);
    let b = target_mm;
    let spent = |g: f64| {
        let x = b / g;
        if x.abs() < 1e-3 {
            return (1.0 / 3.0 + x / 4.0 + x * x / 5.0) / g.powi(3); // the sum below would cancel
        }
        -((-x).ln_1p() + x + 0.5 * x * x) / b.powi(3)
    };
    // What is spent falls with the gap left, from infinite at the target (or 0) to none.
    let least = b.max(0.0);
    let (mut lo, mut hi) = (-60.0_f64, 30.0_f64); // logarithm of the gap beyond the least
    for _ in 0..80 {
        let mid = 0.5 * (lo + hi);
        if spent(least + mid.exp()) > drive { lo = mid } else { hi = mid }
    }
    least + (0.5 * (lo + hi)).exp()
}
