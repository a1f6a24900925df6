//! Strip packing: outlines on a strip of fixed width, as short as possible. The measure of skill
//! on the published instances, and the same search that squeezes parts onto a plate.

use super::guided_local_search::{Effort, separate};
use super::layout::Layout;
use super::nfp::{NfpCache, Placement, Shape};
use super::polygon::Point2;
use super::rng::Rng;
use crate::context::Context;
use crate::error::{Error, Result, check_range};
use rayon::prelude::*;
use std::time::{Duration, Instant};

/// How long to search. Rounds give the same answer every time; seconds do not.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Budget {
    /// Search rounds of each of the two walkers.
    Rounds(usize),
    /// Wall-clock time.
    Seconds(f64),
}

/// A strip and what is to lie on it.
#[derive(Clone, Debug)]
pub struct StripTask {
    /// Outlines, each with its number of copies.
    pub outlines: Vec<(Vec<Point2>, usize)>,
    /// Fixed extent along y, mm.
    pub width_mm: f64,
    /// Number of equal steps of a full turn that outlines may take (1: none).
    pub turns: usize,
    /// Least distance between outlines, mm.
    pub gap_mm: f64,
    /// Seed of the search.
    pub seed: u64,
    /// How long to search.
    pub budget: Budget,
}

/// An outline at its place: turned about the origin, then moved.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Laid {
    /// Index into [`StripTask::outlines`].
    pub outline: usize,
    /// Counter-clockwise turn, degrees.
    pub turn_deg: f64,
    /// Move along x, mm.
    pub x_mm: f64,
    /// Move along y, mm.
    pub y_mm: f64,
}

/// A strip that holds everything without overlap.
#[derive(Clone, Debug, PartialEq)]
pub struct Strip {
    /// Used extent along x, mm.
    pub length_mm: f64,
    /// Area of the outlines over length × width.
    pub density: f64,
    /// The outlines.
    pub laid: Vec<Laid>,
}

/// Lays all outlines on the strip and shortens it while the budget lasts.
///
/// # Errors
/// [`Error::Value`] when an outline is wider than the strip at every turn or has no area;
/// [`Error::Cancelled`] when the context is cancelled.
pub fn strip(task: &StripTask, ctx: &Context) -> Result<Strip> {
    check_range("strip.width_mm", task.width_mm, 1e-3, 1e6, "mm")?;
    let shapes: Vec<Shape> = task.outlines.iter().map(|(o, _)| Shape::upright(o.clone())).collect();
    let nfps = NfpCache::new(&shapes, task.turns, task.gap_mm);
    let deadline = match task.budget {
        Budget::Seconds(s) => Some(Instant::now() + Duration::from_secs_f64(s.clamp(0.0, 1e6))),
        Budget::Rounds(_) => None,
    };
    let first = greedy(&nfps, task)?;
    let mut walkers: Vec<Walker<'_>> =
        (0..WALKERS).map(|k| Walker::new(first.clone(), task.seed ^ (k * 0x5bd1))).collect();
    let mut done = 0;
    loop {
        let spent = match (task.budget, deadline) {
            (Budget::Rounds(n), _) => done as f64 / n.max(1) as f64,
            (Budget::Seconds(s), Some(end)) => {
                1.0 - end.saturating_duration_since(Instant::now()).as_secs_f64() / s.max(1e-9)
            }
            _ => 1.0,
        };
        ctx.checkpoint(spent)?;
        if spent >= 1.0 {
            break;
        }
        walkers.par_iter_mut().try_for_each(|w| w.lap(spent, deadline, ctx))?;
        done += LAP;
        // A walker far behind goes on from the best one.
        let best = (0..walkers.len())
            .min_by(|&a, &b| walkers[a].length.total_cmp(&walkers[b].length))
            .unwrap_or(0);
        let (length, placements) = (walkers[best].length, walkers[best].apart.clone());
        for w in &mut walkers {
            if w.length > 1.004 * length {
                w.restart(length, placements.clone());
            }
        }
    }
    let best = walkers
        .iter()
        .min_by(|a, b| a.length.total_cmp(&b.length))
        .expect("there is always a walker");
    let area: f64 = best.apart.iter().map(|s| nfps.outlines[s.outline].area_mm2).sum();
    let laid = best.apart.iter().map(|s| lay(&nfps, s)).collect();
    Ok(Strip { length_mm: best.length, density: area / (best.length * task.width_mm), laid })
}

/// Searches that run side by side; a fixed number, so that the answer does not depend on threads.
const WALKERS: u64 = 2;
/// Rounds between two exchanges.
const LAP: usize = 400;

fn lay(nfps: &NfpCache, placement: &Placement) -> Laid {
    let origin = nfps.origin(placement);
    Laid {
        outline: placement.outline,
        turn_deg: 360.0 * placement.turn as f64 / nfps.turn_count() as f64,
        x_mm: origin[0],
        y_mm: origin[1],
    }
}

