//! A whole plate: each distinct part once, then what only the plate as a whole can tell.
//!
//! The machine's arm is one spring for everything that settles at the same time, and film and arm
//! feel the sum of all pulls, as the vat gives the sum of all resin. The bond is no such sum: parts
//! stand apart, so each hangs on its own foot alone, and what its check says of that holds here too.

use super::{Checked, Confidence, Profile, lift, look, springback, vat, watch};
use crate::codes::FindingCode;
use crate::context::Context;
use crate::error::Result;
use crate::finding::{Finding, Severity};
use crate::mesh::Bounds;
use crate::part::{Part, Role};
use crate::plate::{Placed, Plate};
use crate::setup::Setup;
use crate::structure::{Settled, Settling};
use std::cmp::Reverse;
use std::sync::Arc;

/// How far a part may reach beyond the plate by rounding, mm.
const BEYOND_MM: f64 = 1e-6;

/// What also mends that parts of a plate are too many for its machine.
const FEWER: &str = ", or put fewer parts on the plate";

/// A part of the plate with what its own check says.
struct Looked<'p> {
    part: &'p Arc<Part>,
    copies: f64,
    checked: Checked,
    settling: Settling,
}

/// Looks at a plate for every way to fail. Copies of a part are looked at once; places are those of
/// the part as it stands alone. The profile adds up all copies, its uses and the confidence are
/// those of the worst part. Every finding carries the plate's name; one of the whole plate has it as
/// its part, too.
///
/// # Errors
/// As [`inspect`](super::inspect).
pub fn inspect_plate(plate: &Plate, ctx: &Context) -> Result<Checked> {
    let mut distinct: Vec<(&Arc<Part>, f64)> = Vec::new();
    for placed in &plate.placed {
        match distinct.iter_mut().find(|d| Arc::ptr_eq(d.0, &placed.part)) {
            Some(known) => known.1 += 1.0,
            None => distinct.push((&placed.part, 1.0)),
        }
    }
    let n = distinct.len() as f64;
    let mut looked = Vec::with_capacity(distinct.len());
    for (i, (part, copies)) in distinct.into_iter().enumerate() {
        let stage = ctx.stage(&part.name, i as f64 / n, (i + 1) as f64 / n);
        let (checked, settling) = look(part, &stage)?;
        looked.push(Looked { part, copies, checked, settling });
    }
    let mut findings: Vec<Finding> = plate.placed.iter().filter_map(|p| beyond(p, plate)).collect();
    let mut profile = Profile::default();
    let mut confidence: Option<Confidence> = None;
    let all_mm4 = resists_mm4(&looked);
    let together = plate.placed.len() > 1;
    let settled: Vec<Settled> =
        looked.iter().map(|l| l.settling.settle(&all_mm4, &ctx.setup)).collect();
    if together {
        findings.extend(beside(&looked, &settled, &ctx.setup));
    }
    for (Looked { copies, mut checked, .. }, settled) in looked.into_iter().zip(&settled) {
        let missed = settled.missed.iter().map(|m| m.ratio);
        checked.profile.missed.iter_mut().zip(missed).for_each(|(a, b)| *a = a.max(b));
        profile.add(&checked.profile, copies);
        let share = |c: &Option<Confidence>| c.as_ref().map_or(f64::INFINITY, |c| c.share);
        if share(&checked.confidence) < share(&confidence) {
            confidence = checked.confidence;
        }
        // Vat and film are the plate's, not the part's, as soon as it is not alone there.
        let shared = |f: &Finding| [FindingCode::Vat, FindingCode::Lift].contains(&f.code);
        findings.extend(checked.findings.into_iter().filter(|f| !(together && shared(f))));
    }
    if together {
        findings.extend(vat::of_sections(&plate.name, &profile.section_mm2, &ctx.setup));
        let of_all = lift::of_profile(&plate.name, &profile, &ctx.setup);
        findings.extend(of_all.map(|f| Finding {
            message: format!("under the pull of all parts together, {}", f.message),
            remedy: f.remedy + FEWER,
            ..f
        }));
    }
    let mut findings: Vec<Finding> =
        findings.into_iter().map(|f| f.on_plate(&plate.name)).collect();
    findings.sort_by_key(|f| Reverse(f.severity));
    let watch = watch::moments(&profile, &findings, &ctx.setup);
    Ok(Checked { findings, profile, confidence, watch, ..Checked::default() })
}

/// By layer, how everything on the plate together resists being pressed through resin, mm⁴.
fn resists_mm4(looked: &[Looked<'_>]) -> Vec<f64> {
    let layers = looked.iter().map(|l| l.settling.resists_mm4.len()).max().unwrap_or(0);
    let mut out = vec![0.0; layers];
    for l in looked {
        out.iter_mut().zip(&l.settling.resists_mm4).for_each(|(a, b)| *a += l.copies * b);
    }
    out
}

/// What there is to say of parts that spring back farther beside the others than they do alone: one
/// finding of the worst, since one arm is the cause. What its own check has said of a part is not
/// said again.
fn beside(looked: &[Looked<'_>], settled: &[Settled], setup: &Setup) -> Option<Finding> {
    let settle_s = settled.iter().map(|s| s.settle_s).fold(0.0, f64::max);
    let news = looked.iter().zip(settled).filter_map(|(l, settled)| {
        let missed = settled.missed.iter().copied();
        let found = springback::of_layers(&l.part.name, missed, settle_s, setup)?;
        let own = l.checked.findings.iter().filter(|f| f.code == found.code);
        (own.map(|f| f.severity).max() < Some(found.severity)).then_some(found)
    });
    let mut news: Vec<Finding> = news.collect();
    let n = news.len();
    let value = |f: &Finding| f.value.unwrap_or(0.0);
    // The first of equals, so that the order on the plate decides and nothing else.
    news.sort_by(|a, b| b.severity.cmp(&a.severity).then(value(b).total_cmp(&value(a))));
    let mut worst = news.into_iter().next()?;
    let others = match n - 1 {
        0 => String::new(),
        1 => "; so does one other part".into(),
        n => format!("; so do {n} other parts"),
    };
    worst.message = format!(
        "beside the others on its plate, which share the machine's arm, {}{others}",
        worst.message
    );
    worst.remedy += FEWER;
    Some(worst)
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
            .at(pose.inverse() * bounds.center())
            .measured(most, 0.0, "mm")
            .remedy("move it inwards, or pack the plate again")
    })
}
