//! Sag: flats and bridges between carriers that bend or tear when the film pulls.

use super::{Evidence, Reach};
use crate::codes::FindingCode;
use crate::error::Result;
use crate::finding::{Finding, Severity};

pub(super) fn find(e: &Evidence<'_>) -> Result<Vec<Finding>> {
    let limit = Reach::of(e.setup()).span_mm;
    let wide = e.ledges.iter().filter(|l| l.spans && 2.0 * l.distance_mm > limit);
    let finding = |l: &super::overhang_span::Ledge| {
        let span = 2.0 * l.distance_mm;
        let message = format!(
            "a flat or bridge of {:.2} mm² begins parallel to the plate and spans about {span:.2} mm \
             in one layer",
            l.region.area_mm2
        );
        Finding::new(FindingCode::Sag, Severity::Fault, &e.part.name, message)
            .at_layers(l.layers.0, l.layers.1)
            .at(l.place(&e.survey))
            .measured(span, limit, "mm")
            .remedy("tilt the part, or support the face more closely")
    };
    Ok(wide.map(finding).collect())
}
