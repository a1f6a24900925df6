//! The layer engine: everything the printer will see, and all that follows from it.

use crate::mesh::{Mesh, Pose};

/// A triangle surface at its place, as the engine reads it.
#[derive(Clone, Copy, Debug)]
pub struct Surface<'a> {
    /// The triangles.
    pub mesh: &'a Mesh,
    /// Takes mesh coordinates to plate coordinates.
    pub pose: Pose,
}
