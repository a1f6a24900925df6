//! Hollow: a cavity at constant wall.

use super::Pass;
use crate::context::Context;
use crate::error::Result;
use crate::finding::{Done, Report};
use crate::part::Part;
use serde::{Deserialize, Serialize};

/// Options of the pass.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Hollow {}

impl Pass<Part> for Hollow {
    type Out = Part;

    fn name(&self) -> &'static str {
        "hollow"
    }

    fn apply(&self, part: Part, _ctx: &Context) -> Result<Done<Part>> {
        let report = Report::new("hollow", &part.name);
        Ok(Done { value: part, report })
    }
}
