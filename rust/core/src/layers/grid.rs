//! Where layers, rows and pixels lie.

use super::surface::{Surface, bounds};
use crate::error::{Error, Result, check_range};
use crate::mesh::{Bounds, Point};
use serde::{Deserialize, Serialize};

/// The lattice of layers, pixel rows and pixels that surfaces are scanned on.
///
/// Pixel (column i, row j) of layer k covers x0 + i·pitch ≤ x < x0 + (i+1)·pitch, the same in y,
/// and k·layer ≤ z < (k+1)·layer. It is solid where its centre is.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Grid {
    /// Thickness of a layer, mm.
    pub layer_mm: f64,
    /// Edge of a pixel, mm.
    pub pitch_mm: f64,
    /// Left edge of column 0, mm.
    pub x0_mm: f64,
    /// Front edge of row 0, mm.
    pub y0_mm: f64,
    /// Pixels along x.
    pub columns: u32,
    /// Rows along y.
    pub rows: u32,
    /// Layers along z.
    pub layers: u32,
}

/// Ends of spans count in this many parts of a pixel. Whole numbers make sums exact and
/// independent of their order.
pub const SUBPIXEL: u32 = 1 << 12;

/// A crossing of a row holds its place and, in this many low bits, the surface's fill and whether
/// it leaves.
pub(super) const TAG_BITS: u32 = 3;

/// Crossings are 32-bit numbers that also hold a tag.
const MAX_COLUMNS: u32 = (1 << (32 - TAG_BITS)) / SUBPIXEL - 2;

/// Layers of something so high: a layer counts when its middle lies below the top.
pub fn layers_to(height_mm: f64, layer_mm: f64) -> u32 {
    (height_mm / layer_mm - 0.5).ceil().clamp(0.0, f64::from(u32::MAX)) as u32
}

impl Grid {
    /// The grid around surfaces: from the plate to the top of the highest ([`layers_to`]), lattice
    /// lines on whole multiples of the pitch, one free pixel on every side.
    ///
    /// # Errors
    /// [`Error::Value`] for a pitch or layer outside 0.001..=10 mm, [`Error::Limit`] when more
    /// than about 130 000 pixels, rows or layers would be needed.
    ///
    /// ```
    /// use vatwright::{layers::{Grid, Surface}, mesh::shapes::cuboid};
    /// let block = cuboid(4.0, 4.0, 2.0)?;
    /// let grid = Grid::around(&[Surface::body(&block)], 0.05, 0.1)?;
    /// assert_eq!(grid.layers, 40); // 2 mm of 0.05 mm each
    /// # Ok::<(), vatwright::Error>(())
    /// ```
    pub fn around(surfaces: &[Surface<'_>], layer_mm: f64, pitch_mm: f64) -> Result<Grid> {
        Grid::over(&bounds(surfaces), layer_mm, pitch_mm)
    }

    /// The grid over a box; see [`Grid::around`].
    ///
    /// # Errors
    /// As [`Grid::around`].
    pub fn over(bounds: &Bounds, layer_mm: f64, pitch_mm: f64) -> Result<Grid> {
        check_range("layer_mm", layer_mm, 1e-3, 10.0, "mm")?;
        check_range("pitch_mm", pitch_mm, 1e-3, 10.0, "mm")?;
        if bounds.is_empty() {
            return Ok(Grid {
                layer_mm,
                pitch_mm,
                x0_mm: 0.0,
                y0_mm: 0.0,
                columns: 0,
                rows: 0,
                layers: 0,
            });
        }
        let low = |v: f64| (v / pitch_mm).floor() - 1.0;
        let (i0, j0) = (low(bounds.min.x), low(bounds.min.y));
        let count = |max: f64, first: f64| (max / pitch_mm).floor() + 2.0 - first;
        let (columns, rows) = (count(bounds.max.x, i0), count(bounds.max.y, j0));
        let layers = f64::from(layers_to(bounds.max.z, layer_mm));
        let most = columns.max(rows).max(layers);
        if most > f64::from(MAX_COLUMNS) {
            return Err(Error::Limit {
                place: "the layer grid".into(),
                value: most,
                limit: f64::from(MAX_COLUMNS),
                unit: "pixels on one axis",
                remedy: "check the model's unit, or use a coarser pitch".into(),
            });
        }
        Ok(Grid {
            layer_mm,
            pitch_mm,
            x0_mm: i0 * pitch_mm,
            y0_mm: j0 * pitch_mm,
            columns: columns as u32,
            rows: rows as u32,
            layers: layers as u32,
        })
    }

    /// Volume of one cell, mm³.
    pub fn cell_mm3(&self) -> f64 {
        self.pitch_mm * self.pitch_mm * self.layer_mm
    }

    /// Height of the middle of a layer, mm.
    pub fn z_mm(&self, layer: u32) -> f64 {
        (f64::from(layer) + 0.5) * self.layer_mm
    }

    /// The layer that holds height `z_mm`; heights below the plate give layer 0.
    pub fn layer_at(&self, z_mm: f64) -> u32 {
        (z_mm / self.layer_mm).floor().clamp(0.0, f64::from(u32::MAX)) as u32
    }

    /// Centre of a pixel, mm.
    pub fn pixel(&self, column: u32, row: u32, layer: u32) -> Point {
        Point::new(
            self.x0_mm + (f64::from(column) + 0.5) * self.pitch_mm,
            self.y0_mm + (f64::from(row) + 0.5) * self.pitch_mm,
            self.z_mm(layer),
        )
    }
}
