//! A new surface around whatever a mesh winds around: for soups, doubled faces, edges of more than
//! two facets and shells that pass through each other, which no mending of single facets settles.
//!
//! The surface is where the winding number passes one half. Where the mesh is sound that is the
//! mesh itself, and new vertices are set on it; across gaps it is the smooth surface that the open
//! edges pull taut.

use super::distance::{Tree, skin};
use super::iso::{Field, Sample, surface};
use super::winding::Winding;
use super::{Mesh, Point, Vector};
use crate::error::{Error, Result};
use crate::job::Job;
use rayon::prelude::*;

/// A new surface.
pub(crate) struct Rebuilt {
    pub(crate) mesh: Mesh,
    /// The place on it farthest from the old surface.
    pub(crate) farthest: Point,
    /// How far that is, mm.
    pub(crate) error_mm: f64,
}

/// Open sheets that become walls.
pub(crate) struct Sheets {
    /// Their triangles.
    pub(crate) facets: Vec<[Point; 3]>,
    /// Thickness of the walls, mm.
    pub(crate) wall_mm: f64,
}

/// Builds the surface on a grid.
///
/// # Errors
/// [`Error::Limit`] when the grid or the open edges are too many, [`Error::NotSolid`] when the mesh
/// winds around nothing, [`Error::Cancelled`].
pub(crate) fn rebuild(
    mesh: &Mesh,
    sheets: Option<Sheets>,
    cell_mm: f64,
    max_cells: u64,
    job: &Job,
) -> Result<Rebuilt> {
    let winding = Winding::of(mesh);
    if winding.open_edges() > MOST_OPEN {
        return Err(Error::Limit {
            place: format!("rebuilding '{}'", mesh.name()),
            value: winding.open_edges() as f64,
            limit: MOST_OPEN as f64,
            unit: "open edges",
            remedy: "weld them first: raise repair.weld_mm".into(),
        });
    }
    job.checkpoint(0.05)?;
    let whole = winding.open_edges() == 0;
    // Facets inside the material must not be measured from.
    let bounding = if whole {
        skin(mesh, winding.closed(), cell_mm, &job.stage("skin", 0.05, 0.2))?.map(Tree::new)
    } else {
        None
    };
    let own = Tree::of(mesh);
    let sheets = sheets.map(|s| (Tree::new(s.facets), s.wall_mm / 2.0));
    let around = sheets.as_ref().map_or(0.0, |s| s.1) + cell_mm;
    let mut bounds = mesh.bounds();
    bounds.min -= Vector::repeat(around);
    bounds.max += Vector::repeat(around);
    let mut field =
        Wound { winding, skin: bounding.as_ref().unwrap_or(&own), sheets, whole, share: 1.0 };
    let made = loop {
        let stage = job.stage("surface", 0.2, 0.9);
        match surface(&field, &bounds, cell_mm, max_cells, &stage) {
            // Near open edges the number may change faster than was counted on.
            Err(Error::Mesh { .. }) if field.share > LEAST_SHARE => field.share /= 2.0,
            other => break other?,
        }
    };
    if made.triangles().is_empty() {
        return Err(Error::NotSolid {
            name: mesh.name().into(),
            problem: "its facets wind around nothing: they are open sheets".into(),
            remedy: "to make walls of them set repair.sheet_mm to a thickness".into(),
        });
    }
    let made = made.renamed(mesh.name());
    job.checkpoint(0.9)?;
    let reach = bounds.size().norm();
    let away = |p: &Point| own.nearest(p, reach).map_or(reach, |h| h.distance_mm);
    let distances: Vec<f64> = made.vertices().par_iter().map(away).collect();
    let worst = (0..distances.len()).max_by(|&i, &j| distances[i].total_cmp(&distances[j]));
    let worst = worst.unwrap_or(0);
    Ok(Rebuilt { farthest: made.vertices()[worst], error_mm: distances[worst], mesh: made })
}

/// Most open edges that every sample may have to sum over.
const MOST_OPEN: usize = 20_000;
/// How far the field is scaled down at most where it changes too fast.
const LEAST_SHARE: f64 = 0.2;

/// Distance to the surface where the winding number is whole, less where it is not: it falls to
/// nothing where the number is one half.
struct Wound<'a> {
    winding: Winding,
    skin: &'a Tree,
    /// Open sheets and half their wall.
    sheets: Option<(Tree, f64)>,
    /// Whether the number is whole everywhere.
    whole: bool,
    share: f64,
}

/// The last sample: where the number is whole, all within its distance is on its side.
#[derive(Clone)]
struct Near {
    slot: u32,
    sheet: u32,
    place: Point,
    value_mm: f64,
}

impl Wound<'_> {
    /// How surely a point lies inside, from −1 to 1.
    fn side(&self, p: &Point, near: &Near) -> f64 {
        if self.whole && (p - near.place).norm() < near.value_mm.abs() {
            return near.value_mm.signum();
        }
        (2.0 * self.winding.at(p) - 1.0).clamp(-1.0, 1.0)
    }
}

impl Field for Wound<'_> {
    type Hint = Near;

    fn hint(&self) -> Near {
        Near { slot: u32::MAX, sheet: u32::MAX, place: Point::origin(), value_mm: 0.0 }
    }

    fn at(&self, point: &Point, band: f64, near: &mut Near) -> Sample {
        let reach = band / self.share;
        let side = self.side(point, near);
        let hit = self.skin.nearest_from(point, near.slot, 0.0, reach);
        near.slot = hit.map_or(near.slot, |h| h.slot);
        let distance = hit.map_or(reach, |h| h.distance_mm);
        (near.place, near.value_mm) = (*point, distance * side);
        // A point on the surface is on neither side; a hair decides.
        let value = self.share * distance.max(1e-12) * side;
        let sure = side.abs() > 0.999;
        let gradient = hit
            .filter(|h| sure && h.distance_mm > 0.0)
            .map_or(Vector::zeros(), |h| (point - h.point) * (side.signum() / h.distance_mm));
        let body = Sample { value, gradient: gradient * self.share };
        let Some((sheets, half)) = &self.sheets else { return body };
        let hit = sheets.nearest_from(point, near.sheet, 0.0, half + band);
        near.sheet = hit.map_or(near.sheet, |h| h.slot);
        let Some(h) = hit else { return body };
        if half - h.distance_mm <= body.value {
            return body;
        }
        let inward = (h.point - point).try_normalize(0.0).unwrap_or_default();
        Sample { value: half - h.distance_mm, gradient: inward }
    }

    /// Sets a vertex beside the old surface on it.
    fn settle(&self, vertex: Point, sharp: bool, near: &mut Near) -> Point {
        if sharp || self.sheets.is_some() {
            return vertex;
        }
        let hit = self.skin.nearest_from(&vertex, near.slot, 0.0, SETTLE_MM);
        hit.map_or(vertex, |h| h.point)
    }
}

/// How far a vertex may be moved onto the old surface, mm: farther ones belong to a gap.
const SETTLE_MM: f64 = 0.1;
