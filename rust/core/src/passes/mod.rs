//! The passes: each a plain struct of options that says *what*; [`Context`] says *how*.

use crate::context::Context;
use crate::error::Result;
use crate::finding::Done;

pub mod estimate;
pub mod hollow;
pub mod orient;
pub mod pack;
pub mod raft;
pub mod support;
pub mod vent;

pub use estimate::Estimate;
pub use hollow::Hollow;
pub use orient::Orient;
pub use pack::Pack;
pub use raft::Raft;
pub use support::{Edit, Support};
pub use vent::Vent;

/// One step of the work. Implement it for a struct of your own to extend a recipe.
pub trait Pass<In> {
    /// What comes out.
    type Out;

    /// Word used in reports and recipes.
    fn name(&self) -> &str;

    /// Does the work.
    ///
    /// # Errors
    /// When no result exists; what physics objects to is a finding in the report instead.
    fn apply(&self, input: In, ctx: &Context) -> Result<Done<Self::Out>>;
}
