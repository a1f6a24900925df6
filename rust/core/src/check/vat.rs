//! The vat: whether it holds the resin the part takes.

use super::Evidence;
use crate::error::Result;
use crate::finding::{Finding, Severity};

pub(super) fn find(e: &Evidence<'_>) -> Result<Vec<Finding>> {
    let (grid, vat_ml) = (e.grid(), e.setup().machine.vat_ml);
    let Some((layer, total_ml)) = runs_dry(e) else { return Ok(Vec::new()) };
    let message = format!(
        "it takes {total_ml:.0} ml of resin and the vat holds {vat_ml:.0} ml: it runs dry at layer {layer}"
    );
    Ok(vec![
        Finding::new("vat", Severity::Warning, &e.part.name, message)
            .at_layers(layer, grid.layers - 1)
            .measured(total_ml, vat_ml, "ml")
            .remedy("pause and refill before that layer, or hollow the part"),
    ])
}

/// The layer at which a full vat is empty, and the resin the whole part takes, ml.
pub(super) fn runs_dry(e: &Evidence<'_>) -> Option<(u32, f64)> {
    let shrink = e.setup().resin.cured_g_cm3 / e.setup().resin.liquid_g_cm3;
    let (mut ml, mut dry) = (0.0, None);
    for (k, section) in e.survey.sections.iter().enumerate() {
        ml += section.area_mm2 * e.grid().layer_mm * shrink * 1e-3;
        if ml > e.setup().machine.vat_ml {
            dry = dry.or(Some(k as u32));
        }
    }
    dry.map(|k| (k, ml))
}
