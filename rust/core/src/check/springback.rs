//! Spring-back: layers that turn out too thick because limbs, supports and machine give way longer
//! than the settle pause.
//!
//! The first layers are left out: there the plate's zero is set by hand and the light is long.

use super::tips::{over, placed};
use super::{Evidence, cure};
use crate::error::Result;
use crate::finding::{Finding, Severity};
use crate::setup::Setup;
use crate::structure::Use;

pub(super) fn find(e: &Evidence<'_>) -> Result<Vec<Finding>> {
    let missed = e.assessment.layers.iter().map(|l| l.missed);
    let found = of_layers(&e.part.name, missed, e.assessment.settle_s, e.setup());
    Ok(found.into_iter().collect())
}

/// What there is to say of the part of each layer by which it turns out too thick, and of the pause
/// that would mend it.
pub(super) fn of_layers(
    name: &str,
    missed: impl Iterator<Item = Use>,
    settle_s: f64,
    setup: &Setup,
) -> Option<Finding> {
    let first = setup.exposure.first_layers;
    let limit = setup.limits.missed_layer;
    let missed = (0..).zip(missed).map(|(k, m)| if k < first { Use::default() } else { m });
    let (layers, worst) = over(missed, limit)?;
    let at = worst.layer;
    // Beyond the depth that the light cures, a layer does not reach the one before.
    let layer_mm = setup.exposure.layer_mm;
    let lost = (1.0 + worst.value) * layer_mm > cure::depth_mm(setup);
    let (severity, what) = if lost {
        (Severity::Fault, "farther than the light cures: it does not bond")
    } else {
        (Severity::Warning, "too thick")
    };
    let message = format!(
        "layer {at} starts {:.0} % ({:.3} mm) {what}",
        100.0 * worst.value,
        worst.value * layer_mm
    );
    let finding = Finding::new("springback", severity, name, message)
        .at_layers(layers.0, layers.1)
        .measured(100.0 * worst.value, 100.0 * limit, "%")
        .remedy(format!(
            "settle for {settle_s:.1} s before the light, stiffen the supports, hold long limbs and \
             slopes farther out, or tilt the part"
        ));
    Some(placed(finding, &worst))
}
