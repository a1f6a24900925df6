//! The plate: placed parts that print together.

use crate::mesh::{Bounds, Pose};
use crate::part::Part;
use nalgebra::{Translation3, UnitQuaternion, Vector3};
use serde::{Deserialize, Serialize};
use std::sync::Arc;

/// A part at its place. Copies of a part share its geometry.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Placed {
    /// The part in its own plate coordinates.
    pub part: Arc<Part>,
    /// Where the part's origin lands, mm from the plate's left edge.
    pub x_mm: f64,
    /// Where the part's origin lands, mm from the plate's front edge.
    pub y_mm: f64,
    /// Rotation about z, degrees, counter-clockwise seen from +z.
    pub turn_deg: f64,
}

impl Placed {
    /// Takes the part's plate coordinates to this plate's.
    pub fn pose(&self) -> Pose {
        Pose::from_parts(
            Translation3::new(self.x_mm, self.y_mm, 0.0),
            UnitQuaternion::from_axis_angle(&Vector3::z_axis(), self.turn_deg.to_radians()),
        )
    }

    /// Box around everything of it, in plate coordinates.
    pub fn bounds(&self) -> Bounds {
        let pose = self.pose();
        let surfaces = self.part.surfaces(&crate::part::Role::ALL);
        surfaces.iter().fold(Bounds::EMPTY, |b, s| b.union(&s.mesh.bounds_at(&(pose * s.pose))))
    }
}

/// Parts that print together. The plate's origin is its front left corner.
///
/// ```
/// use std::sync::Arc;
/// use vatwright::{Part, Placed, Plate, mesh::shapes::cuboid};
/// let part = Arc::new(Part::new(cuboid(10.0, 10.0, 5.0)?));
/// let at = |x_mm: f64| Placed { part: Arc::clone(&part), x_mm, y_mm: 40.0, turn_deg: 0.0 };
/// let plate = Plate {
///     name: "gears".into(),
///     width_mm: 130.0,
///     depth_mm: 80.0,
///     placed: vec![at(20.0), at(35.0)],
///     ..Plate::default()
/// };
/// assert_eq!(plate.height_mm(), 5.0);
/// # Ok::<(), vatwright::Error>(())
/// ```
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Plate {
    /// Name used in reports and files.
    pub name: String,
    /// Name of the setup that prints it.
    #[serde(default)]
    pub printer: String,
    /// Usable size along x, mm.
    pub width_mm: f64,
    /// Usable size along y, mm.
    pub depth_mm: f64,
    /// The parts.
    pub placed: Vec<Placed>,
}

impl Plate {
    /// Height of the tallest part, mm.
    pub fn height_mm(&self) -> f64 {
        self.placed.iter().map(|p| p.part.bounds().max.z).fold(0.0, f64::max)
    }

    /// Box around everything on the plate.
    pub fn bounds(&self) -> Bounds {
        self.placed.iter().fold(Bounds::EMPTY, |b, p| b.union(&p.bounds()))
    }
}