/// Largest first, each as far left as it goes.
fn greedy<'a>(nfps: &'a NfpCache, task: &StripTask) -> Result<Layout<'a>> {
    let mut order: Vec<usize> =
        (0..nfps.outlines.len()).flat_map(|k| std::iter::repeat_n(k, task.outlines[k].1)).collect();
    order.sort_by(|&a, &b| nfps.outlines[b].area_mm2.total_cmp(&nfps.outlines[a].area_mm2));
    let extent = |k: usize| {
        let b = nfps.outlines[k].boxes[0];
        (b[2] - b[0]).hypot(b[3] - b[1]) + task.gap_mm + 1.0
    };
    let room = order.iter().map(|&k| extent(k)).sum::<f64>() + 1.0;
    let mut layout = Layout::new(nfps, [room, task.width_mm]);
    let turns: Vec<usize> = (0..nfps.turn_count()).collect();
    for outline in order {
        let placement =
            layout.first_fit(outline, &turns, [1.0, 1e-3]).ok_or_else(|| Error::Value {
                place: format!("strip.outlines[{outline}]"),
                value: "its extent".into(),
                expected: format!(
                    "an outline within the strip's {} mm at some turn",
                    task.width_mm
                ),
            })?;
        layout.placements.push(placement);
    }
    layout.room[0] = layout.used_x();
    Ok(layout)
}

struct Walker<'a> {
    layout: Layout<'a>,
    /// The best layout without overlap, and its length.
    apart: Vec<Placement>,
    length: f64,
    /// Share of the length that the next try takes away.
    shrink: f64,
    fails: usize,
    rng: Rng,
}

impl<'a> Walker<'a> {
    fn new(layout: Layout<'a>, seed: u64) -> Walker<'a> {
        let (apart, length) = (layout.placements.clone(), layout.used_x());
        Walker { layout, apart, length, shrink: 0.03, fails: 0, rng: Rng::new(seed) }
    }

    fn restart(&mut self, length: f64, apart: Vec<Placement>) {
        self.length = length;
        self.layout.placements.clone_from(&apart);
        self.apart = apart;
        self.fails = 0;
    }

    /// Shortens the strip again and again for a lap of rounds.
    fn lap(&mut self, spent: f64, deadline: Option<Instant>, ctx: &Context) -> Result<()> {
        let mut left = LAP;
        while left > 0 && deadline.is_none_or(|d| Instant::now() < d) {
            let shrink = self.shrink.min(0.03 * (1.0 - spent).powi(2)).max(2e-4);
            self.shorten(self.length * (1.0 - shrink));
            let effort = Effort { rounds: left.min(300), patience: 100 };
            let mut used = 0;
            let apart = separate(&mut self.layout, &mut self.rng, effort, || {
                used += 1;
                ctx.checkpoint(spent)?;
                Ok::<_, Error>(deadline.is_some_and(|d| Instant::now() >= d))
            })?;
            left = left.saturating_sub(used.max(1));
            if apart {
                self.length = self.layout.used_x();
                self.apart.clone_from(&self.layout.placements);
                self.fails = 0;
            } else {
                self.fails += 1;
                if self.fails.is_multiple_of(4) {
                    // Away from here: back to the best layout, in smaller steps.
                    self.layout.placements.clone_from(&self.apart);
                    self.shrink = (self.shrink * 0.5).max(2e-4);
                }
                self.disturb();
            }
        }
        Ok(())
    }

    /// Sets the length and brings what sticks out back inside.
    fn shorten(&mut self, length: f64) {
        self.layout.room[0] = length;
        for i in 0..self.layout.placements.len() {
            let s = self.layout.placements[i];
            if let Some(r) = self.layout.range(s.outline, s.turn) {
                self.layout.placements[i].at =
                    [s.at[0].clamp(r[0], r[2]), s.at[1].clamp(r[1], r[3])];
            } else if let Some((turn, r)) = (0..self.layout.nfps.turn_count())
                .find_map(|t| Some((t, self.layout.range(s.outline, t)?)))
            {
                self.layout.placements[i] = Placement { turn, at: [r[0], r[1]], ..s };
            }
        }
    }

    /// Swaps the places of two different outlines, the larger the likelier.
    fn disturb(&mut self) {
        let n = self.layout.placements.len();
        let big = |rng: &mut Rng| {
            (0..3)
                .map(|_| rng.below(n))
                .max_by(|&a, &b| {
                    let area = |i: usize| {
                        self.layout.nfps.outlines[self.layout.placements[i].outline].area_mm2
                    };
                    area(a).total_cmp(&area(b))
                })
                .unwrap_or(0)
        };
        let a = big(&mut self.rng);
        let b = self.rng.below(n);
        if self.layout.placements[a].outline != self.layout.placements[b].outline {
            let at = self.layout.placements[a].at;
            self.layout.placements[a].at = self.layout.placements[b].at;
            self.layout.placements[b].at = at;
        }
        let room = self.layout.room[0];
        self.shorten(room);
    }
}
