//! Vent: holes that let air in and resin out.

use super::Pass;
use crate::context::Context;
use crate::error::Result;
use crate::finding::{Done, Report};
use crate::part::Part;
use serde::{Deserialize, Serialize};

/// Options of the pass.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Vent {}

impl Pass<Part> for Vent {
    type Out = Part;

    fn name(&self) -> &'static str {
        "vent"
    }

    fn apply(&self, part: Part, _ctx: &Context) -> Result<Done<Part>> {
        let report = Report::new("vent", &part.name);
        Ok(Done { value: part, report })
    }
}
