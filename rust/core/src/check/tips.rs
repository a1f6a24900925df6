//! Tips: whether the necks of the supports bear what each layer pulls.

use super::Evidence;
use crate::codes::FindingCode;
use crate::error::Result;
use crate::finding::{Finding, Severity};
use crate::structure::Use;

pub(super) fn find(e: &Evidence<'_>) -> Result<Vec<Finding>> {
    let name = &e.part.name;
    let Some(supports) = &e.part.supports else {
        // A bar of plugs is to have none.
        if e.part.bar.is_some() {
            return Ok(Vec::new());
        }
        let message = "no supports yet: peel against tips, columns and their spring was not judged";
        return Ok(vec![Finding::new(FindingCode::Tips, Severity::Note, name, message)]);
    };
    let mut out = Vec::new();
    if let Some((layers, worst)) = over(e.assessment.layers.iter().map(|l| l.neck), 1.0) {
        let severity = severity(&worst, e);
        let message = format!(
            "the neck of a tip is stressed by {:.1} MPa at layer {} under {} and may bear {:.1} MPa",
            worst.value,
            worst.layer,
            worst.demand.words(),
            worst.limit
        );
        let finding = Finding::new(FindingCode::Tips, severity, name, message)
            .at_layers(layers.0, layers.1)
            .measured(worst.value, worst.limit, "MPa")
            .remedy("add or thicken tips near it, or turn the part so that its layers are smaller");
        out.push(placed(finding, &worst));
    }
    if let Some(&t) = e.loose_tips.first() {
        let n = e.loose_tips.len();
        out.push(
            Finding::new(
                FindingCode::Tips,
                Severity::Warning,
                name,
                format!("tips that touch nothing: {n}"),
            )
            .at(supports.tips[t as usize].contact)
            .measured(n as f64, 0.0, "")
            .remedy("move the part back to where it was supported, or support it again"),
        );
    }
    if let Some((layer, place, why)) = e.assessment.unsound.first() {
        let n = e.assessment.unsound.len();
        let message = format!(
            "the supports are no sound structure ({why}); what hangs on them was not judged"
        );
        let finding = Finding::new(FindingCode::Tips, Severity::Fault, name, message)
            .at_layers(*layer, *layer)
            .measured(n as f64, 0.0, "")
            .remedy("join every column to a foot, and every tip to a column");
        out.push(match place {
            Some(place) => finding.at(*place),
            None => finding,
        });
    }
    Ok(out)
}

/// First and last layer whose use is beyond a ratio, and the worst of them.
pub(super) fn over(uses: impl Iterator<Item = Use>, ratio: f64) -> Option<((u32, u32), Use)> {
    let mut found: Option<((u32, u32), Use)> = None;
    for (k, here) in (0..).zip(uses) {
        if here.ratio > ratio {
            let (layers, worst) = found.get_or_insert(((k, k), here));
            layers.1 = k;
            worst.keep(here);
        }
    }
    found
}

/// What a stress beyond its limit amounts to: beyond the strength itself it breaks, if nothing else
/// could take over; before that only if the numbers were not as measured.
pub(super) fn severity(worst: &Use, e: &Evidence<'_>) -> Severity {
    if worst.breaks(e.setup()) { Severity::Fault } else { Severity::Warning }
}

/// Sets the place where the worst is.
pub(super) fn placed(finding: Finding, worst: &Use) -> Finding {
    match worst.place {
        Some(place) => finding.at(place),
        None => finding,
    }
}
