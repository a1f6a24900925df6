//! Strength: whether the part's own stems and necks bear what the layers above them pull.

use super::Evidence;
use super::tips::{over, placed, severity};
use crate::codes::FindingCode;
use crate::error::Result;
use crate::finding::Finding;

pub(super) fn find(e: &Evidence<'_>) -> Result<Vec<Finding>> {
    let Some((layers, worst)) = over(e.assessment.layers.iter().map(|l| l.section), 1.0) else {
        return Ok(Vec::new());
    };
    let severity = severity(&worst, e);
    let message = format!(
        "the part itself is stressed by {:.1} MPa at its thinnest while layer {} is under {}, and \
         may bear {:.1} MPa",
        worst.value,
        worst.layer,
        worst.demand.words(),
        worst.limit
    );
    let finding = Finding::new(FindingCode::Strength, severity, &e.part.name, message)
        .at_layers(layers.0, layers.1)
        .measured(worst.value, worst.limit, "MPa")
        .remedy(
            "thicken it there, hold what is above by supports of its own, or turn the part so that \
             the layers above are smaller",
        );
    Ok(vec![placed(finding, &worst)])
}
