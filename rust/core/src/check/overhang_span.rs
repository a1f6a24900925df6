//! Ledges: where a layer reaches farther beyond the one before than young resin can bear.
//!
//! The strip that juts out is as thick as one exposure cures, as stiff and strong as the newest
//! resin, and pulled by peel (gravity is a hundredth of it). Held on one side it is an *overhang*,
//! held all round or by several carriers it is a flat or bridge that *sags*. A tip below counts as
//! carried area, and distances are taken to whatever is solid in the layer before.

use super::{Evidence, cure};
use crate::error::Result;
use crate::layers::{Grid, Layer, Overhang, Region, SUBPIXEL, Span, Survey, overhangs};
use crate::mechanics::peel::Model;
use crate::mechanics::sag;
use crate::mesh::Point;
use crate::setup::Setup;
use rayon::prelude::*;

/// How far young resin reaches from what carries it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reach {
    /// Held on one side: length at which it breaks or bends beyond the limit of sag, mm.
    pub free_mm: f64,
    /// Held on both sides: span at which it breaks or bends beyond the limit of sag, mm.
    pub span_mm: f64,
}

impl Reach {
    /// The reach of a setup: [`sag::longest_overhang_mm`], [`sag::longest_bridge_mm`] and
    /// `limits.sag_mm` by [`sag::overhang_mm`] and [`sag::bridge_mm`], for a strip as thick as
    /// one exposure cures and a compact section's separation stress; at most the diagonal of the
    /// plate, beyond which nothing can reach.
    pub fn of(setup: &Setup) -> Reach {
        let (r, q) = (&setup.resin, Model::of(setup).compact_kpa());
        let thickness = cure::depth_mm(setup).max(setup.exposure.layer_mm);
        let strength = r.green_strength_mpa * r.newest_factor;
        let modulus = r.green_modulus_mpa * r.newest_factor;
        let rigidity = sag::rigidity_n_mm(modulus, thickness, r.poisson);
        // Sag grows with the fourth power of length.
        let for_sag = |of_one_mm: f64| (setup.limits.sag_mm / of_one_mm).powf(0.25);
        let diagonal_mm = setup.machine.width_mm.hypot(setup.machine.depth_mm);
        Reach {
            free_mm: sag::longest_overhang_mm(q, thickness, strength)
                .min(for_sag(sag::overhang_mm(q, 1.0, rigidity)))
                .min(diagonal_mm),
            span_mm: sag::longest_bridge_mm(q, thickness, strength)
                .min(for_sag(sag::bridge_mm(q, 1.0, rigidity)))
                .min(diagonal_mm),
        }
    }
}

/// A connected piece beyond [`Reach::free_mm`], followed over neighbouring layers.
#[derive(Clone, Debug)]
pub(super) struct Ledge {
    /// First and last layer.
    pub layers: (u32, u32),
    /// Its greatest piece in one layer.
    pub region: Region,
    /// Greatest distance from what carries it, mm.
    pub distance_mm: f64,
    /// Held all round or by several carriers.
    pub spans: bool,
}

impl Ledge {
    /// Where the greatest piece is.
    pub(super) fn place(&self, survey: &Survey) -> Point {
        self.region.place(&survey.grid)
    }
}

/// Pieces of fewer pixels are rounding of the outline.
const LEAST_PIXELS: u32 = 9;

/// Every ledge of the part but those of islands, which have nothing to jut out from.
pub(super) fn find(e: &Evidence<'_>) -> Result<Vec<Ledge>> {
    let reach = Reach::of(e.setup()).free_mm;
    let found = overhangs(&e.printed, reach, &e.ctx.job)?;
    let by_layer = found
        .par_iter()
        .map(|o| {
            e.ctx.job.go_on()?;
            Ok(of_layer(e, o, reach))
        })
        .collect::<Result<Vec<_>>>()?;
    let mut out: Vec<Ledge> = Vec::new();
    let mut open: Vec<usize> = Vec::new();
    for ledge in by_layer.into_iter().flatten() {
        let k = ledge.layers.0;
        open.retain(|&i| out[i].layers.1 + 1 >= k);
        let same = |&&i: &&usize| {
            let other = &out[i];
            other.layers.1 + 1 == k
                && other.spans == ledge.spans
                && near(&other.region, &ledge.region, reach)
        };
        match open.iter().find(same) {
            Some(&i) => {
                let old = &mut out[i];
                old.layers.1 = k;
                if ledge.region.area_mm2 > old.region.area_mm2 {
                    old.region = ledge.region;
                }
                old.distance_mm = old.distance_mm.max(ledge.distance_mm);
            }
            None => {
                open.push(out.len());
                out.push(ledge);
            }
        }
    }
    Ok(out)
}

