//! Tips: whether the necks of the supports bear what each layer pulls.

use super::Evidence;
use super::stand::Worst;
use crate::error::Result;
use crate::finding::{Finding, Severity};

pub(super) fn find(e: &Evidence<'_>) -> Result<Vec<Finding>> {
    let name = &e.part.name;
    let Some(supports) = &e.part.supports else {
        let message = "no supports yet: peel against tips, columns and their spring was not judged";
        return Ok(vec![Finding::new("tips", Severity::Note, name, message)]);
    };
    let mut out = Vec::new();
    if let Some((layers, worst, at)) = over(&e.standing.tips, 1.0) {
        let message = format!(
            "a tip bears {:.2} N at layer {at} and may bear {:.2} N",
            worst.value, worst.limit
        );
        let finding = Finding::new("tips", Severity::Fault, name, message)
            .at_layers(layers.0, layers.1)
            .measured(worst.value, worst.limit, "N")
            .remedy("add or thicken tips near it, or turn the part so that its layers are smaller");
        out.push(placed(finding, &worst));
    }
    if let Some(&t) = e.standing.loose_tips.first() {
        let n = e.standing.loose_tips.len();
        out.push(
            Finding::new("tips", Severity::Warning, name, format!("tips that touch nothing: {n}"))
                .at(supports.tips[t as usize].contact)
                .measured(n as f64, 0.0, "")
                .remedy("move the part back to where it was supported, or support it again"),
        );
    }
    if let Some(why) = &e.standing.unsound {
        let message = format!("the supports are no sound structure ({why}); spring was not judged");
        out.push(
            Finding::new("tips", Severity::Warning, name, message)
                .remedy("join every column to a foot, and every tip to a column"),
        );
    }
    Ok(out)
}

/// First and last layer beyond a ratio, the worst of them and its layer.
pub(super) fn over(by_layer: &[Worst], ratio: f64) -> Option<((u32, u32), Worst, u32)> {
    let mut found: Option<((u32, u32), Worst, u32)> = None;
    for (k, w) in by_layer.iter().enumerate().filter(|(_, w)| w.ratio > ratio) {
        let k = k as u32;
        let (layers, worst, at) = found.get_or_insert(((k, k), *w, k));
        layers.1 = k;
        if w.ratio > worst.ratio {
            (*worst, *at) = (*w, k);
        }
    }
    found
}

/// Sets the place where the worst is.
pub(super) fn placed(finding: Finding, worst: &Worst) -> Finding {
    match worst.place {
        Some(place) => finding.at(place),
        None => finding,
    }
}
