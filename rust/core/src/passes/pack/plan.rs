//! Which parts share a plate: the sorted greedy start. A plate costs its tallest part, so parts of
//! like height belong together.

use super::guided_local_search::separate;
use super::layout::Layout;
use super::nfp::{NfpCache, Placement};
use super::polygon::Point2;
use super::search::Attempt;
use crate::context::Context;
use crate::error::Result;
use crate::layers::layers_to;
use crate::mechanics::time;
use crate::setup::Setup;
use std::collections::BTreeSet;
use std::time::Instant;

/// Parts that go onto a plate together: a single part or a group.
#[derive(Clone, Debug)]
pub(super) struct Unit {
    /// Outline of each part.
    pub(super) outlines: Vec<usize>,
    /// How many of them are parts; the others are bars of plugs.
    pub(super) parts: usize,
    /// Height of the tallest, mm.
    pub(super) height_mm: f64,
    /// Sum of the outlines grown by half the gap, mm².
    pub(super) area_mm2: f64,
    /// Rank in which it is due; lower is earlier.
    pub(super) due: u32,
}

/// A printer as the planner sees it.
#[derive(Clone, Debug)]
pub(super) struct Printer {
    /// Usable rectangle, mm.
    pub(super) room: Point2,
    pub(super) height_mm: f64,
    /// Outlines that are kept free, at their place.
    pub(super) keep_out: Vec<Placement>,
    pub(super) setup: Setup,
}

impl Printer {
    /// Time of a plate whose tallest part is so high, s.
    pub(super) fn time_s(&self, height_mm: f64) -> f64 {
        time::print_of(&self.setup, layers_to(height_mm, self.setup.exposure.layer_mm))
    }

    /// Whether a part of this height can be printed at all.
    pub(super) fn takes(&self, height_mm: f64) -> bool {
        height_mm <= self.height_mm + 1e-6
    }

    /// Area of a plate for outlines grown by half the gap, mm².
    pub(super) fn capacity_mm2(&self, gap_mm: f64) -> f64 {
        (self.room[0] + gap_mm) * (self.room[1] + gap_mm)
    }
}

/// What the planner is to make small.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Goal {
    /// Machine time summed over all plates.
    #[default]
    TotalTime,
    /// The moment at which the last printer is done.
    FinishTime,
}

/// A task for the planner.
pub(super) struct Task<'a> {
    pub(super) nfps: &'a NfpCache,
    pub(super) units: Vec<Unit>,
    pub(super) printers: Vec<Printer>,
    pub(super) goal: Goal,
    pub(super) gap_mm: f64,
    pub(super) max_parts: Option<usize>,
    /// Units fill plates in the order given, one plate after the other.
    pub(super) keep_order: bool,
    pub(super) seed: u64,
    /// Search rounds for squeezing.
    pub(super) rounds: usize,
    pub(super) deadline: Option<Instant>,
}

/// A plate in the making.
#[derive(Clone)]
pub(super) struct PlateInProgress<'a> {
    pub(super) printer: usize,
    pub(super) layout: Layout<'a>,
    /// Unit of each movable placement, in the order of the placements.
    pub(super) owner: Vec<usize>,
    /// How many of the movable placements are parts.
    pub(super) parts: usize,
    pub(super) height_mm: f64,
    pub(super) area_mm2: f64,
    /// Outlines that found no place; a plate only gets fuller, so they never will.
    pub(super) refused: BTreeSet<usize>,
}

/// All plates, and the units that fit none.
#[derive(Clone)]
pub(super) struct Plan<'a> {
    pub(super) plates: Vec<PlateInProgress<'a>>,
    pub(super) misfits: Vec<usize>,
}

/// Smaller is better: goal time, then plates, then what the emptiest plate holds (it may soon be
/// spared, or take more), then used extent along x.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub(super) struct Score {
    pub(super) time_s: f64,
    pub(super) plates: usize,
    least_mm2: f64,
    used_mm: f64,
}

/// Pull of parts towards the front left corner.
const PULL: Point2 = [1.0, 0.02];

