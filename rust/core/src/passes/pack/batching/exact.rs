//! A dozen parts, exactly: every way to share plates, by dynamic programming over sets. It solves
//! small tasks outright and repairs a few plates of large ones.

use super::{Column, Problem};
use crate::error::Result;
use crate::job::Job;
use crate::passes::pack::rng::Rng;

/// Up to so many parts all sets are weighed: 3¹¹ splits at most.
pub(super) const FEW: usize = 12;

/// Cost, then what is to be small next: the fuller some plates and the emptier others, the more of
/// what is free lies together.
type Rank = (u64, i64);

/// The cheapest plates for parts given by their rows.
pub(super) fn cheapest(problem: &Problem, rows: &[usize]) -> Vec<Column> {
    debug_assert!(rows.len() <= FEW);
    // Slowest first, so that a set's lowest bit names its slowest part.
    let mut rows = rows.to_vec();
    rows.sort_unstable_by(|a, b| b.cmp(a));
    let sets = 1usize << rows.len();
    let plates = Plates::new(problem, &rows);
    // From everything to do down to nothing: how a set came to be what is left.
    let mut reached: Vec<Option<(Rank, usize)>> = vec![None; sets];
    reached[sets - 1] = Some(((0, 0), 0));
    for left in (1..sets).rev() {
        let Some((so_far, _)) = reached[left] else { continue };
        let lead = left & left.wrapping_neg();
        let others = left & !lead;
        let mut more = others;
        loop {
            let plate = lead | more;
            let rest = left & !plate;
            if let Some((rank, _)) = plates.best[plate]
                && plates.is_full(plate, rest)
            {
                let sum = (so_far.0.saturating_add(rank.0), so_far.1.saturating_add(rank.1));
                if reached[rest].is_none_or(|(r, _)| sum < r) {
                    reached[rest] = Some((sum, plate));
                }
            }
            if more == 0 {
                break;
            }
            more = (more - 1) & others;
        }
    }
    let mut out = Vec::new();
    let mut done = 0;
    while done < sets - 1 {
        let (_, plate) = reached[done].expect("every part goes on some plate");
        let (_, bin) = plates.best[plate].expect("only plates that can be are taken");
        let members = (0..rows.len()).filter(|b| plate >> b & 1 == 1).map(|b| rows[b]);
        out.push(Column::of_rows(problem, bin, members.collect()));
        done |= plate;
    }
    out
}

/// The best plate of each set.
struct Plates {
    /// Its rank and kind, where all go on one.
    best: Vec<Option<(Rank, usize)>>,
    /// What stays free on it.
    free: Vec<u32>,
    /// Least size in each set, by kind of plate.
    least: Vec<Vec<u32>>,
}

impl Plates {
    fn new(problem: &Problem, rows: &[usize]) -> Plates {
        let sets = 1usize << rows.len();
        let mut out = Plates { best: vec![None; sets], free: vec![0; sets], least: Vec::new() };
        for (b, bin) in problem.bins.iter().enumerate() {
            let mut load: Vec<Option<u32>> = vec![Some(0); sets];
            let mut least = vec![u32::MAX; sets];
            for set in 1..sets {
                let row = rows[set.trailing_zeros() as usize];
                let (rest, size) = (set & (set - 1), bin.sizes[row]);
                least[set] = least[rest].min(size.unwrap_or(u32::MAX));
                load[set] = load[rest].zip(size).map(|(l, s)| l + s).filter(|l| *l <= bin.capacity);
                if let Some(load) = load[set] {
                    let rank = (bin.costs[row], -i64::from(load).pow(2));
                    if out.best[set].is_none_or(|(r, _)| rank < r) {
                        out.best[set] = Some((rank, b));
                        out.free[set] = bin.capacity - load;
                    }
                }
            }
            out.least.push(least);
        }
        out
    }

    /// Whether nothing of the rest could join at no cost.
    fn is_full(&self, plate: usize, rest: usize) -> bool {
        self.best[plate].is_some_and(|(_, bin)| self.least[bin][rest] > self.free[plate])
    }
}

/// Solves some plates of a plan anew, again and again: `times` times, or until it costs no more
/// than `bound`.
pub(super) fn repair(
    problem: &Problem,
    plan: &mut Vec<Column>,
    bound: u64,
    times: usize,
    job: &Job,
) -> Result<()> {
    let mut rng = Rng::new(problem.demand.len() as u64);
    let mut cost: u64 = plan.iter().map(|c| c.cost).sum();
    for _ in 0..times {
        if cost <= bound {
            break;
        }
        job.go_on()?;
        // Some plates, as many as hold few enough parts.
        rng.shuffle(plan);
        let (mut parts, mut plates) = (0, 0);
        for c in &*plan {
            if parts + c.parts() > FEW {
                break;
            }
            parts += c.parts();
            plates += 1;
        }
        if plates < 2 {
            continue;
        }
        let some: Vec<Column> = plan.drain(..plates).collect();
        let rows: Vec<usize> = some.iter().flat_map(Column::rows).collect();
        let anew = cheapest(problem, &rows);
        cost = cost - some.iter().map(|c| c.cost).sum::<u64>()
            + anew.iter().map(|c| c.cost).sum::<u64>();
        plan.extend(anew);
    }
    Ok(())
}
