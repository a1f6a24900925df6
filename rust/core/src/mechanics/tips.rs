//! Tips as a group: how an eccentric pull shares out over the necks of one part.
//!
//! The part is stiff against its supports, so the tips' stretch is a plane over the plate: the
//! bolt-group formula N_i = F/n + (M·r_i)/Σr² of any machine-design handbook (from memory), here
//! with the full tensor of second moments so that no symmetry is needed. For supports of unequal
//! stiffness use the [`super::frame`].

use crate::error::{Error, Result};

/// Pull on each tip, N, positive where it is pulled, from a pull on the part that acts at
/// `pull_mm`. All tips count as equally stiff.
///
/// # Errors
/// [`Error::Structure`] when the tips cannot carry the pull's moment: none at all, or all on one
/// point or line with the pull beside it.
pub fn loads_n(tips_mm: &[[f64; 2]], pull_n: f64, pull_mm: [f64; 2]) -> Result<Vec<f64>> {
    let n = tips_mm.len() as f64;
    let unstable = |problem: &str| Error::Structure {
        place: "tips".into(),
        problem: problem.into(),
        remedy: "add tips on both sides of the pull, not all in one line".into(),
    };
    if tips_mm.is_empty() {
        return Err(unstable("there is none"));
    }
    let mean = |k: usize| tips_mm.iter().map(|t| t[k]).sum::<f64>() / n;
    let centre = [mean(0), mean(1)];
    let arms: Vec<[f64; 2]> =
        tips_mm.iter().map(|t| [t[0] - centre[0], t[1] - centre[1]]).collect();
    let sum = |f: fn(&[f64; 2]) -> f64| arms.iter().map(f).sum::<f64>();
    let (xx, yy, xy) = (sum(|r| r[0] * r[0]), sum(|r| r[1] * r[1]), sum(|r| r[0] * r[1]));
    let e = [pull_mm[0] - centre[0], pull_mm[1] - centre[1]];
    // Principal axes, so that a group in one line still carries a pull on that line.
    let angle = 0.5 * (2.0 * xy).atan2(xx - yy);
    let (s, c) = angle.sin_cos();
    let size = xx + yy + e[0] * e[0] + e[1] * e[1];
    let mut slope = [0.0; 2];
    for axis in [[c, s], [-s, c]] {
        let arm = e[0] * axis[0] + e[1] * axis[1];
        let spread = xx * axis[0] * axis[0] + 2.0 * xy * axis[0] * axis[1] + yy * axis[1] * axis[1];
        if spread > 1e-12 * size {
            slope[0] += arm * axis[0] / spread;
            slope[1] += arm * axis[1] / spread;
        } else if arm * arm > 1e-12 * size {
            return Err(unstable("the pull acts beside the line or point that they form"));
        }
    }
    Ok(arms.iter().map(|r| pull_n * (1.0 / n + slope[0] * r[0] + slope[1] * r[1])).collect())
}

/// The greatest of [`loads_n`], N.
///
/// # Errors
/// As [`loads_n`].
pub fn highest_n(tips_mm: &[[f64; 2]], pull_n: f64, pull_mm: [f64; 2]) -> Result<f64> {
    Ok(loads_n(tips_mm, pull_n, pull_mm)?.into_iter().fold(f64::NEG_INFINITY, f64::max))
}
