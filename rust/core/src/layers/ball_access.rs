//! Whether a void is wide open: whether a ball can roll into it from outside.

use super::grid::Grid;
use super::merge_tree::MergeTree;
use super::scan::Scan;
use super::spans::{Layer, Layers};
use super::surface::Surface;
use super::void_map::{Place, SweepFrom, VoidMap};
use crate::error::Result;
use crate::job::Job;
use crate::mesh::{Bounds, Point, Pose, Vector};

/// Whether a ball of that diameter can roll from outside into each of the voids, roots of `tree`.
/// Where it is of air-lock size, air and resin pass each other in the mouth, and turning the part
/// over empties the void.
///
/// Solid is grown by the ball's radius, within layers and across them; what is left void is where
/// the ball's centre can be.
pub(crate) fn wide_open(
    map: &VoidMap,
    surfaces: &[Surface<'_>],
    tree: &MergeTree,
    voids: &[u32],
    ball_mm: f64,
    job: &Job,
) -> Result<Vec<bool>> {
    let radius = 0.5 * ball_mm;
    let lift = Vector::z() * (radius + map.grid.layer_mm);
    let raise = Pose::translation(lift.x, lift.y, lift.z);
    let surfaces: Vec<Surface<'_>> =
        surfaces.iter().map(|s| Surface { pose: raise * s.pose, ..*s }).collect();
    let bounds = super::surface::bounds(&surfaces);
    let by = Vector::repeat(radius);
    let bounds = Bounds { min: bounds.min - by, max: bounds.max + by };
    let pitch = map.grid.pitch_mm.max(BALL_PITCH_MM);
    let grid = Grid::over(&bounds, pitch, pitch)?;
    let layers = Scan::new(&surfaces, grid).layers(job)?;
    let grown = VoidMap::of(&grow(&layers, radius, job)?, job)?;
    let closed = grown.tree(SweepFrom::Plate);
    let reached = |p: &Point| match grown.place(p) {
        Place::Solid => false,
        Place::Outside => true,
        Place::Void(r) => {
            closed.root(r).is_none_or(|root| closed.branches[root as usize].opens_at.is_some())
        }
    };
    let into = |root: &u32| {
        tree.regions(*root).any(|r| {
            let k = map.regions[r as usize].layer;
            map.stretches(r).iter().any(|&(row, from, to)| {
                (from..to).any(|i| reached(&(map.grid.pixel(i, row, k) + lift)))
            })
        })
    };
    Ok(voids.iter().map(into).collect())
}

/// Pitch at which the ball is tried, mm. A wall would have to be thinner, and flat across the
/// ball's breadth, to be missed.
const BALL_PITCH_MM: f64 = 0.5;

/// Everything within a radius of the layers' solid.
fn grow(layers: &Layers, radius_mm: f64, job: &Job) -> Result<Layers> {
    let grid = layers.grid;
    let reach = (radius_mm / grid.layer_mm).floor() as usize;
    let discs: Vec<f64> = (0..=reach)
        .map(|d| {
            let h = d as f64 * grid.layer_mm;
            (radius_mm * radius_mm - h * h).max(0.0).sqrt()
        })
        .collect();
    let mut out = vec![Layer::default(); layers.layers.len()];
    for (k, layer) in layers.layers.iter().enumerate() {
        job.checkpoint(0.0)?;
        for (d, &disc) in discs.iter().enumerate() {
            let disc = layer.grown(disc, &grid);
            let above = (d > 0).then_some(k + d);
            for other in [k.checked_sub(d), above].into_iter().flatten() {
                if other < out.len() {
                    out[other] = out[other].union(&disc);
                }
            }
        }
    }
    Ok(Layers { grid, first: 0, layers: out })
}
