//! Attempts side by side with the outcome of one after the other.
//!
//! Most attempts to squeeze a unit onto a plate fail, and those that follow do not depend on one
//! that failed. So several run at once, each with a generator of its own, and the first in order
//! that succeeds counts; what was begun after it is dropped. The outcome is that of trying one
//! after the other, whatever the number of threads.

use super::guided_local_search::Effort;
use super::plan::Task;
use super::rng::Rng;
use crate::context::Context;
use crate::error::{Error, Result};
use rayon::prelude::*;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Instant;

/// Attempts that run at once, at most; a fixed number, since what is dropped costs nothing only
/// while there are threads to spare.
pub(super) const SIDE_BY_SIDE: usize = 8;

/// How hard squeezing one unit onto a plate tries at first, and at most.
const EFFORT: Effort = Effort { rounds: 60, patience: 20 };
const MOST_PATIENCE: usize = 320;

/// One attempt: its own random numbers, how hard it tries, and what it has spent.
pub(super) struct Attempt<'s> {
    pub(super) rng: Rng,
    pub(super) effort: Effort,
    pub(super) used: usize,
    /// Asked every round: whether the outcome cannot count any more.
    pub(super) is_vain: &'s (dyn Fn() -> Result<bool> + Sync),
}

/// What a search has spent, and what it may.
pub(super) struct Search {
    pub(super) effort: Effort,
    seed: u64,
    /// Attempts that counted.
    attempts: u64,
    used: usize,
    limit: usize,
    deadline: Option<Instant>,
    stage: Context,
    ctx: Context,
}

impl Search {
    pub(super) fn new(task: &Task<'_>, ctx: &Context) -> Search {
        Search {
            effort: EFFORT,
            seed: task.seed,
            attempts: 0,
            used: 0,
            limit: task.rounds,
            deadline: task.deadline,
            stage: ctx.clone(),
            ctx: ctx.clone(),
        }
    }

    /// Tells from now on how long the best plan takes, and how long any takes at least.
    pub(super) fn tell(&mut self, best_s: f64, bound_s: f64) {
        let [best, bound] = [best_s, bound_s].map(|s| s / 3600.0);
        self.ctx = self.stage.stage(&format!("{best:.2} h, at least {bound:.2} h"), 0.0, 1.0);
    }

    /// Reports how much is spent, and stops a cancelled search.
    pub(super) fn checkpoint(&self) -> Result<()> {
        self.ctx.checkpoint(self.used as f64 / self.limit.max(1) as f64)
    }

    /// Tries twice as hard from now on, if that may still help. With a time to fill it begins
    /// again with other random numbers.
    pub(super) fn more_patience(&mut self) -> bool {
        self.effort = self.effort.doubled();
        if self.effort.patience > MOST_PATIENCE && self.deadline.is_some() {
            self.effort = EFFORT;
        }
        self.effort.patience <= MOST_PATIENCE
    }

    fn is_late(&self) -> bool {
        self.deadline.is_some_and(|d| Instant::now() >= d)
    }

    pub(super) fn is_over(&self) -> bool {
        self.used >= self.limit || self.is_late()
    }

    /// Rounds spent.
    pub(super) fn used(&self) -> usize {
        self.used
    }

    /// The first of `count` attempts that succeeds, with its number; none is begun when the
    /// search is over.
    pub(super) fn first<T: Send>(
        &mut self,
        count: usize,
        attempt: impl Fn(usize, &mut Attempt<'_>) -> Result<Option<T>> + Sync,
    ) -> Result<Option<(usize, T)>> {
        for from in (0..count).step_by(SIDE_BY_SIDE) {
            let some = from..count.min(from + SIDE_BY_SIDE);
            for (i, (found, used)) in some.clone().zip(self.side_by_side(some, true, &attempt)?) {
                if self.is_over() {
                    return Ok(None);
                }
                self.count(used);
                if let Some(found) = found {
                    return Ok(Some((i, found)));
                }
            }
        }
        Ok(None)
    }

    /// The outcome of all attempts; those that would begin when the search is over fail.
    pub(super) fn all<T: Send>(
        &mut self,
        count: usize,
        attempt: impl Fn(usize, &mut Attempt<'_>) -> Result<Option<T>> + Sync,
    ) -> Result<Vec<Option<T>>> {
        let mut out = Vec::with_capacity(count);
        for from in (0..count).step_by(SIDE_BY_SIDE) {
            if self.is_over() {
                break;
            }
            let some = from..count.min(from + SIDE_BY_SIDE);
            for (found, used) in self.side_by_side(some, false, &attempt)? {
                self.count(used);
                out.push(found);
            }
        }
        out.resize_with(count, || None);
        Ok(out)
    }

    fn count(&mut self, used: usize) {
        self.used += used;
        self.attempts += 1;
    }

    /// Some attempts at once, with the rounds of each. If only the first success counts, those
    /// after one are given up.
    fn side_by_side<T: Send>(
        &self,
        some: std::ops::Range<usize>,
        only_first: bool,
        attempt: &(impl Fn(usize, &mut Attempt<'_>) -> Result<Option<T>> + Sync),
    ) -> Result<Vec<(Option<T>, usize)>> {
        if self.is_over() {
            return Ok(some.map(|_| (None, 0)).collect());
        }
        let begun = some.start;
        let success = AtomicUsize::new(usize::MAX);
        some.into_par_iter()
            .map(|i| {
                let is_vain = || -> Result<bool, Error> {
                    self.checkpoint()?;
                    Ok(success.load(Ordering::Relaxed) < i || self.is_late())
                };
                if is_vain()? {
                    return Ok((None, 0));
                }
                let number = self.attempts + (i - begun) as u64;
                let rng = Rng::new(self.seed ^ number.wrapping_mul(0xd134_2543_de82_ef95));
                let mut one = Attempt { rng, effort: self.effort, used: 0, is_vain: &is_vain };
                let found = attempt(i, &mut one)?;
                if only_first && found.is_some() {
                    success.fetch_min(i, Ordering::Relaxed);
                }
                Ok((found, one.used))
            })
            .collect()
    }
}
