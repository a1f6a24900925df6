//! A whole plate: each distinct part once, then what only the plate as a whole can tell.

use super::{Checked, Confidence, Profile, inspect, vat, watch};
use crate::codes::FindingCode;
use crate::context::Context;
use crate::error::Result;
use crate::finding::{Finding, Severity};
use crate::mesh::Bounds;
use crate::part::{Part, Role};
use crate::plate::{Placed, Plate};
use std::cmp::Reverse;
use std::sync::Arc;

/// How far a part may reach beyond the plate by rounding, mm.
const BEYOND_MM: f64 = 1e-6;

/// Looks at a plate for every way to fail. Copies of a part are looked at once and their findings
/// placed at the first copy; the profile adds up all copies, its uses and the confidence are those
/// of the worst part. Spring-back counts each part as alone on the machine's arm.
///
/// # Errors
/// As [`inspect`].
pub fn inspect_plate(plate: &Plate, ctx: &Context) -> Result<Checked> {
    let mut distinct: Vec<(&Arc<Part>, &Placed, f64)> = Vec::new();
    for placed in &plate.placed {
        match distinct.iter_mut().find(|d| Arc::ptr_eq(d.0, &placed.part)) {
            Some(known) => known.2 += 1.0,
            None => distinct.push((&placed.part, placed, 1.0)),
        }
    }
    let mut findings: Vec<Finding> = plate.placed.iter().filter_map(|p| beyond(p, plate)).collect();
    let mut profile = Profile::default();
    let mut confidence: Option<Confidence> = None;
    let n = distinct.len() as f64;
    for (i, (part, placed, copies)) in distinct.into_iter().enumerate() {
        let stage = ctx.stage(&part.name, i as f64 / n, (i + 1) as f64 / n);
        let checked = inspect(part, &stage)?;
        profile.add(&checked.profile, copies);
        let share = |c: &Option<Confidence>| c.as_ref().map_or(f64::INFINITY, |c| c.share);
        if share(&checked.confidence) < share(&confidence) {
            confidence = checked.confidence;
        }
        let pose = placed.pose();
        // The vat is the plate's, not the part's.
        let own = checked.findings.into_iter().filter(|f| f.code != FindingCode::Vat);
        findings.extend(own.map(|f| Finding { place: f.place.map(|p| pose * p), ..f }));
    }
    findings.extend(vat::of_sections(&plate.name, &profile.section_mm2, &ctx.setup));
    findings.sort_by_key(|f| Reverse(f.severity));
    let watch = watch::moments(&profile, &findings, &ctx.setup);
    Ok(Checked { findings, profile, confidence, watch, ..Checked::default() })
}

/// A part that reaches beyond the plate's usable area.
fn beyond(placed: &Placed, plate: &Plate) -> Option<Finding> {
    let pose = placed.pose();
    let bounds = placed
        .part
        .surfaces(&Role::ALL)
        .iter()
        .fold(Bounds::EMPTY, |b, s| b.union(&s.mesh.bounds_at(&(pose * s.pose))));
    let out = [
        -bounds.min.x,
        -bounds.min.y,
        bounds.max.x - plate.width_mm,
        bounds.max.y - plate.depth_mm,
    ];
    let most = out.into_iter().fold(0.0, f64::max);
    (most > BEYOND_MM).then(|| {
        let message = format!("it reaches {most:.2} mm beyond the plate");
        Finding::new(FindingCode::Size, Severity::Fault, &placed.part.name, message)
            .at(bounds.center())
            .measured(most, 0.0, "mm")
            .remedy("move it inwards, or pack the plate again")
    })
}
