#![doc = include_str!("lib.md")]

pub mod appearance;
mod base;
pub mod check;
mod codes;
mod context;
mod disjoint_sets;
mod error;
mod export;
mod finding;
pub mod format;
mod job;
pub mod layers;
pub mod light;
pub mod mechanics;
pub mod mesh;
pub mod options;
mod part;
mod pass;
pub mod passes;
pub mod picture;
mod plate;
mod recipe;
pub mod setup;
pub mod structure;

pub use nalgebra;

pub use base::Base;
pub use codes::{Explained, FindingCode};
pub use context::Context;
pub use error::{Error, Result, check_range};
pub use finding::{Done, Fate, Finding, Moment, Report, Severity, Source};
pub use job::{CancelToken, Job, THREAD};
pub use mesh::{Bounds, Mesh, Point, Pose, Solid, Vector};
pub use part::{Drainage, Member, Part, PlugBar, Role, Supports, Tip, VentHole};
pub use pass::Pass;
pub use plate::{Placed, Plate};
pub use recipe::{PartPass, Recipe, Step};
pub use setup::Setup;

/// The blocks of the project's front page compile.
#[cfg(doctest)]
#[doc = include_str!("../README.md")]
struct FrontPage;
