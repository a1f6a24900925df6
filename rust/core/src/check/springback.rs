//! Spring-back: layers that turn out too thick because limbs, supports and machine give way longer
//! than the settle pause.
//!
//! The first layers are left out: there the plate's zero is set by hand and the light is long.

use super::tips::{over, placed};
use super::{Evidence, cure};
use crate::error::Result;
use crate::finding::{Finding, Severity};
use crate::structure::{LayerUse, Use};

pub(super) fn find(e: &Evidence<'_>) -> Result<Vec<Finding>> {
    let setup = e.setup();
    let first = setup.exposure.first_layers;
    let limit = setup.limits.missed_layer;
    let missed = |k: u32, l: &LayerUse| if k < first { Use::default() } else { l.missed };
    let Some((layers, worst)) = over(&e.assessment, limit, missed) else { return Ok(Vec::new()) };
    let at = worst.layer;
    // Beyond the depth that the light cures, a layer does not reach the one before.
    let layer_mm = e.grid().layer_mm;
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
    let finding = Finding::new("springback", severity, &e.part.name, message)
        .at_layers(layers.0, layers.1)
        .measured(100.0 * worst.value, 100.0 * limit, "%")
        .remedy(format!(
            "settle for {:.1} s before the light, stiffen the supports, hold long limbs and \
             slopes farther out, or tilt the part",
            e.assessment.settle_s
        ));
    Ok(vec![placed(finding, &worst)])
}
