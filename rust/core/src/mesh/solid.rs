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
///
/// ```
/// use vatwright::{Mesh, Point, Solid};
/// let corners = [[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]];
/// let facets = vec![[0, 2, 1], [0, 1, 3], [0, 3, 2], [1, 2, 3]];
/// let mesh = Mesh::new("corner", corners.map(Point::from).to_vec(), facets)?;
/// assert!(Solid::try_from(mesh).is_ok());
/// let open = Mesh::new("facet", corners.map(Point::from).to_vec(), vec![[0, 2, 1]])?;
/// assert_eq!(Solid::try_from(open).unwrap_err().code(), "not_solid");
/// # Ok::<(), vatwright::Error>(())
/// ```
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "Mesh", into = "Mesh")]
pub struct Solid(Arc<Mesh>);

/// Least mean thickness of a solid, mm: below it the volume is rounding, since single precision
/// tells points 100 mm from the origin apart by 8 nm.
const LEAST_MM: f64 = 1e-5;

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
    /// [`Error::NotSolid`] with the first rule that is broken, how often, and a place.
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
        let mut open = edges.iter().filter(|e| e.balance() != 0);
        if let Some(first) = open.next() {
            let [a, b] = [first.low, first.high].map(|v| mesh.vertices()[v as usize]);
            let p = nalgebra::center(&a, &b);
            let problem = format!(
                "edges at which its facets do not pair up: {}, one near ({:.3}, {:.3}, {:.3})",
                1 + open.count(),
                p.x,
                p.y,
                p.z
            );
            return fail(problem, "run repair on it");
        }
        let whole = measure::measure(&mesh);
        // A plate's volume is half its area times its thickness.
        let thickness_mm = 2.0 * whole.volume_mm3 / whole.area_mm2;
        if thickness_mm.is_nan() || thickness_mm.abs() < LEAST_MM {
            return fail(
                format!(
                    "its {:.6} mm² of surface enclose {:e} mm³, so it is a sheet without thickness",
                    whole.area_mm2, whole.volume_mm3
                ),
                "give it a thickness in the modelling program, and check its unit",
            );
        }
        if thickness_mm < 0.0 {
            return fail(
                format!("it is inside out: its volume is {:.6} mm³", whole.volume_mm3),
                "run repair on it",
            );
        }
        Ok(Solid(Arc::new(mesh)))
    }
}
