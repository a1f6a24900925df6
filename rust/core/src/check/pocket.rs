//! Pockets: voids that never open. Resin stays inside for good.

use super::{Evidence, cup};
use crate::error::Result;
use crate::finding::{Finding, Severity};

pub(super) fn find(e: &Evidence<'_>) -> Result<Vec<Finding>> {
    let pocket = |void: &crate::layers::Cup| {
        let (first, last) = void.layers();
        let message = format!(
            "a void of {:.1} mm³ has no opening: liquid resin stays inside and can leak, crack or \
             burst the part later",
            void.volume_mm3
        );
        Finding::new("pocket", Severity::Fault, &e.part.name, message)
            .at_layers(first, last)
            .at(void.place)
            .measured(void.volume_mm3, e.setup().limits.noise_mm3, "mm³")
            .remedy("vent it with two holes, or fill it")
    };
    Ok(e.voids().filter(|v| !cup::is_cup(v)).map(pocket).collect())
}