impl<'a> PlateInProgress<'a> {
    pub(super) fn new(task: &Task<'a>, printer: usize) -> PlateInProgress<'a> {
        let p = &task.printers[printer];
        let mut layout = Layout::new(task.nfps, p.room);
        layout.placements.clone_from(&p.keep_out);
        layout.fixed = layout.placements.len();
        let owner = Vec::new();
        PlateInProgress {
            printer,
            layout,
            owner,
            parts: 0,
            height_mm: 0.0,
            area_mm2: 0.0,
            refused: BTreeSet::new(),
        }
    }

    /// Area of the plate for outlines grown by half the gap, mm².
    pub(super) fn capacity_mm2(&self, task: &Task<'_>) -> f64 {
        task.printers[self.printer].capacity_mm2(task.gap_mm)
    }

    pub(super) fn has_room_for(&self, task: &Task<'_>, unit: &Unit) -> bool {
        task.printers[self.printer].takes(unit.height_mm)
            && self.area_mm2 + unit.area_mm2 <= self.capacity_mm2(task)
            && task.max_parts.is_none_or(|n| self.parts + unit.parts <= n)
    }

    fn book(&mut self, u: usize, unit: &Unit) {
        self.owner.extend(std::iter::repeat_n(u, unit.outlines.len()));
        self.parts += unit.parts;
        self.height_mm = self.height_mm.max(unit.height_mm);
        self.area_mm2 += unit.area_mm2;
    }

    /// Adds a unit where nothing else has to move, or by laying everything anew as boxes.
    pub(super) fn insert(&mut self, task: &Task<'_>, u: usize) -> bool {
        let unit = &task.units[u];
        if !self.has_room_for(task, unit) || unit.outlines.iter().any(|k| self.refused.contains(k))
        {
            return false;
        }
        let turns: Vec<usize> = (0..task.nfps.turn_count()).collect();
        let before = self.layout.placements.len();
        for (i, &outline) in unit.outlines.iter().enumerate() {
            let Some(placement) = self.layout.first_fit(outline, &turns, PULL) else {
                self.layout.placements.truncate(before);
                let boxes = self.layout.with_boxes(&unit.outlines, task.gap_mm);
                let Some(placements) = boxes else {
                    if i == 0 {
                        self.refused.insert(outline);
                    }
                    return false;
                };
                self.layout.placements = placements;
                break;
            };
            self.layout.placements.push(placement);
        }
        self.book(u, unit);
        true
    }

    /// The plate with one more unit, by moving what is there, if the attempt finds a way.
    pub(super) fn squeezed(
        &self,
        task: &Task<'a>,
        u: usize,
        attempt: &mut Attempt<'_>,
    ) -> Result<Option<PlateInProgress<'a>>> {
        let unit = &task.units[u];
        if !self.has_room_for(task, unit) {
            return Ok(None);
        }
        let mut layout = self.layout.clone();
        for &outline in &unit.outlines {
            let Some(placement) = layout.least_overlap(outline, &mut attempt.rng) else {
                return Ok(None);
            };
            layout.placements.push(placement);
        }
        let Attempt { rng, effort, used, is_vain } = attempt;
        let apart = separate(&mut layout, rng, *effort, || {
            *used += 1;
            is_vain()
        })?;
        if !apart {
            return Ok(None);
        }
        let mut plate = PlateInProgress { layout, refused: BTreeSet::new(), ..self.clone() };
        plate.book(u, unit);
        Ok(Some(plate))
    }

    /// The plate with one more unit, where it fits freely or else squeezed in.
    pub(super) fn with(
        &self,
        task: &Task<'a>,
        u: usize,
        attempt: &mut Attempt<'_>,
    ) -> Result<Option<PlateInProgress<'a>>> {
        let mut plate = self.clone();
        if plate.insert(task, u) { Ok(Some(plate)) } else { plate.squeezed(task, u, attempt) }
    }

    /// The plate without one of its units.
    pub(super) fn without(&self, task: &Task<'a>, u: usize) -> PlateInProgress<'a> {
        let mut plate = PlateInProgress::new(task, self.printer);
        let fixed = plate.layout.fixed;
        for (placement, &owner) in self.layout.placements[fixed..].iter().zip(&self.owner) {
            if owner != u {
                plate.layout.placements.push(*placement);
                plate.owner.push(owner);
            }
        }
        let mut units = plate.owner.clone();
        units.dedup(); // the parts of a unit stand side by side in the list
        for unit in units.iter().map(|&u| &task.units[u]) {
            plate.height_mm = plate.height_mm.max(unit.height_mm);
            plate.area_mm2 += unit.area_mm2;
            plate.parts += unit.parts;
        }
        plate
    }
}

