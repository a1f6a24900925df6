//! Keep-clean surfaces: what the user wants free of marks must not be touched.

use super::Evidence;
use crate::codes::FindingCode;
use crate::error::Result;
use crate::finding::{Finding, Severity};
use crate::part::Tip;

pub(super) fn find(e: &Evidence<'_>) -> Result<Vec<Finding>> {
    let part = e.part;
    if !part.keep_clean.iter().any(|&k| k) {
        return Ok(Vec::new());
    }
    let mut out = Vec::new();
    let fault = |message: String| {
        Finding::new(FindingCode::KeepClean, Severity::Fault, &part.name, message)
    };
    match &part.supports {
        None => out.push(Finding::new(
            FindingCode::KeepClean,
            Severity::Note,
            &part.name,
            "no supports yet: whether they mark keep-clean surfaces was not judged",
        )),
        Some(s) => {
            let clean = |t: &&Tip| t.facet.is_some_and(|f| part.is_keep_clean(f as usize));
            let on: Vec<_> = s.tips.iter().chain(&s.landings).filter(clean).collect();
            if let Some(tip) = on.first() {
                let k = e.grid().layer_at(tip.contact.z);
                out.push(
                    fault(format!("support tips on keep-clean surfaces: {}", on.len()))
                        .at_layers(k, k)
                        .at(tip.contact)
                        .measured(on.len() as f64, 0.0, "")
                        .remedy("move the tips off it, or turn the surface away from the plate"),
                );
            }
        }
    }
    // A facet within half a layer of the plate is printed against it.
    let touch_mm = 0.5 * e.grid().layer_mm;
    let on_plate = |&f: &usize| {
        part.is_keep_clean(f) && part.body.corners(f).iter().all(|p| (part.pose * p).z < touch_mm)
    };
    let mut facets = (0..part.body.triangles().len()).filter(on_plate);
    if let Some(first) = facets.next() {
        let [a, b, c] = part.body.corners(first).map(|p| part.pose * p);
        let area: f64 = std::iter::once(first)
            .chain(facets)
            .map(|f| part.body.area_normal(f).norm() / 2.0)
            .sum();
        out.push(
            fault(format!("{area:.2} mm² of a keep-clean surface lie on the plate"))
                .at_layers(0, 0)
                .at(nalgebra::Point3::from((a.coords + b.coords + c.coords) / 3.0))
                .measured(area, 0.0, "mm²")
                .remedy("lift the part or turn the surface away from the plate"),
        );
    }
    Ok(out)
}
