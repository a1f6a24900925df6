//! Prisms over a polygon with holes.

use super::{Ring, length, oriented, solid};
use crate::error::{Error, Result};
use crate::mesh::{Point, Solid};
use manifold_rust::linalg::Vec2;
use manifold_rust::polygon::triangulate;

/// Extrudes a polygon from z = 0 to `height_mm`. The first ring is the outline, further rings
/// are holes inside it; either sense of turning is accepted.
///
/// # Errors
/// [`Error::Value`] for a height or ring that makes no sense, [`Error::NotSolid`] when the
/// rings cross.
pub fn extrude(name: &str, rings: &[Ring], height_mm: f64) -> Result<Solid> {
    length(name, "height_mm", height_mm)?;
    let rings = oriented(name, rings)?;
    let points: Vec<[f64; 2]> = rings.iter().flatten().copied().collect();
    let n = points.len() as u32;
    let level = |z: f64| points.iter().map(move |p| Point::new(p[0], p[1], z));
    let vertices: Vec<Point> = level(0.0).chain(level(height_mm)).collect();

    let polygons: Vec<Vec<Vec2>> =
        rings.iter().map(|r| r.iter().map(|p| Vec2 { x: p[0], y: p[1] }).collect()).collect();
    let caps = triangulate(&polygons, -1.0, true);
    let mut triangles = Vec::with_capacity(2 * caps.len() + 2 * points.len());
    for t in &caps {
        let [a, b, c] = [t.x, t.y, t.z].map(|i| i as u32);
        triangles.push([a, c, b]);
        triangles.push([a + n, b + n, c + n]);
    }
    let mut first = 0;
    for ring in &rings {
        let len = ring.len() as u32;
        for i in 0..len {
            let (a, b) = (first + i, first + (i + 1) % len);
            triangles.push([a, b, b + n]);
            triangles.push([a, b + n, a + n]);
        }
        first += len;
    }
    solid(name, vertices, triangles).map_err(|e| match e {
        Error::NotSolid { name, .. } => Error::NotSolid {
            name,
            problem: "its rings touch or cross".into(),
            remedy: "give simple rings, holes inside the first".into(),
        },
        other => other,
    })
}
