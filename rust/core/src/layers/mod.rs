//! The layer engine: everything the printer will see, and all that follows from it.
//!
//! A [`Scan`] turns triangle surfaces straight into [`Layers`]: for each layer (plane at its
//! middle) and each pixel row (line at its centre) the solid stretches of that line, their ends
//! finer than a pixel (dexels, Van Hook 1986). Where shells overlap, non-zero winding makes them
//! one solid. Lengths give areas and volumes; a pixel is solid where its centre is, as on the
//! panel, and a [`Survey`] follows which solid and void pixels hang together, layer upon layer:
//! islands, cups, pockets.

mod grid;
mod label;
mod merge_tree;
mod outlets;
mod overhang;
mod scan;
mod spans;
mod surface;
mod survey;
mod void_map;
mod voids;

pub use grid::{Grid, SUBPIXEL, layers_to};
pub use label::{Region, VoidRegion};
pub(crate) use merge_tree::{Branch, MergeTree, Size};
pub(crate) use outlets::{Outlet, outlets};
pub use overhang::{Overhang, overhangs};
pub use scan::{MOST_BYTES, Scan};
pub use spans::{Layer, Layers, Span};
pub use surface::{Fill, Surface, bounds};
pub use survey::{Component, Section, Survey};
pub(crate) use void_map::{Place, SweepFrom, VoidMap};
pub use voids::Cup;
