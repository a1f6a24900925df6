//! Narrow gaps: voids that light and blur close, so that the two sides fuse.

use super::Evidence;
use super::thickness::{Between, Patch, Widths};
use crate::codes::FindingCode;
use crate::error::Result;
use crate::finding::{Finding, Severity};
use crate::mechanics::cure;
use crate::mechanics::light::EdgeBlur;

pub(super) fn find(e: &Evidence<'_>) -> Result<Vec<Finding>> {
    let (r, x) = (&e.setup().resin, &e.setup().exposure);
    let dose = cure::dose_mj_cm2(x.irradiance_mw_cm2, x.exposure_s);
    let closed = EdgeBlur::of(e.setup()).closed_gap_mm(dose, r.critical_mj_cm2).max(0.0);
    let through = cure::print_through_mm(
        f64::INFINITY,
        x.layer_mm,
        dose,
        r.penetration_mm,
        r.critical_mj_cm2,
    );
    let widths = Widths {
        across_mm: e.grid().pitch_mm + closed,
        along_z_mm: through.max(e.grid().layer_mm),
    };
    let finding = |p: &Patch| {
        let message = format!(
            "{:.2} mm² of gap are down to {:.3} mm wide; light through and beside it can close it",
            p.area_mm2, p.least_mm
        );
        p.finding(e, FindingCode::Gap, Severity::Warning, message)
            .remedy("widen the gap, or stand it upright so that no layer shines through it")
    };
    Ok(e.lines.patches(e, Between::Void, widths).iter().map(finding).collect())
}
