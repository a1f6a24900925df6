//! Raft: the base that holds everything to the plate.

use super::Pass;
use crate::context::Context;
use crate::error::Result;
use crate::finding::{Done, Report};
use crate::part::Part;
use serde::{Deserialize, Serialize};

/// Options of the pass.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Raft {}

impl Pass<Part> for Raft {
    type Out = Part;

    fn name(&self) -> &'static str {
        "raft"
    }

    fn apply(&self, part: Part, _ctx: &Context) -> Result<Done<Part>> {
        let report = Report::new("raft", &part.name);
        Ok(Done { value: part, report })
    }
}