impl<'a> Plan<'a> {
    pub(super) fn score(&self, task: &Task<'_>) -> Score {
        let mut by_printer = vec![0.0; task.printers.len()];
        for l in &self.plates {
            by_printer[l.printer] += task.printers[l.printer].time_s(l.height_mm);
        }
        let time_s = match task.goal {
            Goal::TotalTime => by_printer.iter().sum(),
            Goal::FinishTime => by_printer.iter().copied().fold(0.0, f64::max),
        };
        let used_mm = self.plates.iter().map(|l| l.layout.used_x()).sum();
        let least_mm2 = self.plates.iter().map(|l| l.area_mm2).fold(f64::INFINITY, f64::min);
        Score { time_s, plates: self.plates.len(), least_mm2, used_mm }
    }

    /// Puts units, in the order given, onto the first plate that takes them without growing
    /// taller, or onto a new one.
    pub(super) fn fill(
        &mut self,
        task: &Task<'a>,
        units: &[usize],
        favour: Option<usize>,
        ctx: &Context,
    ) -> Result<()> {
        for (done, &u) in units.iter().enumerate() {
            ctx.checkpoint(done as f64 / units.len() as f64)?;
            let height = task.units[u].height_mm;
            let taken = if task.keep_order {
                self.plates.last_mut().is_some_and(|l| l.insert(task, u))
            } else {
                self.plates.iter_mut().any(|l| l.height_mm >= height && l.insert(task, u))
            };
            if taken {
                continue;
            }
            let fresh = self.printers_by_favour(task, height, favour).into_iter().find_map(|p| {
                let mut plate = PlateInProgress::new(task, p);
                plate.insert(task, u).then_some(plate)
            });
            match fresh {
                Some(plate) => self.plates.push(plate),
                None => self.misfits.push(u),
            }
        }
        Ok(())
    }

    /// Printers for a new plate, best first: the favoured one, then by time per area (for the
    /// total) or by when they would be done (for the finish).
    fn printers_by_favour(
        &self,
        task: &Task<'_>,
        height: f64,
        favour: Option<usize>,
    ) -> Vec<usize> {
        let cost = |p: usize| {
            let printer = &task.printers[p];
            let time = printer.time_s(height);
            match task.goal {
                Goal::TotalTime => time / (printer.room[0] * printer.room[1]),
                Goal::FinishTime => {
                    let busy = self.plates.iter().filter(|l| l.printer == p);
                    time + busy.map(|l| printer.time_s(l.height_mm)).sum::<f64>()
                }
            }
        };
        let mut order: Vec<usize> = (0..task.printers.len()).collect();
        order.sort_by(|&a, &b| {
            (favour != Some(a)).cmp(&(favour != Some(b))).then(cost(a).total_cmp(&cost(b)))
        });
        order
    }
}

/// All units in the order in which they are placed.
pub(super) fn order(task: &Task<'_>) -> Vec<usize> {
    let mut units: Vec<usize> = (0..task.units.len()).collect();
    sort(task, &mut units);
    units
}

/// Sorts units as they are placed: due first, then tallest, then largest.
pub(super) fn sort(task: &Task<'_>, units: &mut [usize]) {
    units.sort_by(|&a, &b| {
        let (a, b) = (&task.units[a], &task.units[b]);
        a.due
            .cmp(&b.due)
            .then(b.height_mm.total_cmp(&a.height_mm))
            .then(b.area_mm2.total_cmp(&a.area_mm2))
    });
}

/// The sorted greedy start: the best over the printers that may be favoured for new plates.
pub(super) fn greedy<'a>(task: &Task<'a>, ctx: &Context) -> Result<Plan<'a>> {
    let units = if task.keep_order { (0..task.units.len()).collect() } else { order(task) };
    let mut favours = vec![None];
    if task.printers.len() > 1 && task.goal == Goal::TotalTime {
        favours.extend((0..task.printers.len()).map(Some));
    }
    let mut best: Option<(Score, Plan<'a>)> = None;
    for favour in favours {
        let mut plan = Plan { plates: Vec::new(), misfits: Vec::new() };
        plan.fill(task, &units, favour, ctx)?;
        let score = plan.score(task);
        if best.as_ref().is_none_or(|(s, _)| score < *s) {
            best = Some((score, plan));
        }
    }
    Ok(best.expect("there is always a first favour").1)
}