fn of_layer(e: &Evidence<'_>, o: &Overhang, reach: f64) -> Vec<Ledge> {
    let grid = e.grid();
    let (layer, below) = (e.printed.layer(o.layer), e.printed.layer(o.layer - 1));
    let floating: Vec<&Region> = e
        .survey
        .regions_of(o.layer)
        .filter(|&r| e.floats.floating[r])
        .map(|r| &e.survey.regions[r])
        .collect();
    let pieces = o.area.pieces(grid);
    let jutting = o.regions.iter().zip(&pieces).filter(|(r, _)| {
        r.pixels >= LEAST_PIXELS && !floating.iter().any(|f| within(r, f, grid.pitch_mm))
    });
    jutting
        .map(|(&region, piece)| {
            let free_edge = piece.grown(grid.pitch_mm, grid).minus(layer);
            let enclosed = free_edge.length() < u64::from(SUBPIXEL);
            let carriers = cropped(below, &region, reach + grid.pitch_mm, grid).pieces(grid).len();
            Ledge {
                layers: (o.layer, o.layer),
                region,
                distance_mm: distance_mm(piece, below, grid.pitch_mm),
                spans: enclosed || carriers > 1,
            }
        })
        .collect()
}

/// What of a layer comes as near to a region's box as that: seen from close by, the two sides of
/// a window are two carriers, though the wall around it is one.
fn cropped(layer: &Layer, region: &Region, by_mm: f64, grid: &Grid) -> Layer {
    let column = |x_mm: f64| ((x_mm - grid.x0_mm) / grid.pitch_mm * f64::from(SUBPIXEL)).max(0.0);
    let row = |y_mm: f64| ((y_mm - grid.y0_mm) / grid.pitch_mm).max(0.0) as u32;
    let x = (column(region.min_mm[0] - by_mm) as u32, column(region.max_mm[0] + by_mm) as u32);
    let rows = layer.rows();
    let y = row(region.min_mm[1] - by_mm).max(rows.start)
        ..row(region.max_mm[1] + by_mm).saturating_add(1).min(rows.end);
    Layer::from_rows(y, |row, out| {
        let cut = layer.row(row).iter().map(|s| Span { x0: s.x0.max(x.0), x1: s.x1.min(x.1) });
        out.extend(cut.filter(|s| s.x0 < s.x1));
    })
}

/// Whether the boxes of two regions come as near as that.
fn near(a: &Region, b: &Region, by_mm: f64) -> bool {
    (0..2).all(|i| a.min_mm[i] <= b.max_mm[i] + by_mm && b.min_mm[i] <= a.max_mm[i] + by_mm)
}

/// Whether the box of `a` lies in that of `b`.
fn within(a: &Region, b: &Region, slack_mm: f64) -> bool {
    (0..2).all(|i| a.min_mm[i] >= b.min_mm[i] - slack_mm && a.max_mm[i] <= b.max_mm[i] + slack_mm)
}

/// Rows and places along a row at which a piece's distance is sampled.
const SAMPLED_ROWS: usize = 60;
const SAMPLED_PLACES: u32 = 8;

/// The greatest distance from a piece to the solid of the layer below, mm, at sampled places.
fn distance_mm(piece: &Layer, below: &Layer, pitch_mm: f64) -> f64 {
    let rows = piece.rows();
    let step = (rows.len() / SAMPLED_ROWS).max(1);
    let sub = pitch_mm / f64::from(SUBPIXEL);
    let mut far = 0.0_f64;
    for row in rows.clone().step_by(step).chain(rows.end.checked_sub(1)) {
        for s in piece.row(row) {
            for i in 0..=SAMPLED_PLACES {
                let x = s.x0
                    + (u64::from(s.length()) * u64::from(i) / u64::from(SAMPLED_PLACES)) as u32;
                far = far.max(nearest_mm(x, row, below, pitch_mm, sub));
            }
        }
    }
    far
}

fn nearest_mm(x: u32, row: u32, below: &Layer, pitch_mm: f64, sub: f64) -> f64 {
    let mut best = f64::INFINITY;
    let rows = below.rows();
    if rows.is_empty() {
        return best;
    }
    // Rows by growing distance, until none can be nearer.
    let most = row.abs_diff(rows.start).max(row.abs_diff(rows.end - 1));
    for d in 0..=most {
        let dy = f64::from(d) * pitch_mm;
        if dy >= best {
            break;
        }
        for other in [row.checked_sub(d), Some(row + d)].into_iter().flatten() {
            for s in below.row(other) {
                let dx = if x < s.x0 { s.x0 - x } else { x.saturating_sub(s.x1) };
                best = best.min(dy.hypot(f64::from(dx) * sub));
            }
        }
    }
    best
}
