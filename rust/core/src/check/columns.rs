//! Columns: whether columns and braces bear what pulls and presses them, without buckling on the way
//! back to the film.

use super::Evidence;
use super::tips::{over, placed, severity};
use crate::codes::FindingCode;
use crate::error::Result;
use crate::finding::{Finding, Severity};

pub(super) fn find(e: &Evidence<'_>) -> Result<Vec<Finding>> {
    let (name, safety) = (&e.part.name, e.setup().limits.safety);
    let mut out = Vec::new();
    if let Some((layers, worst)) = over(e.assessment.layers.iter().map(|l| l.buckling), 1.0) {
        // Euler's load is that of a straight column; one within the safety factor may still go.
        let severity = if worst.ratio > safety { Severity::Fault } else { Severity::Warning };
        let message = format!(
            "a column is pressed by {:.2} N at layer {} and buckles at {:.2} N",
            worst.value,
            worst.layer,
            worst.limit * safety
        );
        let finding = Finding::new(FindingCode::Columns, severity, name, message)
            .at_layers(layers.0, layers.1)
            .measured(worst.value, worst.limit, "N")
            .remedy("thicken or brace the columns, or return more slowly");
        out.push(placed(finding, &worst));
    }
    if let Some((layers, worst)) = over(e.assessment.layers.iter().map(|l| l.bar), 1.0) {
        let message = format!(
            "a column or brace is stressed by {:.1} MPa at layer {} under {} and may bear {:.1} MPa",
            worst.value,
            worst.layer,
            worst.demand.words(),
            worst.limit
        );
        let finding = Finding::new(FindingCode::Columns, severity(&worst, e), name, message)
            .at_layers(layers.0, layers.1)
            .measured(worst.value, worst.limit, "MPa")
            .remedy("thicken or brace the columns, add tips, or return more slowly");
        out.push(placed(finding, &worst));
    }
    Ok(out)
}
