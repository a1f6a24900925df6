//! Puddles: resin that stays in hollows of the part while it hangs from the plate.
//!
//! A wide mouth lets it out when the part is turned over, and so do two holes. Where one mouth is
//! narrower than an air lock, air and resin cannot pass each other and the resin stays.

use super::Evidence;
use crate::codes::FindingCode;
use crate::error::Result;
use crate::finding::{Finding, Severity};
use crate::layers::{Outlet, SweepFrom, VoidMap, outlets};
use crate::mechanics::flow::AIR_LOCK_MEASURED_MM;
use crate::part::Role;

/// Resin in one place that is worth a word, mm³ (common practice, no source).
const WORTH_MM3: f64 = 200.0;

pub(super) fn find(e: &Evidence<'_>) -> Result<Vec<Finding>> {
    let map = VoidMap::of(&e.printed, &e.ctx.job)?;
    let (up, down) = (map.tree(SweepFrom::Plate), map.tree(SweepFrom::Top));
    let pocket = |root: u32| up.root(down.first_region(root)).is_some_and(|u| up.is_pocket(u));
    let roots: Vec<u32> = down
        .roots()
        .filter(|&r| down.sizes[r as usize].volume_mm3 > WORTH_MM3 && !pocket(r))
        .collect();
    if roots.is_empty() {
        return Ok(Vec::new());
    }
    let body = e.part.surfaces(&[Role::Body, Role::Lattice]);
    let (holes, ball_mm) = (e.part.vent_ends(), AIR_LOCK_MEASURED_MM);
    let found = outlets(&map, &body, [&up, &down], &roots, &holes, ball_mm, &e.ctx.job)?;
    let finding = |(&root, outlet): (&u32, Option<Outlet>)| {
        let size = down.sizes[root as usize];
        let ml = size.volume_mm3 * 1e-3;
        let (severity, message, remedy) = if let Some(outlet) = outlet {
            let (message, remedy) = outlet.words(ml);
            (Severity::Note, message, remedy)
        } else {
            let message = format!(
                "{ml:.1} ml of resin stay in the hanging part, behind a mouth too narrow for air \
                 and resin to pass each other"
            );
            (Severity::Warning, message, "turn the part, or vent the hollow so that it drains")
        };
        let place = map.point_in(down.first_region(root));
        let finding = Finding::new(FindingCode::RetainedResin, severity, &e.part.name, message)
            .at_layers(size.layers.0, size.layers.1)
            .measured(ml, WORTH_MM3 * 1e-3, "ml")
            .remedy(remedy);
        Finding { place, ..finding }
    };
    Ok(roots.iter().zip(found).map(finding).collect())
}
