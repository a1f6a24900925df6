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
mod overhang;
mod scan;
mod spans;
mod survey;
mod vessel;
mod void_map;
mod void_tree;
mod voids;

pub use grid::{Grid, layers_to};
pub(crate) use label::Sets;
pub use label::{Region, VoidRegion};
pub use overhang::{Overhang, overhangs};
pub use scan::{Fill, Scan, Surface};
pub use spans::{Layer, Layers, SUBPIXEL, Span};
pub use survey::{Component, Section, Survey};
pub(crate) use vessel::wide_open;
pub(crate) use void_map::{From, Place, VoidMap};
pub(crate) use void_tree::{Branch, Size, Tree};
pub use voids::Cup;
