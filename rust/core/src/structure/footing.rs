//! What bonds to the plate.

use crate::layers::{Grid, Layer, Region, SUBPIXEL};
use crate::mechanics::adhesion::{Moments, tension_kpa};
use crate::mechanics::peel::Pull;

/// Directions in which the base's outermost points are sought.
const DIRECTIONS: usize = 64;

/// What bonds to the plate: its area with moments, and its outermost points.
pub(crate) struct Footprint {
    pub(crate) moments: Moments,
    rim: Vec<[f64; 2]>,
}

impl Footprint {
    /// Of a layer on the plate and its regions.
    pub(crate) fn of(layer: &Layer, regions: &[Region], grid: &Grid) -> Footprint {
        let area: f64 = regions.iter().map(|r| r.area_mm2).sum();
        let mean =
            |i: usize| regions.iter().map(|r| r.area_mm2 * r.centroid_mm[i]).sum::<f64>() / area;
        let (x, y) = (mean(0), mean(1));
        let mut m = Moments { area_mm2: area, x_mm: x, y_mm: y, ..Moments::default() };
        for r in regions {
            let (dx, dy) = (r.centroid_mm[0] - x, r.centroid_mm[1] - y);
            m.xx_mm4 += r.moments_mm4[0] + r.area_mm2 * dx * dx;
            m.yy_mm4 += r.moments_mm4[1] + r.area_mm2 * dy * dy;
            m.xy_mm4 += r.moments_mm4[2] + r.area_mm2 * dx * dy;
        }
        Footprint { moments: m, rim: rim(layer, grid) }
    }

    /// The greatest tension at the rim under a pull, kPa, and where.
    pub(crate) fn worst(&self, pull: Pull) -> (f64, [f64; 2]) {
        let at = [pull.x_mm, pull.y_mm];
        let middle = (0.0, [self.moments.x_mm, self.moments.y_mm]);
        self.rim
            .iter()
            .map(|&p| (tension_kpa(&self.moments, pull.force_n, at, p), p))
            .fold(middle, |a, b| if b.0 > a.0 { b } else { a })
    }
}

/// Outermost points of a layer in many directions.
fn rim(layer: &Layer, grid: &Grid) -> Vec<[f64; 2]> {
    let sub = grid.pitch_mm / f64::from(SUBPIXEL);
    let ends: Vec<[f64; 2]> = layer
        .rows()
        .flat_map(|row| {
            let y = grid.pixel(0, row, 0).y;
            let x = |s: u32| grid.x0_mm + f64::from(s) * sub;
            let (first, last) = (layer.row(row).first(), layer.row(row).last());
            first.map(|s| [x(s.x0), y]).into_iter().chain(last.map(|s| [x(s.x1), y]))
        })
        .collect();
    let mut out: Vec<[f64; 2]> = (0..DIRECTIONS)
        .filter_map(|i| {
            let (s, c) = (std::f64::consts::TAU * i as f64 / DIRECTIONS as f64).sin_cos();
            let reach = |p: &&[f64; 2]| c * p[0] + s * p[1];
            ends.iter().max_by(|a, b| reach(a).total_cmp(&reach(b))).copied()
        })
        .collect();
    out.dedup();
    out
}
