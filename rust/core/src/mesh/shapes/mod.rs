//! Solids made by code: the known answers of the tests and the models of the demo.
//!
//! Two general makers, [`lathe`] and [`extrude`], carry nearly everything; the named shapes say
//! what they are in the terms of their drawing. Curved shapes are inscribed: their vertices lie
//! on the true surface, so a convex one holds slightly less than its closed form, by an amount
//! that falls with the square of the segment count.
//!
//! Every maker checks its numbers and returns [`Error::Value`] with the
//! name of the shape and of the number when one makes no sense.

mod basic;
mod extrude;
mod figure;
mod gear;
mod lathe;
mod lens;
mod round;

pub use basic::{cuboid, plate, tetrahedron, wedge};
pub use extrude::extrude;
pub use figure::{figure, figure_of_shells};
pub use gear::gear;
pub use lathe::lathe;
pub use lens::{
    biconvex, focal_length_mm, fresnel, fresnel_slope, lenticular, plano_convex, sag_mm,
};
pub use round::{
    bowl, capsule, cone, cylinder, ellipsoid, frustum, hollow_sphere, napkin_ring, sphere,
    spherical_cap, torus, tube,
};

use super::{Mesh, Point, Solid};
use crate::error::{Error, Result, check_range};

/// A closed polygon in a plane, without repeating its first point, mm.
pub type Ring = Vec<[f64; 2]>;

/// Smallest and greatest length a shape accepts, mm: from below any printer's pixel to above
/// any printer's volume.
const LENGTH_MM: (f64, f64) = (1e-3, 1e4);

/// Most points of a drawing and most triangles of a shape: what takes seconds and less than a
/// gigabyte.
const MOST_POINTS: f64 = 2e5;
const MOST_TRIANGLES: f64 = 5e6;

/// Checks how many `unit`s a shape would have before they are made.
fn at_most(shape: &str, count: f64, most: f64, unit: &'static str) -> Result<()> {
    if count <= most {
        return Ok(());
    }
    Err(Error::Limit {
        place: shape.into(),
        value: count,
        limit: most,
        unit,
        remedy: "use fewer steps or segments".into(),
    })
}

/// Checks a length named `shape.what`.
fn length(shape: &str, what: &str, value_mm: f64) -> Result<()> {
    check_range(&format!("{shape}.{what}"), value_mm, LENGTH_MM.0, LENGTH_MM.1, "mm")
}

/// Checks that a length lies strictly between the least length and `below`.
fn length_below(shape: &str, what: &str, value_mm: f64, below_mm: f64) -> Result<()> {
    check_range(&format!("{shape}.{what}"), value_mm, LENGTH_MM.0, below_mm - LENGTH_MM.0, "mm")
}

fn solid(name: &str, vertices: Vec<Point>, triangles: Vec<[u32; 3]>) -> Result<Solid> {
    Solid::try_from(Mesh::new(name, vertices, triangles)?)
}

/// Twice the signed area of a ring; positive when counter-clockwise.
fn doubled_area(ring: &[[f64; 2]]) -> f64 {
    let next = ring.iter().cycle().skip(1);
    ring.iter().zip(next).map(|(a, b)| a[0] * b[1] - a[1] * b[0]).sum()
}

/// Outer ring counter-clockwise, holes clockwise; checks every ring.
fn oriented(shape: &str, rings: &[Ring]) -> Result<Vec<Ring>> {
    check_range(&format!("{shape}.rings"), rings.len() as f64, 1.0, 1e6, "")?;
    at_most(shape, rings.iter().map(|r| r.len() as f64).sum(), MOST_POINTS, "points")?;
    let mut out = rings.to_vec();
    for (i, ring) in out.iter_mut().enumerate() {
        check_range(
            &format!("{shape}.rings[{i}].points"),
            ring.len() as f64,
            3.0,
            MOST_POINTS,
            "",
        )?;
        for c in ring.iter().flatten() {
            check_range(&format!("{shape}.rings[{i}]"), *c, -LENGTH_MM.1, LENGTH_MM.1, "mm")?;
        }
        let area = doubled_area(ring);
        check_range(&format!("{shape}.rings[{i}].area"), area.abs() / 2.0, 1e-9, 1e9, "mm²")?;
        if (area > 0.0) != (i == 0) {
            ring.reverse();
        }
    }
    Ok(out)
}

/// Points of an arc about `center` from angle `from` to `to` (radians), both ends included.
fn arc(center: [f64; 2], radius: f64, from: f64, to: f64, segments: usize) -> Ring {
    (0..=segments)
        .map(|i| {
            let a = from + (to - from) * i as f64 / segments as f64;
            [center[0] + radius * a.cos(), center[1] + radius * a.sin()]
        })
        .collect()
}
