//! Sag: how far a young, thin layer bends when the film pulls on it.
//!
//! Peel, not gravity, governs: 20 kPa of separation stress is what 1.9 m of resin would weigh. All
//! formulas are those of thin plates and strips with small deflections; once the deflection nears
//! half the thickness the plate also pulls like a membrane, and they overstate the sag (the safe
//! side). `load_kpa` is the pressure on the layer, `rigidity` comes from [`rigidity_n_mm`].

use super::mpa;

/// How a plate's edges are held.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Edge {
    /// Grown into a stiff body: neither moves nor turns.
    Clamped,
    /// Held in height, free to turn: the safe choice.
    Simple,
}

/// Bending rigidity of a plate, N·mm: D = Eh³/12(1 − ν²), any plate theory.
pub fn rigidity_n_mm(modulus_mpa: f64, thickness_mm: f64, poisson: f64) -> f64 {
    modulus_mpa * thickness_mm.powi(3) / (12.0 * (1.0 - poisson * poisson))
}

/// Sag in the middle of a round plate, mm: clamped qa⁴/64D, simply supported (5+ν)/(1+ν) times
/// that (Timoshenko & Woinowsky-Krieger, from memory).
pub fn round_mm(
    load_kpa: f64,
    radius_mm: f64,
    rigidity_n_mm: f64,
    poisson: f64,
    edge: Edge,
) -> f64 {
    let clamped = mpa(load_kpa) * radius_mm.powi(4) / (64.0 * rigidity_n_mm);
    match edge {
        Edge::Clamped => clamped,
        Edge::Simple => clamped * (5.0 + poisson) / (1.0 + poisson),
    }
}

/// Sides' ratio short/long, then α of w = αqa⁴/D clamped and simply supported (Timoshenko &
/// Woinowsky-Krieger, from memory; the simply supported ones agree with Navier's series and with
/// Roark's table, published).
const ALPHA: [(f64, f64, f64); 6] = [
    (0.0, 0.00260, 0.01302),
    (1.0 / 3.0, 0.00260, 0.01223),
    (0.5, 0.00254, 0.01013),
    (1.0 / 1.5, 0.00220, 0.00772),
    (1.0 / 1.2, 0.00172, 0.00564),
    (1.0, 0.00126, 0.00406),
];

/// The coefficient α of w = αqa⁴/D for a rectangular plate by the ratio of its short to its long
/// side (0–1), linear between the table's entries; within 4 % of the exact curve.
pub fn rectangle_alpha(short_over_long: f64, edge: Edge) -> f64 {
    let r = short_over_long.clamp(0.0, 1.0);
    let pick = |row: (f64, f64, f64)| if edge == Edge::Clamped { row.1 } else { row.2 };
    let i = ALPHA[1..ALPHA.len() - 1].iter().take_while(|row| row.0 < r).count();
    let (a, b) = (ALPHA[i], ALPHA[i + 1]);
    pick(a) + (pick(b) - pick(a)) * (r - a.0) / (b.0 - a.0)
}

/// Sag in the middle of a rectangular plate, mm: w = αqa⁴/D, a the shorter side, see
/// [`rectangle_alpha`].
pub fn rectangle_mm(load_kpa: f64, sides_mm: [f64; 2], rigidity_n_mm: f64, edge: Edge) -> f64 {
    let (a, b) = (sides_mm[0].min(sides_mm[1]), sides_mm[0].max(sides_mm[1]));
    rectangle_alpha(a / b, edge) * mpa(load_kpa) * a.powi(4) / rigidity_n_mm
}

/// Sag between point supports on a square grid, mm: w = 0.0058004·qa⁴/D in the middle of a cell of
/// a large plate (derived by series; textbooks print 0.00581, from memory).
pub fn point_grid_mm(load_kpa: f64, spacing_mm: f64, rigidity_n_mm: f64) -> f64 {
    0.005_800_4 * mpa(load_kpa) * spacing_mm.powi(4) / rigidity_n_mm
}

/// Widest grid of point supports that keeps the sag of [`point_grid_mm`], mm.
pub fn grid_for_sag_mm(limit_mm: f64, load_kpa: f64, rigidity_n_mm: f64) -> f64 {
    (limit_mm * rigidity_n_mm / (0.005_800_4 * mpa(load_kpa))).powf(0.25)
}

/// Sag at the free end of a strip that hangs over, mm: qL⁴/8D (any beam table).
pub fn overhang_mm(load_kpa: f64, length_mm: f64, rigidity_n_mm: f64) -> f64 {
    mpa(load_kpa) * length_mm.powi(4) / (8.0 * rigidity_n_mm)
}

/// Sag in the middle of a bridge built in at both ends, mm: qL⁴/384D (any beam table).
///
/// ```
/// use vatwright::mechanics::sag::{bridge_mm, rigidity_n_mm};
/// let bend = |length| bridge_mm(10.0, length, rigidity_n_mm(1000.0, 0.5, 0.4));
/// assert!((bend(4.0) / bend(2.0) - 16.0).abs() < 1e-9); // with the fourth power of the span
/// ```
pub fn bridge_mm(load_kpa: f64, length_mm: f64, rigidity_n_mm: f64) -> f64 {
    mpa(load_kpa) * length_mm.powi(4) / (384.0 * rigidity_n_mm)
}

/// Length at which a strip that hangs over breaks at its root, mm: L = h√(σ/3q), from the bending
/// stress 3qL²/h² (derived). Practice overhangs about 1 mm (common practice).
pub fn longest_overhang_mm(load_kpa: f64, thickness_mm: f64, strength_mpa: f64) -> f64 {
    thickness_mm * (strength_mpa / (3.0 * mpa(load_kpa))).sqrt()
}

/// Length at which a built-in bridge breaks at its ends, mm: L = h√(2σ/q), from the bending stress
/// qL²/2h² (derived). Practice bridges about 2–3 mm (common practice).
pub fn longest_bridge_mm(load_kpa: f64, thickness_mm: f64, strength_mpa: f64) -> f64 {
    thickness_mm * (2.0 * strength_mpa / mpa(load_kpa)).sqrt()
}
