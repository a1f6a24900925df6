//! Pockets: voids that never open. Resin stays inside for good.

use super::{Evidence, cup};
use crate::codes::FindingCode;
use crate::error::Result;
use crate::finding::{Finding, Severity};

/// A pocket smaller than this is a crevice between shells that no hole would serve, mm³ (common
/// practice, no source).
const CREVICE_MM3: f64 = 10.0;

pub(super) fn find(e: &Evidence<'_>) -> Result<Vec<Finding>> {
    let pocket = |void: &crate::layers::Cup| {
        let (first, last) = void.layers();
        let message = format!(
            "a void of {:.1} mm³ has no opening: liquid resin stays inside and can leak, crack or \
             burst the part later",
            void.volume_mm3
        );
        let crevice = void.volume_mm3 < CREVICE_MM3;
        let severity = if crevice { Severity::Warning } else { Severity::Fault };
        Finding::new(FindingCode::Pocket, severity, &e.part.name, message)
            .at_layers(first, last)
            .at(void.place)
            .measured(void.volume_mm3, e.setup().limits.noise_mm3, "mm³")
            .remedy(if crevice {
                "fill it, or fuse the shells between which it lies"
            } else {
                "vent it with two holes, or fill it"
            })
    };
    Ok(e.voids().filter(|v| !cup::is_cup(v)).map(pocket).collect())
}
