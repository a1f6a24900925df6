//! What lets the resin out of a void once the part is turned over: a mouth wide enough for a ball
//! to roll into it from outside, or two holes.

use super::grid::Grid;
use super::merge_tree::MergeTree;
use super::scan::Scan;
use super::spans::{Layer, Layers};
use super::surface::Surface;
use super::void_map::{Place, SweepFrom, VoidMap};
use crate::error::Result;
use crate::job::Job;
use crate::mesh::{Bounds, Point, Pose, Vector};

/// What lets the resin of a void out once the part is turned over.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Outlet {
    /// A mouth so wide that air and resin pass each other in it.
    Mouth,
    /// Two holes at the void's end next to the plate: with the part tilted one takes air while the
    /// other drains (common practice, no source).
    Holes,
}

impl Outlet {
    /// What hangs full, and what to do about it.
    pub(crate) fn words(self, ml: f64) -> (String, &'static str) {
        match self {
            Outlet::Mouth => (
                format!("a hollow with a wide mouth hangs full with {ml:.1} ml of resin"),
                "tip it over the vat before washing",
            ),
            Outlet::Holes => (
                format!(
                    "a cavity hangs with up to {ml:.1} ml of resin until it is turned over: its \
                     holes are at its end next to the plate"
                ),
                "turn it over above the vat before washing and tilt it, one hole up, until \
                 nothing drips",
            ),
        }
    }
}

/// What empties each of the voids, roots of the downward one of the trees `[up, down]`, when the
/// part is turned over; `holes` are the vents' two ends with their diameters, mm, and `ball_mm`
/// is the size of a mouth that no air locks.
pub(crate) fn outlets(
    map: &VoidMap,
    surfaces: &[Surface<'_>],
    [up, down]: [&MergeTree; 2],
    voids: &[u32],
    holes: &[([Point; 2], f64)],
    ball_mm: f64,
    job: &Job,
) -> Result<Vec<Option<Outlet>>> {
    // A hole in a side wall opens its own layers: the void is looked for up to past its rim.
    let opens_into = |root: u32, (ends, diameter_mm): &([Point; 2], f64)| {
        let above =
            |end: &Point| [0.0, 0.5, 1.0, 1.5].map(|by| end + Vector::z() * (by * diameter_mm));
        ends.iter().flat_map(above).any(|p| {
            matches!(map.place(&p), Place::Void(r)
                if down.root(r) == Some(root) && up.root(r).is_none())
        })
    };
    let open_below = |root: u32| up.root(down.first_region(root)).is_none();
    let paired =
        |root: u32| open_below(root) && holes.iter().filter(|&h| opens_into(root, h)).count() >= 2;
    let mut out: Vec<Option<Outlet>> =
        voids.iter().map(|&root| paired(root).then_some(Outlet::Holes)).collect();
    let others: Vec<usize> = (0..voids.len()).filter(|&i| out[i].is_none()).collect();
    if !others.is_empty() {
        let roots: Vec<u32> = others.iter().map(|&i| voids[i]).collect();
        let wide = wide_open(map, surfaces, down, &roots, ball_mm, job)?;
        for (i, wide) in others.into_iter().zip(wide) {
            out[i] = wide.then_some(Outlet::Mouth);
        }
    }
    Ok(out)
}

/// Whether a ball of that diameter can roll from outside into each of the voids, roots of `tree`.
///
/// Solid is grown by the ball's radius, within layers and across them; what is left void is where
/// the ball's centre can be.
fn wide_open(
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
