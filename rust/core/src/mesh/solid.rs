//! A mesh proven to enclose a volume.

use super::edges::Edges;
use super::{Mesh, measure};
use crate::error::{Error, Result};
use serde::{Deserialize, Serialize};
use std::sync::Arc;

/// A mesh proven closed, consistently oriented and of positive volume; only
/// [`Solid::try_from`] and [`repair`](super::health::repair) make one. Cheap to clone.
///
/// A solid may overlap itself (most figures made of several shells do): its material is what
/// non-zero winding fills. [`measure`] counts such overlaps twice; the layer engine does not.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "Mesh", into = "Mesh")]
pub struct Solid(Arc<Mesh>);

impl Solid {
    /// The triangles.
    pub fn mesh(&self) -> &Mesh {
        &self.0
    }
}

impl std::ops::Deref for Solid {
    type Target = Mesh;
    fn deref(&self) -> &Mesh {
        &self.0
    }
}

impl From<Solid> for Mesh {
    fn from(s: Solid) -> Mesh {
        Arc::unwrap_or_clone(s.0)
    }
}

impl TryFrom<Mesh> for Solid {
    type Error = Error;

    /// Proves the mesh.
    ///
    /// # Errors
    /// [`Error::NotSolid`] with the first rule that is broken and its place.
    fn try_from(mesh: Mesh) -> Result<Solid> {
        let fail = |problem: String, remedy: &str| {
            Err(Error::NotSolid { name: mesh.name().into(), problem, remedy: remedy.into() })
        };
        if mesh.triangles().is_empty() {
            return fail("it has no triangles".into(), "check the export");
        }
        // Every directed edge must be met by its opposite equally often: then each layer's
        // outline closes and winding numbers are whole.
        let edges = Edges::of(mesh.vertices().len(), mesh.triangles());
        if let Some(open) = edges.iter().find(|e| e.balance() != 0) {
            let [a, b] = [open.low, open.high].map(|v| mesh.vertices()[v as usize]);
            let p = nalgebra::center(&a, &b);
            return fail(
                format!("an edge is open near ({:.3}, {:.3}, {:.3})", p.x, p.y, p.z),
                "run repair on it",
            );
        }
        let volume = measure::volume_mm3(&mesh);
        if volume <= 0.0 {
            return fail(
                format!("its volume is {volume:.6} mm³, so it is inside out or flat"),
                "run repair on it",
            );
        }
        Ok(Solid(Arc::new(mesh)))
    }
}
