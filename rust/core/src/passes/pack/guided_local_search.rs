//! Guided local search: outlines that overlap are moved, one at a time, to where they overlap
//! least; pairs that stay in each other's way weigh more each round, until everything is apart
//! (Voudouris & Tsang's guided local search as applied to packing by Egeblad, Nielsen & Odgaard
//! 2007 and Umetani et al. 2009).

use super::layout::{Best, Layout};
use super::nfp::Placement;
use super::rng::Rng;

/// How hard to try.
#[derive(Clone, Copy, Debug)]
pub(super) struct Effort {
    /// Rounds over all overlapping outlines.
    pub(super) rounds: usize,
    /// Rounds without progress after which it gives up.
    pub(super) patience: usize,
}

impl Effort {
    pub(super) fn doubled(self) -> Effort {
        Effort { rounds: 2 * self.rounds, patience: 2 * self.patience }
    }
}

struct Separation<'s, 'a> {
    layout: &'s mut Layout<'a>,
    rng: &'s mut Rng,
    weights: Vec<f64>,
    overlaps: Vec<f64>,
}

/// Moves outlines until none overlap. On success the layout is free of overlap and `true` comes
/// back; else the layout is left at the least overlap that was met. `stop` is asked every round.
pub(super) fn separate<E>(
    layout: &mut Layout<'_>,
    rng: &mut Rng,
    effort: Effort,
    mut stop: impl FnMut() -> Result<bool, E>,
) -> Result<bool, E> {
    let n = layout.placements.len();
    let (weights, overlaps) = (vec![1.0; n * n], vec![0.0; n * n]);
    let mut s = Separation { layout, rng, weights, overlaps };
    for i in 0..n {
        s.refresh(i);
    }
    let mut least = s.total();
    let mut kept = s.layout.placements.clone();
    let mut idle = 0;
    for _ in 0..effort.rounds {
        if least == 0.0 || idle >= effort.patience || stop()? {
            break;
        }
        s.round();
        let total = s.total();
        // A real step forward resets the patience, any step is kept.
        idle = if total < 0.98 * least { 0 } else { idle + 1 };
        if total < least {
            least = total;
            kept.clone_from(&s.layout.placements);
        }
        s.reweigh();
    }
    layout.placements = kept;
    Ok(least == 0.0)
}

impl Separation<'_, '_> {
    fn n(&self) -> usize {
        self.layout.placements.len()
    }

    /// Recomputes the overlaps of item i.
    fn refresh(&mut self, i: usize) {
        let n = self.n();
        for j in 0..n {
            let both_fixed = i < self.layout.fixed && j < self.layout.fixed;
            let o = if i == j || both_fixed {
                0.0
            } else {
                self.layout.nfps.overlap(&self.layout.placements[i], &self.layout.placements[j])
            };
            self.overlaps[i * n + j] = o;
            self.overlaps[j * n + i] = o;
        }
    }

    fn row(&self, i: usize) -> &[f64] {
        &self.overlaps[i * self.n()..(i + 1) * self.n()]
    }

    fn total(&self) -> f64 {
        self.overlaps.iter().sum::<f64>() / 2.0
    }

    fn round(&mut self) {
        let mut order: Vec<usize> = (self.layout.fixed..self.n())
            .filter(|&i| self.row(i).iter().any(|&o| o > 0.0))
            .collect();
        self.rng.shuffle(&mut order);
        for i in order {
            // An earlier move may have freed it.
            if self.row(i).iter().any(|&o| o > 0.0) {
                self.relocate(i);
            }
        }
    }

    fn relocate(&mut self, i: usize) {
        let n = self.n();
        let weights = &self.weights[i * n..(i + 1) * n];
        let now = self.layout.placements[i];
        let cost_now: f64 = weights.iter().zip(self.row(i)).map(|(w, o)| w * o).sum();
        let mut tried = Vec::new();
        for turn in turns_to_try(now.turn, self.layout.nfps.turn_count(), self.rng) {
            let Some(mut m) =
                self.layout.line_search(now.outline, turn, Some(i), Some(weights), [1.0, 0.1])
            else {
                continue;
            };
            let r = m.range;
            let here = [now.at[0].clamp(r[0], r[2]), now.at[1].clamp(r[1], r[3])];
            let mut found = Best::NONE;
            m.try_line(here, [1.0, 0.0], &mut found);
            m.try_line(here, [0.0, 1.0], &mut found);
            m.try_random_lines(LINES, self.rng, &mut found);
            tried.push((found, turn, m));
        }
        // Only the most hopeful turns are worth the way down.
        let order = |a: &Best, b: &Best| a.cost.total_cmp(&b.cost).then(a.rank.total_cmp(&b.rank));
        tried.sort_by(|a, b| order(&a.0, &b.0));
        let mut best = Best { cost: cost_now, rank: f64::INFINITY, at: now.at };
        let mut turn_best = now.turn;
        for (mut found, turn, mut m) in tried.into_iter().take(HOPEFUL) {
            m.descend(&mut found);
            if found.beats(&best) {
                best = found;
                turn_best = turn;
            }
        }
        if best.cost < cost_now {
            self.layout.placements[i] =
                Placement { outline: now.outline, turn: turn_best, at: best.at };
            self.refresh(i);
        }
    }

    /// Raises the weight of pairs that overlap, in proportion to how much; lets the others fade.
    fn reweigh(&mut self) {
        let most = self.overlaps.iter().copied().fold(0.0, f64::max);
        if most == 0.0 {
            return;
        }
        // Only ratios matter; kept in range for hundreds of rounds.
        let heaviest = self.weights.iter().copied().fold(1.0, f64::max);
        let scale = if heaviest > 1e9 { 1e-9 } else { 1.0 };
        for (w, &o) in self.weights.iter_mut().zip(&self.overlaps) {
            *w *= scale;
            *w = if o > 0.0 { *w * (1.2 + 0.8 * o / most) } else { (*w * 0.95).max(1.0) };
        }
    }
}

/// Turns that are followed to the bottom.
const HOPEFUL: usize = 2;

/// Random lines along each axis that a move tries at each turn.
const LINES: usize = 2;

/// All turns when they are few; else the present one, its neighbours and two others.
fn turns_to_try(now: usize, count: usize, rng: &mut Rng) -> Vec<usize> {
    if count <= 4 {
        return (0..count).collect();
    }
    let mut turns =
        vec![now, (now + 1) % count, (now + count - 1) % count, rng.below(count), rng.below(count)];
    turns.sort_unstable();
    turns.dedup();
    turns
}
