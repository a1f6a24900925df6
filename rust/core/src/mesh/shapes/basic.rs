//! Shapes with flat faces.

use super::{extrude, length, solid};
use crate::error::Result;
use crate::mesh::{Point, Solid};

/// A box with one corner at the origin.
///
/// # Errors
/// [`Error::Value`](crate::Error::Value) when an edge is not a sensible length.
pub fn cuboid(x_mm: f64, y_mm: f64, z_mm: f64) -> Result<Solid> {
    length("cuboid", "x_mm", x_mm)?;
    length("cuboid", "y_mm", y_mm)?;
    let outline = vec![[0.0, 0.0], [x_mm, 0.0], [x_mm, y_mm], [0.0, y_mm]];
    extrude("cuboid", &[outline], z_mm)
}

/// A flat plate, centred on the z axis.
///
/// # Errors
/// [`Error::Value`](crate::Error::Value) when a size is not a sensible length.
pub fn plate(length_mm: f64, width_mm: f64, thickness_mm: f64) -> Result<Solid> {
    length("plate", "length_mm", length_mm)?;
    length("plate", "width_mm", width_mm)?;
    let (x, y) = (length_mm / 2.0, width_mm / 2.0);
    extrude("plate", &[vec![[-x, -y], [x, -y], [x, y], [-x, y]]], thickness_mm)
}

/// A wedge: the box halved along the diagonal of its xz side; its slope falls from
/// (x = 0, z = `z_mm`) to (x = `x_mm`, z = 0).
///
/// # Errors
/// [`Error::Value`](crate::Error::Value) when an edge is not a sensible length.
pub fn wedge(x_mm: f64, y_mm: f64, z_mm: f64) -> Result<Solid> {
    length("wedge", "x_mm", x_mm)?;
    length("wedge", "y_mm", y_mm)?;
    length("wedge", "z_mm", z_mm)?;
    let side = |y| {
        [Point::new(0.0, y, 0.0), Point::new(x_mm, y, 0.0), Point::new(0.0, y, z_mm)].into_iter()
    };
    let triangles = vec![
        [0, 1, 2],
        [3, 5, 4],
        [0, 3, 4],
        [0, 4, 1],
        [1, 4, 5],
        [1, 5, 2],
        [2, 5, 3],
        [2, 3, 0],
    ];
    solid("wedge", side(0.0).chain(side(y_mm)).collect(), triangles)
}

/// A regular tetrahedron standing on z = 0, centred on the z axis.
///
/// # Errors
/// [`Error::Value`](crate::Error::Value) when the edge is not a sensible length.
pub fn tetrahedron(edge_mm: f64) -> Result<Solid> {
    length("tetrahedron", "edge_mm", edge_mm)?;
    let circumradius = edge_mm / 3.0_f64.sqrt();
    let vertices = (0..3)
        .map(|i| {
            let (s, c) = (std::f64::consts::TAU * f64::from(i) / 3.0).sin_cos();
            Point::new(circumradius * c, circumradius * s, 0.0)
        })
        .chain([Point::new(0.0, 0.0, edge_mm * (2.0_f64 / 3.0).sqrt())])
        .collect();
    solid("tetrahedron", vertices, vec![[0, 2, 1], [0, 1, 3], [1, 2, 3], [2, 0, 3]])
}
