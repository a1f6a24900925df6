//! Columns: whether the supports buckle when the part comes back to the film and presses resin out.

use super::Evidence;
use super::tips::{over, placed};
use crate::error::Result;
use crate::finding::{Finding, Severity};

pub(super) fn find(e: &Evidence<'_>) -> Result<Vec<Finding>> {
    // Euler's load is that of a straight column; one within the safety factor may still go.
    let safe = 1.0 / e.setup().limits.safety;
    let Some((layers, worst, at)) = over(&e.standing.columns, safe) else { return Ok(Vec::new()) };
    let severity = if worst.ratio > 1.0 { Severity::Fault } else { Severity::Warning };
    let message = format!(
        "a column is pressed by {:.2} N at layer {at} and buckles at {:.2} N",
        worst.value, worst.limit
    );
    let finding = Finding::new("columns", severity, &e.part.name, message)
        .at_layers(layers.0, layers.1)
        .measured(worst.value, worst.limit * safe, "N")
        .remedy("thicken or brace the columns, or return more slowly");
    Ok(vec![placed(finding, &worst)])
}
