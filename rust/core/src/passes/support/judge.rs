//! The judge: what of part, supports and base together begins in mid-air or juts out too far.
//!
//! A layer is looked at again only where what was added in it or in the layer below has changed
//! since the last time: that makes rounds of building, and changes by hand, quick.

use super::needs::nearest_pixel;
use super::tips::Pixel;
use crate::context::Context;
use crate::error::Result;
use crate::layers::{Fill, Grid, Layer, Layers, Region, SUBPIXEL, Scan, Surface};
use crate::mesh::{Mesh, Pose};
use rayon::prelude::*;

/// Pieces of fewer pixels are rounding of the outline.
const LEAST_PIXELS: u32 = 9;

/// A region of the whole that is not carried.
#[derive(Clone, Debug)]
pub(super) struct Loose {
    pub(super) region: Region,
    /// A pixel of the part in it, if it is the part's.
    pub(super) of_body: Option<Pixel>,
    /// Nothing at all is under it; else it juts out beyond what young resin bears.
    pub(super) floats: bool,
}

/// What the layers said, by layer, and to what.
#[derive(Clone, Debug, Default)]
pub(super) struct Judge {
    supports: Vec<Layer>,
    base: Vec<Layer>,
    loose: Vec<Vec<Loose>>,
}

/// The layers of a mesh that stands where it is.
pub(super) fn scanned(mesh: &Mesh, grid: &Grid, ctx: &Context) -> Result<Vec<Layer>> {
    let surface = Surface { mesh, pose: Pose::identity(), fill: Fill::Added };
    Ok(Scan::new(&[surface], *grid).layers(&ctx.job)?.layers)
}

impl Judge {
    /// Looks at the part's layers together with those of supports and with the base, and gives back
    /// how many layers it had to look at.
    pub(super) fn look(
        &mut self,
        body: &Layers,
        supports: Vec<Layer>,
        base: &Mesh,
        reach_mm: f64,
        ctx: &Context,
    ) -> Result<usize> {
        let grid = &body.grid;
        let before = std::mem::take(self);
        (self.supports, self.base) = (supports, scanned(base, grid, ctx)?);
        let n = body.layers.len();
        let changed = |k: usize| {
            before.supports.get(k) != Some(&self.supports[k])
                || before.base.get(k) != Some(&self.base[k])
        };
        let again: Vec<usize> = (1..n).filter(|&k| changed(k) || changed(k - 1)).collect();
        let whole = |k: usize| body.layers[k].union(&self.supports[k]).union(&self.base[k]);
        let found = again
            .par_iter()
            .map(|&k| {
                ctx.job.go_on()?;
                let (here, below, k32) = (whole(k), whole(k - 1), k as u32);
                let islands = here.islands(&below, k32, grid);
                let mut jutting = here.beyond(&below, reach_mm, grid);
                for (_, piece) in &islands {
                    jutting = jutting.minus(piece);
                }
                let jutting = jutting.islands(&Layer::default(), k32, grid);
                let jutting = jutting.into_iter().filter(|j| j.0.pixels >= LEAST_PIXELS);
                let of_body = |region: &Region, piece: &Layer| {
                    let body = piece.intersection(&body.layers[k]);
                    nearest_pixel(&body, region.centroid_mm, grid)
                };
                let loose = |(region, piece): (Region, Layer), floats| Loose {
                    region,
                    of_body: of_body(&region, &piece),
                    floats,
                };
                let mut out: Vec<Loose> = islands.into_iter().map(|i| loose(i, true)).collect();
                out.extend(jutting.map(|j| loose(j, false)));
                Ok(out)
            })
            .collect::<Result<Vec<_>>>()?;
        self.loose = before.loose;
        self.loose.resize_with(n, Vec::new);
        let count = again.len();
        for (k, of_layer) in again.into_iter().zip(found) {
            self.loose[k] = of_layer;
        }
        Ok(count)
    }

    /// Resin of supports and of base, mm³: what they add to the part and, the base, to the supports.
    pub(super) fn added_mm3(&self, body: &Layers) -> (f64, f64) {
        let mut lengths = (0, 0);
        for (k, body) in body.layers.iter().enumerate() {
            let bars = self.supports[k].minus(body);
            lengths.0 += bars.length();
            lengths.1 += self.base[k].minus(body).minus(&bars).length();
        }
        let mm3 = body.grid.cell_mm3() / f64::from(SUBPIXEL);
        (lengths.0 as f64 * mm3, lengths.1 as f64 * mm3)
    }

    /// The greatest area in a layer of what begins as this region, before a layer joins it to
    /// anything else, mm²; not followed beyond `enough_mm2`.
    pub(super) fn widest_mm2(&self, body: &Layers, floats: &Region, enough_mm2: f64) -> f64 {
        let grid = &body.grid;
        let whole = |k: u32| {
            let k = k as usize;
            body.layers[k].union(&self.supports[k]).union(&self.base[k])
        };
        let on = |piece: &Layer, below: &Layer| piece.islands(below, 0, grid).is_empty();
        let area_mm2 =
            |l: &Layer| l.length() as f64 / f64::from(SUBPIXEL) * grid.pitch_mm * grid.pitch_mm;
        let mut k = floats.layer;
        let mut below = whole(k);
        let islands = below.islands(&whole(k - 1), k, grid);
        let found = islands.into_iter().find(|i| i.0 == *floats);
        let mut here = found.map_or_else(Layer::default, |i| i.1);
        let mut widest = floats.area_mm2;
        while widest <= enough_mm2 && k + 1 < grid.layers {
            k += 1;
            let layer = whole(k);
            let others = below.minus(&here);
            let mut next = Layer::default();
            for piece in layer.pieces(grid).iter().filter(|p| on(p, &here)) {
                if on(piece, &others) {
                    return widest;
                }
                next = next.union(piece);
            }
            (here, below) = (next, layer);
            widest = widest.max(area_mm2(&here));
        }
        widest
    }

    /// Everything loose, lowest layer first.
    pub(super) fn loose(&self) -> impl Iterator<Item = &Loose> {
        self.loose.iter().flatten()
    }
}
