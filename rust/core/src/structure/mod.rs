//! Structure: one answer to "does it hold".
//!
//! While a layer prints, the film pulls on what exists so far and presses on it on the way back: the
//! part up to that layer, the supports that have reached it, the base. `stages` follows what
//! hangs on what, `loads` what the film does, `frame` is the supports as beams with the part on
//! their tips, `sections` the part's own strength, `footing` what bonds to the plate, and
//! `assess` says how hard everything works. The support pass sizes by it and the check judges by
//! it, so that the two cannot disagree.

mod assess;
mod confidence;
mod demand;
mod footing;
mod frame;
mod limb;
mod loads;
mod lost;
mod sections;
mod settling;
mod stages;

pub(crate) use assess::{Assessment, Judge, LayerUse, assess};
pub use confidence::Confidence;
pub(crate) use confidence::{confidence, safety_for};
pub(crate) use demand::Use;
pub(crate) use footing::Footprint;
pub(crate) use frame::neck_mm;
pub use frame::{Response, Solved, Strain, SupportFrame, Wrench, buckling_loads_n};
pub use loads::Load;
pub(crate) use loads::{added_pulls, loads, stopped};
pub(crate) use lost::{STOOL, asks_redundancy, lose_tips};
pub(crate) use settling::{Settled, Settling};
pub(crate) use stages::{Body, History, Section, aside, fronts};
