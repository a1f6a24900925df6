//! What a layer puts beyond the reach of the layer before.

use super::grid::Grid;
use super::grid::SUBPIXEL;
use super::label::{Labelled, Region};
use super::spans::{DiscReach, Layer, Layers, Span, subtract, widened};
use crate::error::Result;
use crate::job::Job;
use rayon::prelude::*;

/// The part of a layer that lies farther than a reach from everything solid in the layer before.
#[derive(Clone, Debug, PartialEq)]
pub struct Overhang {
    /// The layer.
    pub layer: u32,
    /// Its connected pieces of at least one pixel.
    pub regions: Vec<Region>,
    /// Where they are.
    pub area: Layer,
}

/// Finds overhangs beyond `reach_mm` in all layers held but the grid's first, which lies on the
/// plate; layers without any are left out. The distance is exact along rows and taken between
/// row centres across them.
///
/// # Errors
/// [`Error::Cancelled`](crate::Error::Cancelled).
pub fn overhangs(layers: &Layers, reach_mm: f64, job: &Job) -> Result<Vec<Overhang>> {
    let grid = &layers.grid;
    let reach = DiscReach::new(reach_mm, grid);
    let found = (1..layers.layers.len())
        .into_par_iter()
        .map(|i| {
            job.go_on()?;
            let area = beyond(&layers.layers[i], &layers.layers[i - 1], &reach, grid);
            let layer = layers.first + i as u32;
            Ok((!area.is_empty()).then(|| Overhang {
                layer,
                regions: Labelled::new(&area, layer, grid).regions,
                area,
            }))
        })
        .collect::<Result<Vec<_>>>()?;
    Ok(found.into_iter().flatten().filter(|o| !o.regions.is_empty()).collect())
}

fn beyond(layer: &Layer, below: &Layer, reach: &DiscReach, grid: &Grid) -> Layer {
    let limit = grid.columns * SUBPIXEL;
    Layer::from_rows(layer.rows(), |row, out: &mut Vec<Span>| {
        let start = out.len();
        out.extend_from_slice(layer.row(row));
        // Nearest rows first: they take away nearly everything, and the rest need not be asked.
        for distance in 0..=reach.rows() {
            let by = reach.at(distance);
            let sides = [row.checked_sub(distance), (distance > 0).then_some(row + distance)];
            for other in sides.into_iter().flatten() {
                if out.len() == start {
                    return;
                }
                subtract(out, start, below.row(other).iter().map(|s| widened(*s, by, limit)));
            }
        }
    })
}

impl Layer {
    /// What lies farther than `reach_mm` from everything in the other layer; the distance is
    /// that of [`overhangs`].
    pub fn beyond(&self, other: &Layer, reach_mm: f64, grid: &Grid) -> Layer {
        beyond(self, other, &DiscReach::new(reach_mm, grid), grid)
    }
}
