//! Closed surfaces from fields: where a function of space is positive becomes a mesh that is a
//! closed 2-manifold by construction. Hollow cuts its cavities with it, and the demo's figures
//! come out of it.
//!
//! The function must not change faster than 1 mm per mm (a distance does not). One sample then
//! settles a whole ball around it, and only a thin band of small bricks near the surface is ever
//! looked at: cost and memory go with the surface, not with the volume.
//!
//! The surface is the dual of marching cubes (Nielson 2004, from memory): one vertex for each
//! sheet of surface in a cell, one quadrilateral for each grid edge that changes sign. Where a
//! face of the grid is ambiguous, `cases` pairs it so that no edge is used four times.

mod bricks;
mod cases;
mod surface;

pub use bricks::Bricks;

use super::{Bounds, Mesh, Point, Vector};
use crate::error::Result;
use crate::job::Job;

/// A field at one point.
#[derive(Clone, Copy, Debug)]
pub struct Sample {
    /// Positive inside, mm.
    pub value: f64,
    /// Unit direction in which the value grows fastest; zero when not known.
    pub gradient: Vector,
}

/// A function of space whose positive side becomes a mesh.
pub trait Field: Sync {
    /// What a sample leaves behind to make the next one close by cheaper.
    type Hint: Clone + Send + Sync;

    /// The hint to begin with.
    fn hint(&self) -> Self::Hint;

    /// Samples the field. The value may change by at most the distance between two points. Where
    /// it is beyond ±`band`, any number between that and it will do.
    fn at(&self, point: &Point, band: f64, hint: &mut Self::Hint) -> Sample;

    /// Moves a vertex closer to the true surface. `sharp` tells that the vertex already stands on
    /// an edge or corner fitted to several tangent planes.
    fn settle(&self, vertex: Point, sharp: bool, hint: &mut Self::Hint) -> Point {
        let _ = (sharp, hint);
        vertex
    }
}

/// The closed surface around the positive side of a field inside `bounds`, outward side away from
/// it. The field must be negative outside `bounds`.
///
/// # Errors
/// [`Error::Limit`](crate::Error::Limit) when more than `max_cells` grid nodes would be stored,
/// [`Error::Cancelled`](crate::Error::Cancelled).
pub fn surface<F: Field>(
    field: &F,
    bounds: &Bounds,
    cell_mm: f64,
    max_cells: u64,
    job: &Job,
) -> Result<Mesh> {
    Bricks::find(field, bounds, cell_mm, max_cells, job)?.surface(field, job)
}
