//! Better plans than the greedy one: all ways to share plates when the parts are few; else plates
//! are squeezed, tallest first, and parts trade places. A step is kept only when the whole plan
//! gets no worse.

use super::plan::{Goal, Load, Plan, Search, Task, order};
use crate::context::Context;
use crate::error::Result;
use std::collections::BTreeSet;

/// Up to so many units every partition is weighed: 2⁸ sets to pack, 3⁸ splits to compare.
const FEW: usize = 8;

/// The best plan found within the task's rounds; never worse than `start`.
pub(super) fn improve<'a>(task: &Task<'a>, start: Plan<'a>, ctx: &Context) -> Result<Plan<'a>> {
    let mut search = Search::new(task, ctx);
    let same_due = task.units.iter().all(|u| u.due == task.units[0].due);
    let sums = task.goal == Goal::TotalTime || task.printers.len() == 1;
    if task.units.len() <= FEW && same_due && sums {
        let plan = all_partitions(task, &start.misfits, &mut search)?;
        return Ok(better(task, start, plan));
    }
    let plan = squeeze_all(task, start, &mut search, ctx)?;
    trade(task, plan, &mut search)
}

fn better<'a>(task: &Task<'_>, old: Plan<'a>, new: Plan<'a>) -> Plan<'a> {
    let no_worse = new.misfits.len() <= old.misfits.len() && new.score(task) <= old.score(task);
    if no_worse { new } else { old }
}

/// Weighs every partition of the units into plates, as far as the packer can pack the sets.
fn all_partitions<'a>(
    task: &Task<'a>,
    misfits: &[usize],
    search: &mut Search<'_>,
) -> Result<Plan<'a>> {
    // Tallest first, so that a set's lowest bit names its tallest unit.
    let units: Vec<usize> = order(task).into_iter().filter(|u| !misfits.contains(u)).collect();
    let full = (1usize << units.len()) - 1;
    // The cheapest plate for each set; a set fits only when its subsets do.
    let mut plates: Vec<Option<(f64, Load<'a>)>> = vec![None; full + 1];
    for set in 1..=full {
        let bits = || (0..units.len()).filter(move |b| set >> b & 1 == 1);
        let smaller = bits().map(|b| set & !(1 << b)).filter(|s| *s != 0);
        if search.is_over() || smaller.clone().any(|s| plates[s].is_none()) {
            continue;
        }
        let members: Vec<usize> = bits().map(|b| units[b]).collect();
        for printer in 0..task.printers.len() {
            if let Some(load) = packed(task, printer, &members, search)? {
                let time = task.printers[printer].time_s(load.height_mm);
                if plates[set].as_ref().is_none_or(|(t, _)| time < *t) {
                    plates[set] = Some((time, load));
                }
            }
        }
    }
    // best[set]: least time for the set, and the plate that holds its tallest unit.
    let mut best = vec![(0.0, 0); full + 1];
    for set in 1..=full {
        let lead = set & set.wrapping_neg();
        let mut least = (f64::INFINITY, 0);
        let mut plate = set;
        while plate != 0 {
            if plate & lead != 0
                && let Some((time, _)) = &plates[plate]
            {
                let sum = time + best[set & !plate].0;
                if sum < least.0 {
                    least = (sum, plate);
                }
            }
            plate = (plate - 1) & set;
        }
        best[set] = least;
    }
    let mut plan = Plan { loads: Vec::new(), misfits: misfits.to_vec() };
    let mut left = full;
    while left != 0 {
        let plate = best[left].1;
        match plates[plate].take() {
            Some((_, load)) => plan.loads.push(load),
            // The budget ended before every single unit was packed.
            None => {
                plan.misfits
                    .extend((0..units.len()).filter(|b| left >> b & 1 == 1).map(|b| units[b]));
                break;
            }
        }
        left &= !plate;
    }
    Ok(plan)
}

/// A plate of exactly these units, the largest placed first, if the packer finds one.
fn packed<'a>(
    task: &Task<'a>,
    printer: usize,
    units: &[usize],
    search: &mut Search<'_>,
) -> Result<Option<Load<'a>>> {
    let mut units = units.to_vec();
    units.sort_by(|&a, &b| task.units[b].area_mm2.total_cmp(&task.units[a].area_mm2));
    let mut load = Load::new(task, printer);
    for u in units {
        if !load.insert(task, u) && !load.squeeze(task, u, search)? {
            return Ok(None);
        }
    }
    Ok(Some(load))
}

