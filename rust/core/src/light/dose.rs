//! The dose of every layer, in one sweep from the last to the first.

use super::between;
use super::blur::Blur;
use crate::error::Result;
use crate::job::Job;
use crate::layers::{Grid, Layer, Layers, SUBPIXEL, Scan, Span, Surface, bounds};
use crate::mechanics::cure;
use crate::mechanics::light::EdgeBlur;
use crate::mesh::{Point, Vector};
use crate::setup::Setup;
use rayon::prelude::*;

/// What a machine's light does in a resin: how it spreads, weakens and cures, and how much of it
/// each layer gets.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Light {
    /// Spread in a layer's plane.
    pub blur: EdgeBlur,
    /// Penetration depth Dp, mm.
    pub penetration_mm: f64,
    /// Critical dose Ec, mJ/cm².
    pub critical_mj_cm2: f64,
    /// Dose of an ordinary layer at the film, mJ/cm².
    pub dose_mj_cm2: f64,
    /// Layers next to the plate that get another dose.
    pub first_layers: u32,
    /// That dose, mJ/cm².
    pub first_dose_mj_cm2: f64,
}

impl Light {
    /// The light of a setup.
    pub fn of(setup: &Setup) -> Light {
        let (r, x) = (&setup.resin, &setup.exposure);
        let dose = |time_s| cure::dose_mj_cm2(x.irradiance_mw_cm2, time_s);
        Light {
            blur: EdgeBlur::of(setup),
            penetration_mm: r.penetration_mm,
            critical_mj_cm2: r.critical_mj_cm2,
            dose_mj_cm2: dose(x.exposure_s),
            first_layers: x.first_layers,
            first_dose_mj_cm2: dose(x.first_exposure_s),
        }
    }

    /// Dose of a layer at the film, mJ/cm².
    pub fn of_layer(&self, layer: u32) -> f64 {
        if layer < self.first_layers { self.first_dose_mj_cm2 } else { self.dose_mj_cm2 }
    }

    /// Part of the light that is left a way deeper, 0–1.
    pub fn left(&self, depth_mm: f64) -> f64 {
        (-depth_mm / self.penetration_mm).exp()
    }

    /// Dose at a layer's middle under many ordinary layers, mJ/cm²: E·e^(−h/2Dp)/(1 − e^(−h/Dp))
    /// (geometric sum).
    pub fn stacked_mj_cm2(&self, layer_mm: f64) -> f64 {
        self.dose_mj_cm2 * self.left(0.5 * layer_mm) / (1.0 - self.left(layer_mm))
    }

    /// How far beyond a wide upright wall of many layers light cures at most, mm, up to 3 mm.
    pub fn reach_mm(&self, layer_mm: f64) -> f64 {
        let most = self.dose_mj_cm2.max(self.first_dose_mj_cm2) / (1.0 - self.left(layer_mm));
        self.blur.growth_mm(most, self.critical_mj_cm2).clamp(0.0, MOST_REACH_MM)
    }
}

/// What cures farther than this from every wall is not followed, mm.
const MOST_REACH_MM: f64 = 3.0;

/// Scan rows to a row of pixels: a wall that faces y is met to an eighth of a pixel.
const POOL: u32 = 4;

/// Memory for the layers of one block, bytes.
const BLOCK_BYTES: usize = 64 << 20;

/// Surfaces under a machine's light.
///
/// The mask is taken as drawn with soft edges, so the panel's own pixel steps are left out; walls
/// that face y are met to an eighth of a pixel. A core narrower than half a pixel is taken as half
/// a pixel wide. Shares of light are within 0.005 of the closed forms for pixels no wider than the
/// core.
///
/// ```
/// use vatwright::{Job, Part, Role, Setup, light::{Light, Dose}, mesh::shapes::cuboid};
/// let part = Part::new(cuboid(2.0, 2.0, 1.0)?);
/// let dose = Dose::new(&part.surfaces(&Role::ALL), Light::of(&Setup::default()), 0.05, 0.05)?;
/// let cured = dose.cured(&Job::default())?;
/// // Over-exposed first layers flare.
/// assert!(cured.layer(0).area_mm2(&cured.grid) > 1.1 * cured.layer(15).area_mm2(&cured.grid));
/// # Ok::<(), vatwright::Error>(())
/// ```
pub struct Dose {
    light: Light,
    grid: Grid,
    scan: Scan,
    /// What was asked for, where other surfaces are drawn.
    asked: Option<Scan>,
}

