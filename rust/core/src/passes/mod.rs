//! The passes: each a plain struct of options that says *what*; [`Context`](crate::Context) says *how*.

pub mod compensate;
pub mod estimate;
pub mod hollow;
pub mod orient;
pub mod pack;
pub mod print;
pub mod raft;
pub mod repair;
pub mod support;
pub mod vent;

pub use compensate::Compensate;
pub use estimate::Estimate;
pub use hollow::Hollow;
pub use orient::Orient;
pub use pack::Pack;
pub use print::Print;
pub use raft::Raft;
pub use repair::Repair;
pub use support::{Edit, Support};
pub use vent::Vent;

pub use crate::pass::Pass;
