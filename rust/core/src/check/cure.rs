//! Cure: whether the light reaches through a layer, so that it bonds to the one before.

use super::Evidence;
use crate::codes::FindingCode;
use crate::error::Result;
use crate::finding::{Finding, Severity};
use crate::mechanics::cure;
use crate::setup::Setup;

/// Depth to which an ordinary layer cures, mm.
pub(super) fn depth_mm(setup: &Setup) -> f64 {
    let (r, e) = (&setup.resin, &setup.exposure);
    let dose = cure::dose_mj_cm2(e.irradiance_mw_cm2, e.exposure_s);
    cure::depth_mm(dose, r.penetration_mm, r.critical_mj_cm2)
}

pub(super) fn find(e: &Evidence<'_>) -> Result<Vec<Finding>> {
    let (depth, layer) = (depth_mm(e.setup()), e.setup().exposure.layer_mm);
    if depth >= layer {
        return Ok(Vec::new());
    }
    let message = format!("the light cures {depth:.3} mm deep, less than a layer of {layer} mm");
    let first = e.setup().exposure.first_layers.min(e.grid().layers.saturating_sub(1));
    Ok(vec![
        Finding::new(FindingCode::Cure, Severity::Fault, &e.part.name, message)
            .at_layers(first, e.grid().layers.saturating_sub(1))
            .measured(depth, layer, "mm")
            .remedy("expose longer, use thinner layers, or measure penetration and critical dose"),
    ])
}
