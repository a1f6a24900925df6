//! Thin walls: solid that can pass between pixels or between layers and so may not be printed.

use super::Evidence;
use super::thickness::{Between, Patch, Widths};
use crate::codes::FindingCode;
use crate::error::Result;
use crate::finding::{Finding, Severity};

pub(super) fn find(e: &Evidence<'_>) -> Result<Vec<Finding>> {
    let widths = Widths { across_mm: e.grid().pitch_mm, along_z_mm: e.grid().layer_mm };
    let finding = |p: &Patch| {
        let message = format!(
            "{:.2} mm² of wall are down to {:.3} mm thick, less than the machine can draw",
            p.area_mm2, p.least_mm
        );
        p.finding(e, FindingCode::Thin, Severity::Fault, message)
            .remedy("thicken it, or turn it so that it lies across more pixels or layers")
    };
    Ok(e.lines.patches(e, Between::Solid, widths).iter().map(finding).collect())
}
