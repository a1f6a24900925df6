//! Orient: choose the pose.

use super::Pass;
use crate::context::Context;
use crate::error::Result;
use crate::finding::{Done, Report};
use crate::part::Part;
use serde::{Deserialize, Serialize};

/// Options of the pass.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Orient {}

impl Pass<Part> for Orient {
    type Out = Part;

    fn name(&self) -> &'static str {
        "orient"
    }

    fn apply(&self, part: Part, _ctx: &Context) -> Result<Done<Part>> {
        let report = Report::new("orient", &part.name);
        Ok(Done { value: part, report })
    }
}
