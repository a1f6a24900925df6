//! Pictures drawn by our own code, so that they need no graphics card, no library and no screen,
//! and come out the same on every machine: the plan of a plate as SVG, and parts as they stand
//! on the plate as shaded PNG.

mod plan;
mod png;
mod render;

use crate::error::{Result, check_range};
use crate::job::Job;
use crate::layers::Layers;
use crate::mesh::{Mesh, Point, Pose, Vector};
use crate::part::{Part, Role, VentHole};
use crate::plate::Plate;
use render::{Canvas, Eye, Paint};
use serde::{Deserialize, Serialize};
use std::f64::consts::TAU;

/// Colour of vents in pictures and models: what has to be found again and closed.
pub const VENT_COLOUR: [u8; 3] = [0xc4, 0x2d, 0x6b];

/// From where a part is looked at, and how large the picture is.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct View {
    /// Where the eye stands, degrees counter-clockwise from +x as seen from above.
    pub azimuth_deg: f64,
    /// How high the eye stands, degrees from the horizontal plane.
    pub elevation_deg: f64,
    /// Length of the longer side, pixels.
    pub size_px: u32,
    /// What is shown.
    pub roles: Vec<Role>,
}

impl Default for View {
    fn default() -> View {
        View { azimuth_deg: 300.0, elevation_deg: 20.0, size_px: 320, roles: Role::ALL.to_vec() }
    }
}

/// A picture: a palette and one index a pixel, row by row from the top. Index 0 is clear.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Picture {
    /// Pixels from left to right.
    pub width_px: u32,
    /// Pixels from top to bottom.
    pub height_px: u32,
    /// Red, green, blue, opacity of each index.
    pub palette: Vec<[u8; 4]>,
    /// The pixels.
    pub pixels: Vec<u8>,
}

impl Picture {
    /// The picture as PNG (ISO/IEC 15948), clear where nothing is.
    pub fn png(&self) -> Vec<u8> {
        png::encode(self)
    }
}

impl Layers {
    /// Layer `k` as the panel shows it, white where it is lit, the back of the plate up.
    ///
    /// # Panics
    /// When this block does not hold it.
    pub fn picture(&self, k: u32) -> Picture {
        let (columns, rows) = (self.grid.columns, self.grid.rows);
        let mask = self.mask(k);
        let lines = mask.chunks(columns.max(1) as usize).rev();
        Picture {
            width_px: columns,
            height_px: rows,
            palette: vec![[0x16, 0x1b, 0x1f, 255], [255; 4]],
            pixels: lines.flatten().map(|&lit| u8::from(lit > 0)).collect(),
        }
    }
}

impl Part {
    /// The part as it stands on the plate, in parallel projection: surfaces shaded by the light
    /// that falls on them, each role in its own colour, vents marked.
    ///
    /// # Errors
    /// [`Error::Value`](crate::Error::Value) for a size out of range,
    /// [`Error::Cancelled`](crate::Error::Cancelled).
    pub fn picture(&self, view: &View, job: &Job) -> Result<Picture> {
        draw(&[(self, Pose::identity())], view, job)
    }
}

impl Plate {
    /// The plate with everything on it, as [`Part::picture`] shows a part.
    ///
    /// # Errors
    /// As [`Part::picture`].
    pub fn picture(&self, view: &View, job: &Job) -> Result<Picture> {
        let placed: Vec<(&Part, Pose)> = self.placed.iter().map(|p| (&*p.part, p.pose())).collect();
        draw(&placed, view, job)
    }
}

fn draw(parts: &[(&Part, Pose)], view: &View, job: &Job) -> Result<Picture> {
    check_range("picture.size_px", f64::from(view.size_px), 8.0, 4096.0, "px")?;
    check_range("picture.elevation_deg", view.elevation_deg, -90.0, 90.0, "°")?;
    check_range("picture.azimuth_deg", view.azimuth_deg, -360.0, 360.0, "°")?;
    let mut shown: Vec<(&Mesh, Pose, Paint)> = Vec::new();
    for (part, pose) in parts {
        for &role in &view.roles {
            // Walls of closed cavities cannot be seen.
            let seen = part.surfaces(&[role]).into_iter().filter(|s| !part.is_cavity(s.mesh));
            shown.extend(seen.map(|s| (s.mesh, pose * s.pose, Paint::Role(role))));
        }
    }
    let eye = Eye::new(view.azimuth_deg, view.elevation_deg);
    let mut canvas = Canvas::around(&shown, &eye, view.size_px);
    for (i, (mesh, pose, paint)) in shown.iter().enumerate() {
        job.checkpoint(i as f64 / shown.len() as f64)?;
        canvas.add(mesh, pose, *paint);
    }
    if view.roles.contains(&Role::Body) {
        for (part, pose) in parts {
            for vent in &part.vents {
                canvas.add(&cap(vent, canvas.pixel_mm()), &(pose * part.pose), Paint::Vent);
            }
        }
    }
    Ok(canvas.picture())
}

/// A cap on the mouth of a vent, in body coordinates: as wide as the hole, but never too small to
/// be seen.
fn cap(vent: &VentHole, pixel_mm: f64) -> Mesh {
    const SIDES: u32 = 20;
    /// Least radius in the picture, pixels.
    const LEAST_PX: f64 = 2.0;
    let radius = (0.5 * vent.diameter_mm).max(LEAST_PX * pixel_mm);
    let other = if vent.inward.x.abs() < 0.8 { Vector::x() } else { Vector::y() };
    let u = vent.inward.cross(&other).normalize();
    let v = vent.inward.cross(&u);
    let corner = |along: f64, i: u32| -> Point {
        let (s, c) = (TAU * f64::from(i) / f64::from(SIDES)).sin_cos();
        vent.mouth + vent.inward * along + (u * c + v * s) * radius
    };
    let (out, inside) = (-0.25 * radius, 0.5 * radius);
    let mut vertices: Vec<Point> =
        [out, inside].iter().flat_map(|&t| (0..SIDES).map(move |i| corner(t, i))).collect();
    vertices.push(vent.mouth + vent.inward * out);
    let middle = 2 * SIDES;
    let triangles = (0..SIDES).flat_map(|i| {
        let j = (i + 1) % SIDES;
        [[middle, j, i], [i, j, SIDES + j], [i, SIDES + j, SIDES + i]]
    });
    Mesh::new("vent", vertices, triangles.collect()).unwrap_or_default()
}
