#![doc = include_str!("lib.md")]

pub mod check;
mod context;
mod error;
mod export;
mod finding;
mod job;
pub mod layers;
pub mod mechanics;
pub mod mesh;
mod part;
pub mod passes;
mod picture;
mod plate;
mod recipe;
pub mod setup;

pub use context::Context;
pub use error::{Error, Result, check_range};
pub use finding::{Done, Fate, Finding, Report, Severity, Source};
pub use job::{CancelToken, Job, THREAD};
pub use mesh::{Bounds, Mesh, Point, Pose, Solid, Vector};
pub use part::{Base, Member, Part, Role, Supports, Tip, VentHole};
pub use plate::{Placed, Plate};
pub use recipe::{PartPass, Recipe, Step};
pub use setup::Setup;
