//! Whole plates from the linear programme: fillings that it uses are taken one after the other,
//! what is left is solved again. When a dive ends above the bound, other fillings are tried
//! first, the fewer changes of mind the sooner (limited discrepancy; Harvey & Ginsberg 1995).

use super::master::Master;
use super::{Column, Problem, exact};
use crate::error::Result;
use crate::job::Job;

/// Changes of mind allowed in a dive, at most.
const MOST_CHANGES: usize = 3;

/// Fillings weighed at each step of a dive.
const WEIGHED: usize = 3;

/// Repairs of a plan that are worth as much effort as one linear programme.
const REPAIRS: usize = 4;

struct Dive<'p> {
    problem: &'p Problem,
    /// A plan this cheap is the best there is, in steps.
    bound: u64,
    best: Vec<Column>,
    best_cost: u64,
    /// Fillings met so far.
    columns: Vec<Column>,
    effort: usize,
    /// Without progress: a dive solves many small programmes.
    job: Job,
}

/// A plan that covers every row, the best that `effort` linear programmes and some repairs lead
/// to.
pub(super) fn plan(problem: &Problem, bound: u64, effort: usize, job: &Job) -> Result<Vec<Column>> {
    let parts = problem.parts();
    if parts.len() <= exact::FEW {
        return Ok(exact::cheapest(problem, &parts));
    }
    let mut best = sorted(problem);
    exact::repair(problem, &mut best, bound, effort * REPAIRS, job)?;
    let best_cost = cost(&best);
    let (columns, job) = (Vec::new(), job.quiet());
    let mut dive = Dive { problem, bound, best, best_cost, columns, effort, job };
    for changes in 0..=MOST_CHANGES {
        dive.down(&problem.demand, Vec::new(), changes)?;
    }
    let Dive { mut best, job, .. } = dive;
    exact::repair(problem, &mut best, bound, effort * REPAIRS, &job)?;
    Ok(best)
}

fn cost(plan: &[Column]) -> u64 {
    plan.iter().map(|c| c.cost).sum()
}

/// Slowest first, each onto the first plate with room.
fn sorted(problem: &Problem) -> Vec<Column> {
    struct Filling {
        bin: usize,
        room: u32,
        rows: Vec<usize>,
    }
    let mut plates: Vec<Filling> = Vec::new();
    for row in problem.parts().into_iter().rev() {
        let taken = plates.iter_mut().find_map(|p| {
            p.room = p.room.checked_sub(problem.bins[p.bin].sizes[row]?)?;
            p.rows.push(row);
            Some(())
        });
        if taken.is_none() {
            let fits = problem.bins.iter().enumerate();
            let fits = fits.filter_map(|(b, bin)| bin.sizes[row].map(|s| (bin.costs[row], b, s)));
            let (_, bin, size) = fits.min().expect("every part goes on some plate");
            let room = problem.bins[bin].capacity - size;
            plates.push(Filling { bin, room, rows: vec![row] });
        }
    }
    plates.into_iter().map(|p| Column::of_rows(problem, p.bin, p.rows)).collect()
}

impl Dive<'_> {
    fn is_over(&self) -> bool {
        self.effort == 0 || self.best_cost <= self.bound
    }

    /// Completes `taken`, which leaves `left` to do.
    fn down(&mut self, left: &[u32], taken: Vec<Column>, changes: usize) -> Result<()> {
        if left.iter().all(|&n| n == 0) {
            if cost(&taken) < self.best_cost {
                (self.best_cost, self.best) = (cost(&taken), taken);
            }
            return Ok(());
        }
        if self.is_over() {
            return Ok(());
        }
        self.effort -= 1;
        let known = self.columns.iter().map(|c| c.within(self.problem, left));
        let mut known: Vec<Column> = known.filter(|c| !c.counts.is_empty()).collect();
        known.sort_by(|a, b| (a.bin, &a.counts).cmp(&(b.bin, &b.counts)));
        known.dedup();
        let spare = self.best_cost.saturating_sub(cost(&taken));
        let mut master = Master::new(self.problem, left, known);
        master.solve(spare, &self.job)?;
        if master.bound >= spare {
            return Ok(());
        }
        for c in &master.columns {
            if !self.columns.contains(c) {
                self.columns.push(c.clone());
            }
        }
        let used = master.used();
        let take = |k: usize, times: u32, left: &mut Vec<u32>, taken: &mut Vec<Column>| {
            for _ in 0..times {
                let column = master.columns[k].within(self.problem, left);
                if column.counts.is_empty() {
                    break;
                }
                column.counts.iter().for_each(|&(r, n)| left[r] -= n);
                taken.push(column);
            }
        };
        let whole: Vec<(usize, f64)> =
            used.iter().copied().filter(|(_, x)| x.fract().min(1.0 - x.fract()) < 1e-4).collect();
        let (mut next, mut more) = (left.to_vec(), taken.clone());
        if changes == 0 || whole.len() == used.len() {
            // Whatever is whole already, or else the fullest.
            for &(k, x) in &whole {
                take(k, x.round() as u32, &mut next, &mut more);
            }
            if more.len() == taken.len() {
                take(used[0].0, used[0].1.floor().max(1.0) as u32, &mut next, &mut more);
            }
            return self.down(&next, more, 0);
        }
        let mut weighed: Vec<(usize, f64)> =
            used.iter().copied().filter(|(_, x)| x.fract().min(1.0 - x.fract()) >= 1e-4).collect();
        weighed.sort_by(|a, b| b.1.fract().total_cmp(&a.1.fract()).then(a.0.cmp(&b.0)));
        weighed.truncate(WEIGHED);
        let branches: Vec<(Vec<u32>, Vec<Column>, usize)> = weighed
            .iter()
            .enumerate()
            .filter(|(i, _)| *i <= changes)
            .map(|(i, &(k, x))| {
                let (mut next, mut more) = (left.to_vec(), taken.clone());
                take(k, x.ceil() as u32, &mut next, &mut more);
                (next, more, changes - i)
            })
            .collect();
        for (next, more, changes) in branches {
            self.down(&next, more, changes)?;
        }
        Ok(())
    }
}
