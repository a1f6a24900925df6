//! Lift: whether the travel after each layer is long enough to part the layer from the film.
//!
//! Until it parts, the film follows the layer as far as the pull stretches it, and the machine's arm
//! and screw give way by as much again as their stiffness allows: δ = F·(c + 1/k) (Hooke; derived).
//! A travel shorter than that ends before the layer is free. Film and arm feel what pulls on the
//! whole plate.

use super::{Evidence, Profile};
use crate::codes::FindingCode;
use crate::error::Result;
use crate::finding::{Finding, Severity};
use crate::setup::{Machine, Setup};

pub(super) fn find(e: &Evidence<'_>) -> Result<Vec<Finding>> {
    let finding = of_profile(&e.part.name, &e.profile, e.setup());
    Ok(finding.into_iter().collect())
}

/// How far film and machine give way, mm/N.
fn give_mm_n(m: &Machine) -> f64 {
    m.film_compliance_mm_n + 1.0 / m.frame_stiffness_n_mm
}

/// The pull that takes up the whole lift, N.
pub(super) fn limit_n(m: &Machine) -> f64 {
    m.lift_mm / give_mm_n(m)
}

/// The layers that do not part, if there are any.
pub(super) fn of_profile(name: &str, profile: &Profile, setup: &Setup) -> Option<Finding> {
    let m = &setup.machine;
    let stretch_mm = |k: &u32| give_mm_n(m) * profile.pull_n(*k);
    let layers = || 0..profile.len() as u32;
    let worst = layers().max_by(|a, b| stretch_mm(a).total_cmp(&stretch_mm(b)))?;
    let over = |k: &u32| stretch_mm(k) > m.lift_mm;
    let (first, last) = (layers().find(over)?, layers().rev().find(over)?);
    let message = format!(
        "at layer {worst} film and machine give way by {:.1} mm before the layer parts; the lift \
         is {:.1} mm",
        stretch_mm(&worst),
        m.lift_mm
    );
    let finding = Finding::new(FindingCode::Lift, Severity::Fault, name, message)
        .at_layers(first, last)
        .measured(stretch_mm(&worst), m.lift_mm, "mm")
        .remedy("lift farther, or turn the part so that its layers are smaller");
    Some(finding)
}
