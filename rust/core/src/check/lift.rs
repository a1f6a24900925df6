//! Lift: whether the travel after each layer is long enough to part the layer from the film.
//!
//! Until it parts, the film follows the layer as far as the pull stretches it, and the machine's arm
//! and screw give way by as much again as their stiffness allows: δ = F·(c + 1/k) (Hooke; derived).
//! A travel shorter than that ends before the layer is free.

use super::Evidence;
use crate::codes::FindingCode;
use crate::error::Result;
use crate::finding::{Finding, Severity};

pub(super) fn find(e: &Evidence<'_>) -> Result<Vec<Finding>> {
    let m = &e.setup().machine;
    let give_mm_n = m.film_compliance_mm_n + 1.0 / m.frame_stiffness_n_mm;
    let stretch_mm = |k: &u32| give_mm_n * e.profile.pull_n(*k);
    let layers = || 0..e.profile.len() as u32;
    let Some(worst) = layers().max_by(|a, b| stretch_mm(a).total_cmp(&stretch_mm(b))) else {
        return Ok(Vec::new());
    };
    let over = |k: &u32| stretch_mm(k) > m.lift_mm;
    let (Some(first), Some(last)) = (layers().find(over), layers().rev().find(over)) else {
        return Ok(Vec::new());
    };
    let message = format!(
        "at layer {worst} film and machine give way by {:.1} mm before the layer parts; the lift \
         is {:.1} mm",
        stretch_mm(&worst),
        m.lift_mm
    );
    let finding = Finding::new(FindingCode::Lift, Severity::Fault, &e.part.name, message)
        .at_layers(first, last)
        .measured(stretch_mm(&worst), m.lift_mm, "mm")
        .remedy("lift farther, or turn the part so that its layers are smaller");
    Ok(vec![finding])
}
