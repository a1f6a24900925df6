//! Redundancy: whether a piece still holds when any one of its tips has failed.

use super::Evidence;
use super::tips::{over, placed};
use crate::codes::FindingCode;
use crate::error::Result;
use crate::finding::{Finding, Severity};
use crate::structure::Assessment;

pub(super) fn find(e: &Evidence<'_>) -> Result<Vec<Finding>> {
    Ok(of(&e.assessment, &e.part.name))
}

/// What an assessment says of lost tips.
pub(crate) fn of(assessment: &Assessment, name: &str) -> Vec<Finding> {
    let warning = |message: String| {
        Finding::new(FindingCode::Redundancy, Severity::Warning, name, message).remedy(
            "add tips beside it, not in one line, or turn the part so that it begins on more of them",
        )
    };
    let mut out = Vec::new();
    if let Some(&(layer, place, tips)) = assessment.few.first() {
        let n = assessment.few.len();
        let what = match tips {
            1 => "one tip".into(),
            2 => "two tips".into(),
            more => format!("{more} tips and needs each of them"),
        };
        let more = if n > 1 { format!(", and so do {} more", n - 1) } else { String::new() };
        let message = format!("from layer {layer} on a piece hangs on {what}{more}");
        let finding = warning(message).at_layers(layer, layer).at(place);
        out.push(finding.measured(tips as f64, 3.0, ""));
    }
    if let Some((layers, worst)) = over(assessment.layers.iter().map(|l| l.lost), 1.0) {
        let message = format!(
            "once a tip near it has failed, a neck or column is stressed by {:.1} MPa at layer {} \
             and may bear {:.1} MPa",
            worst.value, worst.layer, worst.limit
        );
        let finding = warning(message).at_layers(layers.0, layers.1).measured(
            worst.value,
            worst.limit,
            "MPa",
        );
        out.push(placed(finding, &worst));
    }
    out
}
