//! First-layer growth: over-exposed layers cure beyond their outline.

use super::Evidence;
use crate::codes::FindingCode;
use crate::error::Result;
use crate::finding::{Finding, Severity};
use crate::mechanics::cure;
use crate::mechanics::light::EdgeBlur;

pub(super) fn find(e: &Evidence<'_>) -> Result<Vec<Finding>> {
    let (r, x) = (&e.setup().resin, &e.setup().exposure);
    let on_plate = e.grid().layers > 0 && !e.body_survey().regions_of(0).is_empty();
    if !on_plate || x.first_layers == 0 || e.part.asked.is_some() {
        return Ok(Vec::new());
    }
    let dose = cure::dose_mj_cm2(x.irradiance_mw_cm2, x.first_exposure_s);
    let inset = e.part.inset_mm;
    let growth = EdgeBlur::of(e.setup()).growth_mm(dose, r.critical_mj_cm2) - inset;
    if inset > 0.0 && growth <= 0.0 {
        return Ok(Vec::new());
    }
    let limit = e.grid().pitch_mm;
    let severity = if growth > limit { Severity::Warning } else { Severity::Note };
    let message = format!(
        "the first layers grow by about {growth:.3} mm a side beyond the model from the edge's blur \
         alone; 0.1–0.4 mm are seen"
    );
    Ok(vec![
        Finding::new(FindingCode::FirstLayerFlare, severity, &e.part.name, message)
            .at_layers(0, x.first_layers.min(e.grid().layers) - 1)
            .measured(growth, limit, "mm")
            .remedy("stand it on a raft, or draw its lowest layers in by what you measure"),
    ])
}
