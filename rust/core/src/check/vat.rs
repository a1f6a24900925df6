//! The vat: whether it holds the resin that is printed.

use super::Evidence;
use crate::codes::FindingCode;
use crate::error::Result;
use crate::finding::{Finding, Severity};
use crate::setup::Setup;

pub(super) fn find(e: &Evidence<'_>) -> Result<Vec<Finding>> {
    let finding = of_sections(&e.part.name, &e.profile.section_mm2, e.setup());
    Ok(finding.into_iter().collect())
}

/// The layer at which a full vat runs dry, if it does.
pub(super) fn of_sections(name: &str, section_mm2: &[f64], setup: &Setup) -> Option<Finding> {
    let vat_ml = setup.machine.vat_ml;
    // Resin shrinks as it cures: a solid takes more liquid than it fills.
    let swell = setup.resin.cured_g_cm3 / setup.resin.liquid_g_cm3;
    let (mut total_ml, mut dry) = (0.0, None);
    for (k, area) in section_mm2.iter().enumerate() {
        total_ml += area * setup.exposure.layer_mm * swell * 1e-3;
        if total_ml > vat_ml {
            dry = dry.or(Some(k as u32));
        }
    }
    let layer = dry?;
    let message = format!(
        "it takes {total_ml:.0} ml of resin and the vat holds {vat_ml:.0} ml: it runs dry at \
         layer {layer}"
    );
    let finding = Finding::new(FindingCode::Vat, Severity::Warning, name, message)
        .at_layers(layer, section_mm2.len() as u32 - 1)
        .measured(total_ml, vat_ml, "ml")
        .remedy("pause and refill before that layer, or hollow what is solid");
    Some(finding)
}
