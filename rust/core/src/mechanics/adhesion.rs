//! Adhesion: whether first layers or a raft hold to the plate against peel.

use super::mpa;

/// Area, centroid and second moments of a flat shape; [`super::peel::Section`] has them.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Moments {
    /// Area, mm².
    pub area_mm2: f64,
    /// Centroid, mm.
    pub x_mm: f64,
    /// Centroid, mm.
    pub y_mm: f64,
    /// ∫(x − x̄)² dA, mm⁴.
    pub xx_mm4: f64,
    /// ∫(y − ȳ)² dA, mm⁴.
    pub yy_mm4: f64,
    /// ∫(x − x̄)(y − ȳ) dA, mm⁴.
    pub xy_mm4: f64,
}

/// Centred pull that the bond carries, N: bond × area. The bond strength is measured, not known:
/// see `docs/mechanics`.
///
/// ```
/// use vatwright::mechanics::adhesion::bond_n;
/// assert!((bond_n(150.0, 100.0) - 15.0).abs() < 1e-12);
/// ```
pub fn bond_n(bond_kpa: f64, area_mm2: f64) -> f64 {
    mpa(bond_kpa) * area_mm2
}

/// Bonded area that a centred pull needs, mm².
pub fn area_for_mm2(pull_n: f64, safety: f64, bond_kpa: f64) -> f64 {
    pull_n * safety / mpa(bond_kpa)
}

/// Tension between plate and bonded area at a point under an eccentric pull, kPa: F/A plus linear
/// bending about both axes, the full tensor of second moments (any strength-of-materials book).
/// Negative where the pull presses. Valid for a stiff base; one that can lift at the edge sees
/// more there.
///
/// `pull_mm` is where the pull acts, `at_mm` where the tension is asked; the outermost point on the
/// side of the pull has the greatest.
pub fn tension_kpa(base: &Moments, pull_n: f64, pull_mm: [f64; 2], at_mm: [f64; 2]) -> f64 {
    let (ex, ey) = (pull_mm[0] - base.x_mm, pull_mm[1] - base.y_mm);
    let (x, y) = (at_mm[0] - base.x_mm, at_mm[1] - base.y_mm);
    let mean = 1.0 / base.area_mm2;
    let det = base.xx_mm4 * base.yy_mm4 - base.xy_mm4 * base.xy_mm4;
    let bend = ((base.yy_mm4 * ex - base.xy_mm4 * ey) * x
        + (base.xx_mm4 * ey - base.xy_mm4 * ex) * y)
        / det;
    1e3 * pull_n * (mean + bend)
}