/// The dose in one layer.
#[derive(Clone, Copy, Debug)]
pub struct LayerDose<'a> {
    /// Where layers, rows and pixels lie.
    pub grid: &'a Grid,
    /// Which layer.
    pub layer: u32,
    light: &'a Light,
    values: &'a [f32],
    fine: &'a Grid,
    asked: &'a Layer,
}

impl Dose {
    /// Surfaces under a light, on pixels of that pitch.
    ///
    /// # Errors
    /// As [`Grid::around`].
    pub fn new(
        surfaces: &[Surface<'_>],
        light: Light,
        layer_mm: f64,
        pitch_mm: f64,
    ) -> Result<Dose> {
        Dose::against(None, surfaces, light, layer_mm, pitch_mm)
    }

    /// Surfaces that are drawn so that others come out, those asked for.
    pub(crate) fn against(
        asked: Option<&[Surface<'_>]>,
        surfaces: &[Surface<'_>],
        light: Light,
        layer_mm: f64,
        pitch_mm: f64,
    ) -> Result<Dose> {
        let mut room = bounds(surfaces);
        if let Some(asked) = asked {
            room = room.union(&bounds(asked));
        }
        if !room.is_empty() {
            let reach = light.reach_mm(layer_mm) + 2.0 * pitch_mm;
            let aside = Vector::new(reach, reach, 0.0);
            (room.min, room.max) = (room.min - aside, room.max + aside);
        }
        let fine = Grid::over(&room, layer_mm, pitch_mm / f64::from(POOL))?;
        let (columns, rows) = (fine.columns.div_ceil(POOL), fine.rows.div_ceil(POOL));
        let grid = Grid { pitch_mm, columns, rows, ..fine };
        let asked = asked.map(|asked| Scan::new(asked, fine));
        Ok(Dose { light, grid, scan: Scan::new(surfaces, fine), asked })
    }

    /// Where layers, rows and pixels lie.
    pub fn grid(&self) -> &Grid {
        &self.grid
    }

    /// The light that falls on them.
    pub fn light(&self) -> &Light {
        &self.light
    }

    /// Shows the dose of every layer, last to first, holding one layer's at a time.
    ///
    /// # Errors
    /// [`Error::Cancelled`](crate::Error::Cancelled), or what `visit` returns.
    pub fn each_layer(
        &self,
        job: &Job,
        mut visit: impl FnMut(LayerDose<'_>) -> Result<()>,
    ) -> Result<()> {
        let (grid, light) = (&self.grid, &self.light);
        let mut values = vec![0.0; grid.rows as usize * grid.columns as usize];
        let mut blur = Blur::new(grid, POOL, &light.blur.gaussians());
        let keep = light.left(grid.layer_mm) as f32;
        self.scan.for_each_block_down(BLOCK_BYTES, job, |block| {
            let end = block.first + block.layers.len() as u32;
            let asked = self.asked.as_ref().map(|scan| scan.some(block.first..end, job));
            let asked = asked.transpose()?;
            for (i, layer) in block.layers.iter().enumerate().rev() {
                job.go_on()?;
                let k = block.first + i as u32;
                blur.expose(layer, light.of_layer(k) as f32, keep, &mut values);
                let fine = self.scan.grid();
                let asked = asked.as_ref().map_or(layer, |asked| &asked.layers[i]);
                visit(LayerDose { grid, layer: k, light, values: &values, fine, asked })?;
            }
            Ok(())
        })
    }

    /// The layers as they will be: what has the critical dose at each layer's middle.
    ///
    /// # Errors
    /// [`Error::Cancelled`](crate::Error::Cancelled).
    pub fn cured(&self, job: &Job) -> Result<Layers> {
        let mut layers = Vec::with_capacity(self.grid.layers as usize);
        self.each_layer(job, |field| {
            layers.push(field.cured());
            Ok(())
        })?;
        layers.reverse();
        Ok(Layers { grid: self.grid, first: 0, layers })
    }
}

/// Doses below this part of the critical one are as good as none: ends of spans between pixels are
/// found on the logarithm of the dose.
const NO_DOSE: f32 = 1e-4;

impl LayerDose<'_> {
    /// Dose at a place in this layer, mJ/cm²: between the centres of pixels on cubics of its
    /// logarithm, along z exact. Nothing at the border of the grid and outside.
    pub fn at(&self, place: &Point) -> f64 {
        let g = self.grid;
        let pixel = |at: f64, first: f64| (at - first) / g.pitch_mm - 0.5;
        let (x, y) = (pixel(place.x, g.x0_mm), pixel(place.y, g.y0_mm));
        let inside = |v: f64, n: u32| v >= 1.0 && v < f64::from(n) - 2.0;
        if !inside(x, g.columns) || !inside(y, g.rows) {
            return 0.0;
        }
        let none = f64::from(NO_DOSE) * self.light.critical_mj_cm2;
        let (i, j) = (x as usize, y as u32);
        let along = |d: usize| {
            let row = self.row(j + d as u32 - 1);
            let near = std::array::from_fn(|e| f64::from(row[i + e - 1]).max(none).ln());
            between::value(near, x - i as f64)
        };
        let log = between::value(std::array::from_fn(along), y - f64::from(j));
        let depth = f64::from(self.layer + 1) * g.layer_mm - place.z;
        log.exp() * self.light.left(depth)
    }

    /// Whether the layer is asked for at a place.
    pub fn is_asked(&self, place: &Point) -> bool {
        self.asked.holds(place.x, place.y, self.fine)
    }

    /// Area that is asked of the layer, mm².
    pub fn asked_mm2(&self) -> f64 {
        self.asked.area_mm2(self.fine)
    }

    /// Doses along a row of pixels at the layer's face towards the film, mJ/cm².
    pub fn row(&self, row: u32) -> &[f32] {
        let width = self.grid.columns as usize;
        &self.values[row as usize * width..][..width]
    }

    /// What has the critical dose at the layer's middle.
    pub fn cured(&self) -> Layer {
        let critical = self.light.critical_mj_cm2 / self.light.left(0.5 * self.grid.layer_mm);
        let rows: Vec<Vec<Span>> = (0..self.grid.rows)
            .into_par_iter()
            .map(|row| above(self.row(row), critical as f32))
            .collect();
        let first = rows.iter().position(|r| !r.is_empty()).unwrap_or(0);
        let end = rows.iter().rposition(|r| !r.is_empty()).map_or(first, |last| last + 1);
        Layer::from_rows(first as u32..end as u32, |row, out| {
            out.extend_from_slice(&rows[row as usize]);
        })
    }
}

/// Where a row of values at the centres of pixels reaches a limit.
fn above(row: &[f32], limit: f32) -> Vec<Span> {
    let mut out: Vec<Span> = Vec::new();
    let none = NO_DOSE * limit;
    let value = |i: usize| row.get(i).copied().unwrap_or(0.0);
    let most = row.len() as u32 * SUBPIXEL;
    let mut open = None;
    // Pixel `i` and the one before it, which the first has none of.
    for i in 0..=row.len() {
        if (value(i) >= limit) == open.is_some() {
            continue;
        }
        let near =
            std::array::from_fn(|d| f64::from(value((i + d).wrapping_sub(2)).max(none).ln()));
        let at = i as f64 - 0.5 + between::place(near, f64::from(limit.ln()));
        let at = ((at.max(0.0) * f64::from(SUBPIXEL)).round() as u32).min(most);
        match open.take() {
            None => open = Some(at),
            Some(x0) if x0 < at => out.push(Span { x0, x1: at }),
            Some(_) => {}
        }
    }
    out
}
