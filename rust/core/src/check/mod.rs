//! Check: what would fail, layer by layer and with numbers.

use crate::context::Context;
use crate::error::Result;
use crate::finding::{Done, Report};
use crate::part::Part;
use crate::passes::Pass;
use serde::{Deserialize, Serialize};

/// Options of the check. As a step of a recipe it hands the part on unchanged.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Check {}

impl Pass<Part> for Check {
    type Out = Part;

    fn name(&self) -> &'static str {
        "check"
    }

    fn apply(&self, part: Part, _ctx: &Context) -> Result<Done<Part>> {
        let report = Report::new("check", &part.name);
        Ok(Done { value: part, report })
    }
}
