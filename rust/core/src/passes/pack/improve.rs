//! Better plans than the greedy one: all ways to share plates when the parts are few; else the
//! emptiest plate is squeezed onto the others, plates are built by squeezing, tallest parts first,
//! and parts trade places. A plan is kept only when it is no worse.

use super::plan::{Goal, Plan, PlateInProgress, Search, Task, order, sort};
use crate::context::Context;
use crate::error::Result;
use std::collections::BTreeSet;

/// Up to so many units every partition is weighed: 2⁸ sets to pack, 3⁸ splits to compare.
const FEW: usize = 8;

/// The best plan found within the task's rounds; never worse than `start`. It ends early when the
/// plan is as quick as `bound_s` says any can be.
pub(super) fn improve<'a>(
    task: &Task<'a>,
    start: Plan<'a>,
    bound_s: f64,
    ctx: &Context,
) -> Result<Plan<'a>> {
    let mut search = Search::new(task, ctx);
    let same_due = task.units.iter().all(|u| u.due == task.units[0].due);
    let sums = task.goal == Goal::TotalTime || task.printers.len() == 1;
    if task.units.len() <= FEW && same_due && sums {
        let plan = all_partitions(task, &start.misfits, &mut search)?;
        return Ok(better(task, start, plan));
    }
    // The same again with more patience, and with another printer favoured, as long as the rounds
    // last.
    let favours: Vec<Option<usize>> = match task.printers.len() {
        1 => vec![None],
        n => std::iter::once(None).chain((0..n).map(Some)).collect(),
    };
    let fill = ctx.stage("fill", 0.0, 0.0);
    let mut best = start;
    let is_best = |plan: &Plan<'_>| plan.score(task).time_s <= bound_s * (1.0 + 1e-12);
    while !search.is_over() {
        while !is_best(&best) && dissolve(task, &mut best, &mut search)? {}
        for &favour in &favours {
            if is_best(&best) {
                return Ok(best);
            }
            let misfits = best.misfits.clone();
            let plan = rebuild(task, &misfits, favour, &mut search, &fill)?;
            let plan = trade(task, plan, &mut search)?;
            best = better(task, best, plan);
        }
        if !search.more_patience() {
            break;
        }
    }
    Ok(best)
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
    let mut plates: Vec<Option<(f64, PlateInProgress<'a>)>> = vec![None; full + 1];
    for set in 1..=full {
        let bits = || (0..units.len()).filter(move |b| set >> b & 1 == 1);
        let smaller = bits().map(|b| set & !(1 << b)).filter(|s| *s != 0);
        if search.is_over() || smaller.clone().any(|s| plates[s].is_none()) {
            continue;
        }
        let members: Vec<usize> = bits().map(|b| units[b]).collect();
        for printer in 0..task.printers.len() {
            if let Some(plate) = packed(task, printer, &members, search)? {
                let time = task.printers[printer].time_s(plate.height_mm);
                if plates[set].as_ref().is_none_or(|(t, _)| time < *t) {
                    plates[set] = Some((time, plate));
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
    let mut plan = Plan { plates: Vec::new(), misfits: misfits.to_vec() };
    let mut left = full;
    while left != 0 {
        let plate = best[left].1;
        match plates[plate].take() {
            Some((_, plate)) => plan.plates.push(plate),
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
) -> Result<Option<PlateInProgress<'a>>> {
    let mut units = units.to_vec();
    units.sort_by(|&a, &b| task.units[b].area_mm2.total_cmp(&task.units[a].area_mm2));
    let mut plate = PlateInProgress::new(task, printer);
    for u in units {
        if !plate.insert(task, u) && !plate.squeeze(task, u, search)? {
            return Ok(None);
        }
    }
    Ok(Some(plate))
}

/// Builds the plan anew, plate by plate in placing order: what finds no free place is squeezed in
/// by moving what is there, so that tall parts go before low ones that fill gaps.
fn rebuild<'a>(
    task: &Task<'a>,
    misfits: &[usize],
    favour: Option<usize>,
    search: &mut Search<'_>,
    ctx: &Context,
) -> Result<Plan<'a>> {
    /// Different outlines in a row that may fail before clearly smaller ones have their turn.
    const TRIES: usize = 3;
    const SMALLER: f64 = 0.8;
    let mut plan = Plan { plates: Vec::new(), misfits: misfits.to_vec() };
    let mut rest: Vec<usize> = order(task).into_iter().filter(|u| !misfits.contains(u)).collect();
    while let Some(&first) = rest.first() {
        if search.is_over() {
            plan.fill(task, &rest, favour, ctx)?;
            break;
        }
        plan.fill(task, &[first], favour, ctx)?;
        rest.remove(0);
        let Some(plate) = plan.plates.last_mut() else { continue };
        let mut failed: BTreeSet<Vec<usize>> = BTreeSet::new();
        let (mut in_a_row, mut smallest, mut below) = (0, f64::INFINITY, f64::INFINITY);
        let mut left = Vec::with_capacity(rest.len());
        for u in rest {
            search.checkpoint()?;
            let unit = &task.units[u];
            if unit.height_mm > plate.height_mm {
                left.push(u);
            } else if plate.insert(task, u) {
            } else if unit.area_mm2 >= below
                || search.is_over()
                || !plate.has_room_for(task, unit)
                || failed.contains(&unit.outlines)
            {
                left.push(u);
            } else if plate.squeeze(task, u, search)? {
                in_a_row = 0;
            } else {
                left.push(u);
                failed.insert(unit.outlines.clone());
                in_a_row += 1;
                smallest = smallest.min(unit.area_mm2);
                if in_a_row == TRIES {
                    (in_a_row, below) = (0, SMALLER * smallest);
                }
            }
        }
        rest = left;
    }
    Ok(plan)
}

/// Share of the plates up to which outlines other than boxes may be squeezed.
const HOPEFUL: f64 = 0.85;

/// Squeezes the parts of the emptiest plate onto others; true when none is left. What has moved
/// before one resists stays where it went.
fn dissolve<'a>(task: &Task<'a>, plan: &mut Plan<'a>, search: &mut Search<'_>) -> Result<bool> {
    let area = |q: usize| plan.plates[q].area_mm2;
    let emptiest = (0..plan.plates.len()).min_by(|&a, &b| area(a).total_cmp(&area(b)));
    let Some(q) = emptiest else { return Ok(false) };
    let others = || (0..plan.plates.len()).filter(|&p| p != q);
    let room: f64 = others().map(|p| plan.plates[p].capacity_mm2(task)).sum();
    if others().map(area).sum::<f64>() + area(q) > HOPEFUL * room {
        return Ok(false);
    }
    let mut units = units_of(&plan.plates[q]);
    sort(task, &mut units);
    for u in units {
        if !squeeze_elsewhere(task, plan, q, u, search)? {
            return Ok(false);
        }
    }
    plan.plates.remove(q);
    Ok(true)
}

/// Moves a unit from plate `q` to the emptiest other that takes it and is as high and as early
/// anyway.
fn squeeze_elsewhere<'a>(
    task: &Task<'a>,
    plan: &mut Plan<'a>,
    q: usize,
    u: usize,
    search: &mut Search<'_>,
) -> Result<bool> {
    /// Times that all plates are tried, each time with twice the patience.
    const TURNS: usize = 3;
    let unit = &task.units[u];
    let due = |l: &PlateInProgress<'_>| l.owner.iter().map(|&v| task.units[v].due).min();
    let takes = |l: &PlateInProgress<'_>| l.height_mm >= unit.height_mm && due(l) <= Some(unit.due);
    let mut others: Vec<usize> =
        (0..plan.plates.len()).filter(|&p| p != q && takes(&plan.plates[p])).collect();
    others.sort_by(|&a, &b| plan.plates[a].area_mm2.total_cmp(&plan.plates[b].area_mm2));
    let usual = search.effort;
    let mut moved = false;
    'search: for _ in 0..TURNS {
        for &p in &others {
            moved = !search.is_over() && plan.plates[p].squeeze(task, u, search)?;
            if moved {
                plan.plates[q] = plan.plates[q].without(task, u);
                break 'search;
            }
        }
        search.effort = search.effort.doubled();
    }
    search.effort = usual;
    Ok(moved)
}

