//! Health: what keeps a mesh from being a solid, and mending what can be mended without guessing.
//!
//! Both sides share one account of the surface. Each facet runs along its three edges; where
//! facets along an edge run as often one way as the other, the surface closes there. That sum is
//! the edge's *balance*, and it makes the repairs safe: dropping a facet with a repeated corner,
//! merging two vertices, or exchanging the diagonal of two facets leaves every balance as it was,
//! so none of them can open a crack; and since the missing runs of a consistently turned surface
//! always form closed rings, every hole can be walked around.

mod diagnose;
mod fill;
mod flats;
mod guess;
mod holes;
mod orient;
mod repair;

pub use diagnose::{Defects, Health, Hole, diagnose};
pub(crate) use repair::mended;
pub use repair::{Fill, RepairOptions, Repaired, repair};

use super::Point;

/// Facets less high than this over their longest edge have no area worth the name, mm: single
/// precision tells points 100 mm from the origin apart by 8 nm.
const FLAT_MM: f64 = 1e-5;

/// A closed shell thinner than this everywhere is a sliver, mm: a tenth of the thinnest layer.
const SLIVER_MM: f64 = 1e-3;

/// Vertex across from the edge that starts at a corner.
fn across(t: &[u32; 3], corner: usize) -> u32 {
    t[(corner + 2) % 3]
}

/// Squares of twice the area and of the longest edge.
fn squares([a, b, c]: [Point; 3]) -> (f64, f64) {
    let longest = (b - a).norm_squared().max((c - b).norm_squared()).max((a - c).norm_squared());
    ((b - a).cross(&(c - a)).norm_squared(), longest)
}

/// Whether a facet has no area.
fn is_flat(vertices: &[Point], t: &[u32; 3]) -> bool {
    let (area, longest) = squares(t.map(|v| vertices[v as usize]));
    area <= FLAT_MM * FLAT_MM * longest
}
