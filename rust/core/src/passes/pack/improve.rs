//! Better plans than the greedy one: all ways to share plates when the parts are few; else the
//! emptiest plate is squeezed onto the others, plates are built by squeezing, tallest parts first,
//! and parts trade places. A plan is kept only when it is no worse.

use super::plan::{Goal, Plan, PlateInProgress, Task, Unit, order, sort};
use super::search::{Attempt, SIDE_BY_SIDE, Search};
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
    let is_best = |plan: &Plan<'_>| plan.score(task).time_s <= bound_s * (1.0 + 1e-12);
    search.tell(start.score(task).time_s, bound_s);
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
    let fill = ctx.quiet();
    let mut best = start;
    while !search.is_over() {
        let before = search.used();
        while !is_best(&best) && dissolve(task, &mut best, &mut search)? {}
        for &favour in &favours {
            search.tell(best.score(task).time_s, bound_s);
            if is_best(&best) {
                return Ok(best);
            }
            let misfits = best.misfits.clone();
            let plan = rebuild(task, &misfits, favour, &mut search, &fill)?;
            let plan = trade(task, plan, &mut search)?;
            best = better(task, best, plan);
        }
        // Where nothing can be squeezed, patience is no help.
        if !search.more_patience() || search.used() == before {
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
fn all_partitions<'a>(task: &Task<'a>, misfits: &[usize], search: &mut Search) -> Result<Plan<'a>> {
    // Tallest first, so that a set's lowest bit names its tallest unit.
    let units: Vec<usize> = order(task).into_iter().filter(|u| !misfits.contains(u)).collect();
    let full = (1usize << units.len()) - 1;
    // The cheapest plate for each set; a set fits only when its subsets do.
    let mut plates: Vec<Option<(f64, PlateInProgress<'a>)>> = vec![None; full + 1];
    for count in 1..=units.len() as u32 {
        let fits = |set: &usize| {
            let bits = (0..units.len()).filter(|b| set >> b & 1 == 1);
            let mut smaller = bits.map(|b| set & !(1 << b)).filter(|s| *s != 0);
            set.count_ones() == count && smaller.all(|s| plates[s].is_some())
        };
        let sets: Vec<usize> = (1..=full).filter(fits).collect();
        let found = search.all(sets.len(), |k, attempt| {
            let members: Vec<usize> =
                (0..units.len()).filter(|b| sets[k] >> b & 1 == 1).map(|b| units[b]).collect();
            cheapest(task, &members, attempt)
        })?;
        for (set, plate) in sets.into_iter().zip(found) {
            plates[set] = plate;
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

/// The quickest plate of exactly these units that the packer finds, and its time.
fn cheapest<'a>(
    task: &Task<'a>,
    units: &[usize],
    attempt: &mut Attempt<'_>,
) -> Result<Option<(f64, PlateInProgress<'a>)>> {
    let mut best: Option<(f64, PlateInProgress<'a>)> = None;
    for printer in 0..task.printers.len() {
        if let Some(plate) = packed(task, printer, units, attempt)? {
            let time = task.printers[printer].time_s(plate.height_mm);
            if best.as_ref().is_none_or(|(t, _)| time < *t) {
                best = Some((time, plate));
            }
        }
    }
    Ok(best)
}

/// A plate of exactly these units, the largest placed first, if the packer finds one.
fn packed<'a>(
    task: &Task<'a>,
    printer: usize,
    units: &[usize],
    attempt: &mut Attempt<'_>,
) -> Result<Option<PlateInProgress<'a>>> {
    let mut units = units.to_vec();
    units.sort_by(|&a, &b| task.units[b].area_mm2.total_cmp(&task.units[a].area_mm2));
    let mut plate = PlateInProgress::new(task, printer);
    for u in units {
        let Some(next) = plate.with(task, u, attempt)? else { return Ok(None) };
        plate = next;
    }
    Ok(Some(plate))
}

/// Builds the plan anew, plate by plate in placing order: what finds no free place is squeezed in
/// by moving what is there, so that tall parts go before low ones that fill gaps.
fn rebuild<'a>(
    task: &Task<'a>,
    misfits: &[usize],
    favour: Option<usize>,
    search: &mut Search,
    ctx: &Context,
) -> Result<Plan<'a>> {
    let mut plan = Plan { plates: Vec::new(), misfits: misfits.to_vec() };
    let mut rest: Vec<usize> = order(task).into_iter().filter(|u| !misfits.contains(u)).collect();
    while let Some(&first) = rest.first() {
        if search.is_over() {
            plan.fill(task, &rest, favour, ctx)?;
            break;
        }
        plan.fill(task, &[first], favour, ctx)?;
        rest.remove(0);
        if let Some(plate) = plan.plates.last_mut() {
            rest = fill_up(task, plate, &rest, search)?;
        }
    }
    Ok(plan)
}

/// What has failed to be squeezed onto a plate since the last that could.
#[derive(Clone)]
struct Failures {
    outlines: BTreeSet<Vec<usize>>,
    in_a_row: usize,
    smallest_mm2: f64,
    /// Only units below this area have a chance.
    below_mm2: f64,
}

impl Failures {
    /// Different outlines in a row that may fail before clearly smaller ones have their turn.
    const TRIES: usize = 3;
    const SMALLER: f64 = 0.8;