/// The units on a plate.
fn units_of(plate: &PlateInProgress<'_>) -> Vec<usize> {
    let mut units = plate.owner.clone();
    units.dedup(); // the parts of a unit stand side by side in the list
    units
}

/// Trades the only tallest unit of a plate for a lower one of a plate that is as high anyway.
fn trade<'a>(task: &Task<'a>, start: Plan<'a>, search: &mut Search<'_>) -> Result<Plan<'a>> {
    let mut best = start;
    let mut progress = true;
    while progress && !search.is_over() {
        progress = false;
        for q in 0..best.plates.len() {
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
    let from = &plan.plates[q];
    let mut tallest = units_of(from);
    tallest.retain(|&u| task.units[u].height_mm >= from.height_mm);
    let (Some(&u), 1) = (tallest.first(), tallest.len()) else { return Ok(None) };
    let up = &task.units[u];
    let rest = from.without(task, u);
    let now = plan.score(task);
    for (p, to) in plan.plates.iter().enumerate() {
        if p == q || to.height_mm < up.height_mm {
            continue;
        }
        let mut tried: BTreeSet<Vec<usize>> = BTreeSet::new();
        let mut lowest_first = units_of(to);
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
                || !tried.insert(down.outlines.clone())
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
            next.plates[p] = left;
            next.plates[q] = right;
            if next.score(task) < now {
                return Ok(Some(next));
            }
        }
    }
    Ok(None)
}
