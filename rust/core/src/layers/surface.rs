//! What is scanned: triangle surfaces at their places.

use crate::mesh::{Bounds, Mesh, Pose};

/// How a surface takes part in the fill. Windings are summed per kind, since a body that overlaps
/// itself winds twice there and one cavity surface could not empty it. A point is solid when
/// `(body ≠ 0 and cavity = 0) or added ≠ 0`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fill {
    /// Fills what it winds around.
    Body = 0,
    /// Empties the body where it winds, however often the body overlaps there.
    Cavity = 1,
    /// Fills what it winds around, also inside a cavity: lattice, supports, raft.
    Added = 2,
}

/// A triangle surface at its place, as the engine reads it.
#[derive(Clone, Copy, Debug)]
pub struct Surface<'a> {
    /// The triangles.
    pub mesh: &'a Mesh,
    /// Takes mesh coordinates to plate coordinates.
    pub pose: Pose,
    /// What it does to the space it winds around.
    pub fill: Fill,
}

impl<'a> Surface<'a> {
    /// A surface that fills, with mesh coordinates taken as they are.
    pub fn body(mesh: &'a Mesh) -> Surface<'a> {
        Surface { mesh, pose: Pose::identity(), fill: Fill::Body }
    }
}

/// Box around surfaces at their places.
pub fn bounds(surfaces: &[Surface<'_>]) -> Bounds {
    surfaces.iter().fold(Bounds::EMPTY, |b, s| b.union(&s.mesh.bounds_at(&s.pose)))
}
