//! Overhangs: ledges held on one side only.

use super::{Evidence, Reach};
use crate::codes::FindingCode;
use crate::error::Result;
use crate::finding::{Finding, Severity};

pub(super) fn find(e: &Evidence<'_>) -> Result<Vec<Finding>> {
    let reach = Reach::of(e.setup()).free_mm;
    let free = e.ledges.iter().filter(|l| !l.spans);
    let finding = |l: &super::overhang_span::Ledge| {
        let message = format!(
            "{:.2} mm² jut out up to {:.2} mm beyond what the layer before carries",
            l.region.area_mm2, l.distance_mm
        );
        Finding::new(FindingCode::Overhang, Severity::Fault, &e.part.name, message)
            .at_layers(l.layers.0, l.layers.1)
            .at(l.place(&e.survey))
            .measured(l.distance_mm, reach, "mm")
            .remedy("support it, or tilt the part so that the face rises steadily")
    };
    Ok(free.map(finding).collect())
}
