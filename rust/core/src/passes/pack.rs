//! Pack: many parts on the fewest, shortest plates.

use super::Pass;
use crate::context::Context;
use crate::error::Result;
use crate::finding::{Done, Report};
use crate::part::Part;
use crate::plate::Plate;
use serde::{Deserialize, Serialize};

/// Options of the pass.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Pack {}

impl Pass<Vec<Part>> for Pack {
    type Out = Vec<Plate>;

    fn name(&self) -> &'static str {
        "pack"
    }

    fn apply(&self, _parts: Vec<Part>, _ctx: &Context) -> Result<Done<Vec<Plate>>> {
        Ok(Done { value: Vec::new(), report: Report::new("pack", "") })
    }
}
