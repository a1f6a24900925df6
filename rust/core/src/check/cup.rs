//! Cups: voids that film and solid close while a layer prints, and that pull like a suction cup.

use super::Evidence;
use crate::codes::FindingCode;
use crate::error::Result;
use crate::finding::{Finding, Severity};
use crate::layers::Cup;
use crate::mechanics::suction;

/// A cup that adds more than this part of its layer's peel is a fault, a warning, or only counted.
/// A safety factor of 2 covers half as much again with room to spare (common practice, no source).
const FAULT_SHARE: f64 = 0.5;
const WARNING_SHARE: f64 = 0.05;
/// A cup that pulls less than this is no fault whatever its layer's peel: tips bear more than that
/// and are sized for it, N (common practice, no source).
const FAULT_N: f64 = 1.0;

pub(super) fn find(e: &Evidence<'_>) -> Result<Vec<Finding>> {
    let name = &e.part.name;
    let mut out = Vec::new();
    let (mut small, mut small_n) = (0, 0.0_f64);
    for cup in e.voids().filter(|c| is_cup(c)) {
        let (layer, area_mm2) = cup.widest();
        let pull_n = suction::sealed_force_n(area_mm2);
        let peel_n = e.profile.peel_n[layer as usize];
        let severity = match pull_n / peel_n {
            s if s > FAULT_SHARE && pull_n > FAULT_N => Severity::Fault,
            s if s > WARNING_SHARE => Severity::Warning,
            _ => {
                small += 1;
                small_n = small_n.max(pull_n);
                continue;
            }
        };
        let (first, last) = cup.layers();
        let by = if first == 0 { "plate and film" } else { "the film" };
        let message = format!(
            "a hollow of {:.1} mm³ is closed by {by}; at layer {layer} it seals {area_mm2:.2} mm² and \
             can add up to {pull_n:.2} N to a peel of {peel_n:.2} N",
            cup.volume_mm3
        );
        out.push(
            Finding::new(FindingCode::Cup, severity, name, message)
                .at_layers(first, last)
                .at(cup.place)
                .measured(pull_n, (FAULT_SHARE * peel_n).max(FAULT_N), "N")
                .remedy("turn its mouth sideways or to the plate and off it, or vent it near its lowest layer"),
        );
    }
    if small > 0 {
        let message = format!(
            "{small} small cups, each pulling at most {small_n:.2} N: too little to matter"
        );
        out.push(Finding::new(FindingCode::Cup, Severity::Note, name, message));
    }
    Ok(out)
}

/// A void closed only by the plate opens once the part is off it: a cup, not a pocket.
pub(super) fn is_cup(void: &Cup) -> bool {
    !void.is_pocket() || void.layers().0 == 0
}
