//! Support: hold every island and overhang against peel.

use super::Pass;
use crate::context::Context;
use crate::error::Result;
use crate::finding::{Done, Report};
use crate::part::Part;
use serde::{Deserialize, Serialize};

/// Options of the pass.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Support {}

impl Pass<Part> for Support {
    type Out = Part;

    fn name(&self) -> &'static str {
        "support"
    }

    fn apply(&self, part: Part, _ctx: &Context) -> Result<Done<Part>> {
        let report = Report::new("support", &part.name);
        Ok(Done { value: part, report })
    }
}
