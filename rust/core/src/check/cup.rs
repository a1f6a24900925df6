//! Cups: voids that film and solid close while a layer prints, and that pull like a suction cup.

use super::Evidence;
use crate::codes::FindingCode;
use crate::error::Result;
use crate::finding::{Finding, Severity};
use crate::layers::Cup;
use crate::mechanics::suction;

/// A cup that adds more than this part of its layer's peel is a fault. A safety factor of 2 covers
/// half as much again with room to spare (common practice, no source), and the tips are sized for
/// the suction: what stays below is a note.
const FAULT_SHARE: f64 = 0.5;
/// A cup that pulls less than this is no fault whatever its layer's peel: tips bear more than that
/// and are sized for it, N (common practice, no source).
const FAULT_N: f64 = 1.0;

pub(super) fn find(e: &Evidence<'_>) -> Result<Vec<Finding>> {
    let name = &e.part.name;
    let mut out = Vec::new();
    // The strongest of those below their limit stands for all of them.
    let (mut small, mut strongest) = (0, None::<(f64, f64, &Cup)>);
    for cup in e.voids().filter(|c| is_cup(c)) {
        let (layer, area_mm2) = cup.widest();
        let pull_n = suction::sealed_force_n(area_mm2);
        let peel_n = e.profile.peel_n[layer as usize];
        let limit_n = (FAULT_SHARE * peel_n).max(FAULT_N);
        if pull_n <= limit_n {
            small += 1;
            if strongest.is_none_or(|(n, ..)| pull_n > n) {
                strongest = Some((pull_n, limit_n, cup));
            }
            continue;
        }
        let by = if cup.layers().0 == 0 { "plate and film" } else { "the film" };
        let message = format!(
            "a hollow of {:.1} mm³ is closed by {by}; at layer {layer} it seals {area_mm2:.2} mm² and \
             can add up to {pull_n:.2} N to a peel of {peel_n:.2} N",
            cup.volume_mm3
        );
        out.push(
            placed(Finding::new(FindingCode::Cup, Severity::Fault, name, message), cup)
                .measured(pull_n, limit_n, "N")
                .remedy("turn its mouth sideways or to the plate and off it, or vent it near its lowest layer"),
        );
    }
    if let Some((pull_n, limit_n, cup)) = strongest {
        let message = format!(
            "small cups: {small}; none pulls more than {pull_n:.2} N, too little to matter"
        );
        let note = placed(Finding::new(FindingCode::Cup, Severity::Note, name, message), cup);
        out.push(note.measured(pull_n, limit_n, "N"));
    }
    Ok(out)
}

fn placed(finding: Finding, cup: &Cup) -> Finding {
    let (first, last) = cup.layers();
    finding.at_layers(first, last).at(cup.place)
}

/// A void closed only by the plate opens once the part is off it: a cup, not a pocket.
pub(super) fn is_cup(void: &Cup) -> bool {
    !void.is_pocket() || void.layers().0 == 0
}
