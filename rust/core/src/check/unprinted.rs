//! Unprinted: a body of which the machine would draw nothing, or next to nothing.

use super::Evidence;
use crate::codes::FindingCode;
use crate::error::Result;
use crate::finding::{Finding, Severity};
use crate::mesh::measure::volume_mm3;

/// Share of its volume below which a body counts as not printed. Shells that overlap count twice
/// in that volume, so sound figures may come out at half of it.
const LEAST_SHARE: f64 = 0.05;

pub(super) fn find(e: &Evidence<'_>) -> Result<Vec<Finding>> {
    let part = e.part;
    let hollow: f64 = part.cavities.iter().map(|c| volume_mm3(c)).sum();
    let (drawn, whole) = (e.body().volume_mm3(), volume_mm3(&part.body) + hollow);
    if drawn >= LEAST_SHARE * whole {
        return Ok(Vec::new());
    }
    let message = format!(
        "of its {whole:.3} mm³ the machine would draw {drawn:.3}: it falls between pixels and layers"
    );
    Ok(vec![
        Finding::new(FindingCode::Unprinted, Severity::Fault, &part.name, message)
            .measured(drawn, whole, "mm³")
            .remedy("check the model's unit, thicken its walls, or turn it across more layers"),
    ])
}