    fn none() -> Failures {
        let (smallest_mm2, below_mm2) = (f64::INFINITY, f64::INFINITY);
        Failures { outlines: BTreeSet::new(), in_a_row: 0, smallest_mm2, below_mm2 }
    }

    fn rule_out(&self, unit: &Unit) -> bool {
        unit.area_mm2 >= self.below_mm2 || self.outlines.contains(&unit.outlines)
    }

    fn add(&mut self, unit: &Unit) {
        self.outlines.insert(unit.outlines.clone());
        self.in_a_row += 1;
        self.smallest_mm2 = self.smallest_mm2.min(unit.area_mm2);
        if self.in_a_row == Failures::TRIES {
            (self.in_a_row, self.below_mm2) = (0, Failures::SMALLER * self.smallest_mm2);
        }
    }
}

/// Adds units to a plate in the order given, each freely or squeezed in; what finds no place comes
/// back.
fn fill_up<'a>(
    task: &Task<'a>,
    plate: &mut PlateInProgress<'a>,
    units: &[usize],
    search: &mut Search,
) -> Result<Vec<usize>> {
    let mut failures = Failures::none();
    let mut left = Vec::with_capacity(units.len());
    let mut next = 0;
    while next < units.len() {
        search.checkpoint()?;
        // The units that would be squeezed one after the other if each before it failed.
        let mut hopeful: Vec<usize> = Vec::new();
        let mut if_failed = failures.clone();
        let mut end = next;
        while end < units.len() && hopeful.len() < SIDE_BY_SIDE {
            let unit = &task.units[units[end]];
            if unit.height_mm <= plate.height_mm {
                let mut freely = plate.clone();
                if freely.insert(task, units[end]) {
                    if hopeful.is_empty() {
                        *plate = freely;
                        next = end + 1;
                        end = next;
                        continue;
                    }
                    break;
                }
                *plate = PlateInProgress { refused: freely.refused, ..plate.clone() };
                if !if_failed.rule_out(unit) && plate.has_room_for(task, unit) {
                    hopeful.push(end);
                    if_failed.add(unit);
                }
            }
            if hopeful.is_empty() {
                left.push(units[end]);
                next = end + 1;
            }
            end += 1;
        }
        let found = search
            .first(hopeful.len(), |k, attempt| plate.squeezed(task, units[hopeful[k]], attempt))?;
        if let Some((k, squeezed)) = found {
            *plate = squeezed;
            for &i in &hopeful[..k] {
                failures.add(&task.units[units[i]]);
            }
            failures.in_a_row = 0;
            left.extend_from_slice(&units[next..hopeful[k]]);
            next = hopeful[k] + 1;
        } else {
            failures = if_failed;
            left.extend_from_slice(&units[next..end]);
            next = end;
        }
    }
    Ok(left)
}

/// Share of the plates up to which outlines other than boxes may be squeezed.
const HOPEFUL: f64 = 0.85;

/// Squeezes the parts of the emptiest plate onto others; true when none is left. What has moved
/// before one resists stays where it went.
fn dissolve<'a>(task: &Task<'a>, plan: &mut Plan<'a>, search: &mut Search) -> Result<bool> {
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
    search: &mut Search,
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
    for _ in 0..TURNS {
        let found = search
            .first(others.len(), |k, attempt| plan.plates[others[k]].squeezed(task, u, attempt))?;
        if let Some((k, squeezed)) = found {
            plan.plates[others[k]] = squeezed;
            plan.plates[q] = plan.plates[q].without(task, u);
            moved = true;
            break;
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
fn trade<'a>(task: &Task<'a>, start: Plan<'a>, search: &mut Search) -> Result<Plan<'a>> {
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
    search: &mut Search,
) -> Result<Option<Plan<'a>>> {
    let from = &plan.plates[q];
    let mut tallest = units_of(from);
    tallest.retain(|&u| task.units[u].height_mm >= from.height_mm);
    let (Some(&u), 1) = (tallest.first(), tallest.len()) else { return Ok(None) };
    let up = &task.units[u];
    let rest = from.without(task, u);
    let now = plan.score(task);
    let mut trades: Vec<(usize, usize)> = Vec::new();
    for (p, to) in plan.plates.iter().enumerate() {
        if p == q || to.height_mm < up.height_mm {
            continue;
        }
        // The lowest unit of each outline stands for the others.
        let mut tried: BTreeSet<&[usize]> = BTreeSet::new();
        let mut lowest_first = units_of(to);
        lowest_first.sort_by(|&a, &b| task.units[a].height_mm.total_cmp(&task.units[b].height_mm));
        for v in lowest_first {
            let down = &task.units[v];
            if down.height_mm < up.height_mm
                && down.due == up.due
                && rest.has_room_for(task, down)
                && tried.insert(&down.outlines)
            {
                trades.push((p, v));
            }
        }
    }
    let found = search.first(trades.len(), |k, attempt| {
        let (p, v) = trades[k];
        let Some(left) = plan.plates[p].without(task, v).with(task, u, attempt)? else {
            return Ok(None);
        };
        let Some(right) = rest.with(task, v, attempt)? else { return Ok(None) };
        let mut next = plan.clone();
        next.plates[p] = left;
        next.plates[q] = right;
        Ok((next.score(task) < now).then_some(next))
    })?;
    Ok(found.map(|(_, next)| next))
}
