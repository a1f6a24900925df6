//! Light: the dose that every place of a print gets, and the layers as they will be.
//!
//! Light comes through the film and goes towards the plate. What it does in one layer's plane is
//! [`EdgeBlur`](crate::mechanics::light::EdgeBlur)'s; on its way into the layers before it weakens
//! by e^(−h/Dp) a layer, and doses add up (an upper bound: fresh resin flows in between layers).
//! So one sweep from the last layer to the first with one running sum knows everything:
//! dose at a layer's face = its own blurred mask · exposure + e^(−h/Dp) · dose at the face above.

mod between;
mod blur;
mod dose;
mod kernel;
mod probe;

pub use dose::{Dose, LayerDose, Light};
pub use probe::{Lies, Spot, lies, spots};