/// Brings units forward to earlier, higher plates, as many as can be squeezed in, and lays out
/// anew what is left.
fn squeeze_all<'a>(
    task: &Task<'a>,
    start: Plan<'a>,
    search: &mut Search<'_>,
    ctx: &Context,
) -> Result<Plan<'a>> {
    /// Different outlines that may fail on a plate before the next plate's turn.
    const TRIES: usize = 6;
    let mut best = start;
    let mut p = 0;
    while p + 1 < best.loads.len() && !search.is_over() {
        let mut plan = best.clone();
        // Units on later plates, in placing order; each may come forward to plate p.
        let later: BTreeSet<usize> =
            plan.loads[p + 1..].iter().flat_map(|l| l.owner.iter().copied()).collect();
        let mut rest: Vec<usize> = order(task).into_iter().filter(|u| later.contains(u)).collect();
        let load = &mut plan.loads[p];
        let mut failed: BTreeSet<Vec<usize>> = BTreeSet::new();
        let before = load.owner.len();
        let mut i = 0;
        while i < rest.len() && failed.len() < TRIES && !search.is_over() {
            let unit = &task.units[rest[i]];
            let may = unit.height_mm <= load.height_mm
                && load.has_room_for(task, unit)
                && !failed.contains(&unit.kinds);
            if may && load.squeeze(task, rest[i], search)? {
                rest.remove(i);
                continue;
            }
            if may {
                failed.insert(unit.kinds.clone());
            }
            i += 1;
        }
        if load.owner.len() > before {
            plan.loads.truncate(p + 1);
            plan.fill(task, &rest, None, &ctx.stage("fill", 0.0, 0.0))?;
            best = better(task, best, plan);
        }
        p += 1;
    }
    Ok(best)
}

/// Trades the only tallest unit of a plate for a lower one of a plate that is as high anyway.
fn trade<'a>(task: &Task<'a>, start: Plan<'a>, search: &mut Search<'_>) -> Result<Plan<'a>> {
    let mut best = start;
    let mut progress = true;
    while progress && !search.is_over() {
        progress = false;
        for q in 0..best.loads.len() {
            while let Some(plan) = trade_from(task, &best, q, search)? {
                best = plan;
                progress = true;
            }
        }
    }
    Ok(best)
}

fn trade_from<'a>(
    task: &Task<'a>,
    plan: &Plan<'a>,
    q: usize,
    search: &mut Search<'_>,
) -> Result<Option<Plan<'a>>> {
    let units_of = |l: &Load<'_>| l.owner.iter().copied().collect::<BTreeSet<usize>>();
    let from = &plan.loads[q];
    let mut tallest = units_of(from);
    tallest.retain(|&u| task.units[u].height_mm >= from.height_mm);
    let (Some(&u), 1) = (tallest.first(), tallest.len()) else { return Ok(None) };
    let up = &task.units[u];
    let rest = from.without(task, u);
    let now = plan.score(task);
    for (p, to) in plan.loads.iter().enumerate() {
        if p == q || to.height_mm < up.height_mm {
            continue;
        }
        let mut tried: BTreeSet<Vec<usize>> = BTreeSet::new();
        let mut lowest_first: Vec<usize> = units_of(to).into_iter().collect();
        lowest_first.sort_by(|&a, &b| task.units[a].height_mm.total_cmp(&task.units[b].height_mm));
        for v in lowest_first {
            let down = &task.units[v];
            if search.is_over() {
                return Ok(None);
            }
            // The lowest unit of each outline stands for the others.
            if down.height_mm >= up.height_mm
                || down.due != up.due
                || !rest.has_room_for(task, down)
                || !tried.insert(down.kinds.clone())
            {
                continue;
            }
            let mut left = to.without(task, v);
            let mut right = rest.clone();
            let fits = (left.insert(task, u) || left.squeeze(task, u, search)?)
                && (right.insert(task, v) || right.squeeze(task, v, search)?);
            if !fits {
                continue;
            }
            let mut next = plan.clone();
            next.loads[p] = left;
            next.loads[q] = right;
            if next.score(task) < now {
                return Ok(Some(next));
            }
        }
    }
    Ok(None)
}
