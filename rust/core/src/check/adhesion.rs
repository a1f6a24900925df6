//! Adhesion: whether what touches the plate holds against the pull of every later layer.

use super::Evidence;
use crate::error::Result;
use crate::finding::{Finding, Severity};
use crate::layers::{Grid, Layer, Region, SUBPIXEL};
use crate::mechanics::adhesion::{Moments, tension_kpa};
use crate::mechanics::peel::{Model, Pull};
use crate::mesh::Point;

/// Directions in which the base's outermost points are sought.
const DIRECTIONS: usize = 64;

/// Bond stress of every layer over what the bond may bear, with the place; empty without a base.
#[derive(Debug, Default)]
pub(super) struct Bond {
    /// By layer: tension, kPa, and where.
    pub tension: Vec<(f64, Point)>,
    pub limit_kpa: f64,
}

pub(super) fn bond(e: &Evidence<'_>) -> Bond {
    let (grid, survey) = (e.grid(), &e.survey);
    let limit_kpa = e.setup().resin.plate_bond_kpa / e.setup().limits.safety;
    if grid.layers == 0 || survey.regions_of(0).is_empty() {
        return Bond { tension: Vec::new(), limit_kpa };
    }
    let regions = &survey.regions[survey.regions_of(0)];
    let base = Footprint::of(e.printed.layer(0), regions, grid);
    // Supports and raft pull too; they count as compact.
    let model = Model::of(e.setup());
    let pull = |k: u32| {
        let body = e.loads[e.body_survey().regions_of(k)].iter();
        let body = Pull::sum(body.flat_map(|l| [l.peel, l.suction]));
        Pull::sum([body, added(e, k, &model)])
    };
    let tension = (0..grid.layers).map(|k| {
        let (kpa, at) = base.worst(pull(k));
        (kpa, Point::new(at[0], at[1], 0.0))
    });
    Bond { tension: tension.collect(), limit_kpa }
}

/// Pull of what was added to the body in a layer: its section less the body's.
fn added(e: &Evidence<'_>, k: u32, model: &Model) -> Pull {
    let sum = |s: &crate::layers::Survey| {
        s.regions[s.regions_of(k)].iter().fold((0.0, 0.0, 0.0), |(a, x, y), r| {
            let [cx, cy] = r.centroid_mm;
            (a + r.area_mm2, x + r.area_mm2 * cx, y + r.area_mm2 * cy)
        })
    };
    let (all, body) = (sum(&e.survey), sum(e.body_survey()));
    let area = all.0 - body.0;
    if area <= 1e-9 * all.0 {
        return Pull::default();
    }
    Pull {
        force_n: model.force_n(area, 1.0),
        x_mm: (all.1 - body.1) / area,
        y_mm: (all.2 - body.2) / area,
    }
}

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

pub(super) fn find(e: &Evidence<'_>) -> Result<Vec<Finding>> {
    let (bond, name) = (&e.bond, &e.part.name);
    if bond.tension.is_empty() {
        let message = "nothing touches the plate";
        return Ok(vec![
            Finding::new("adhesion", Severity::Fault, name, message)
                .at_layers(0, 0)
                .remedy("set the part on the plate, or give it supports or a raft"),
        ]);
    }
    let over = |k: &usize| bond.tension[*k].0 > bond.limit_kpa;
    let Some(first) = (0..bond.tension.len()).find(over) else { return Ok(Vec::new()) };
    let last = (first..bond.tension.len()).rev().find(over).unwrap_or(first);
    let worst = (first..=last)
        .fold(first, |w, k| if bond.tension[k].0 > bond.tension[w].0 { k } else { w });
    let (tension, place) = bond.tension[worst];
    let message = format!(
        "layer {worst} pulls the edge of the base with {tension:.0} kPa; the bond to the plate may bear {:.0}",
        bond.limit_kpa
    );
    Ok(vec![
        Finding::new("adhesion", Severity::Fault, name, message)
            .at_layers(first as u32, last as u32)
            .at(place)
            .measured(tension, bond.limit_kpa, "kPa")
            .remedy(
                "widen the base with a raft, move it under the pull, or make the layers smaller",
            ),
    ])
}
