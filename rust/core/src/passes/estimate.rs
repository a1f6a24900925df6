//! Estimate: time, resin and cost of a plate.

use super::Pass;
use crate::context::Context;
use crate::error::Result;
use crate::finding::{Done, Report};
use crate::plate::Plate;
use serde::{Deserialize, Serialize};

/// Options of the pass.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Estimate {}

/// What a plate will take.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Cost {}

impl Pass<&Plate> for Estimate {
    type Out = Cost;

    fn name(&self) -> &'static str {
        "estimate"
    }

    fn apply(&self, plate: &Plate, _ctx: &Context) -> Result<Done<Cost>> {
        Ok(Done { value: Cost::default(), report: Report::new("estimate", &plate.name) })
    }
}
