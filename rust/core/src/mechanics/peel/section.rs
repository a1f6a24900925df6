//! A connected piece of a layer, read from the rows of runs that the layer engine keeps.

use super::compactness;
use super::torsion::{Run, torsion_mm4};
use crate::mechanics::adhesion::Moments;

/// What mechanics needs to know of a connected piece of a layer.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Section {
    /// Area, centroid, second moments.
    pub moments: Moments,
    /// Torsion constant J, mm⁴.
    pub torsion_mm4: f64,
}

impl Section {
    /// Reads a section from runs sorted by row, then x, disjoint; rows `pitch_mm` high. Area and
    /// moments are exact for the runs, the torsion constant as in [`torsion_mm4`].
    pub fn of_runs(runs: &[Run], pitch_mm: f64) -> Section {
        Section { moments: moments(runs, pitch_mm), torsion_mm4: torsion_mm4(runs, pitch_mm) }
    }

    /// [`compactness`] of this section.
    pub fn compactness(&self) -> f64 {
        compactness(self.moments.area_mm2, self.torsion_mm4)
    }
}

/// Area, centroid and second moments of rows of runs.
fn moments(runs: &[Run], pitch_mm: f64) -> Moments {
    let Some(first) = runs.first() else { return Moments::default() };
    // Moments about a point of the shape itself: far from the origin nothing cancels.
    let (ox, oy) = (first.x0_mm, f64::from(first.row) * pitch_mm);
    let (mut a, mut sx, mut sy, mut xx, mut yy, mut xy) = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0);
    for run in runs {
        let width = run.x1_mm - run.x0_mm;
        let x = 0.5 * (run.x0_mm + run.x1_mm) - ox;
        let y = (f64::from(run.row) + 0.5) * pitch_mm - oy;
        let da = width * pitch_mm;
        a += da;
        sx += da * x;
        sy += da * y;
        xx += da * (x * x + width * width / 12.0);
        yy += da * (y * y + pitch_mm * pitch_mm / 12.0);
        xy += da * x * y;
    }
    if a <= 0.0 {
        return Moments::default();
    }
    let (x, y) = (sx / a, sy / a);
    Moments {
        area_mm2: a,
        x_mm: ox + x,
        y_mm: oy + y,
        xx_mm4: xx - a * x * x,
        yy_mm4: yy - a * y * y,
        xy_mm4: xy - a * x * y,
    }
}
