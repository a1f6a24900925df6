//! Outlines in a rectangle, and the one question every search asks of it: along this line, where
//! does this outline overlap the others least?
//!
//! Along a line the depth in each pair of convex pieces is a concave tent, so the weighted sum is
//! concave between the ends of the tents and its least value lies at an end. Trying the ends is
//! therefore a line search without a step width (the idea of Egeblad, Nielsen & Odgaard 2007, EJOR 183:1249, and
//! Umetani et al. 2009, ITOR 16:661, with penetration depth in place of area).

use super::boxes::lay_boxes;
use super::nfp::{NfpCache, Placement, Relation};
use super::polygon::{Point2, bounds};
use super::rng::Rng;

/// Outlines placed in a rectangle with its corner at the origin.
#[derive(Clone)]
pub(super) struct Layout<'a> {
    pub(super) nfps: &'a NfpCache,
    /// Size of the rectangle, mm.
    pub(super) room: Point2,
    /// Everything placed; the first `fixed` never move.
    pub(super) placements: Vec<Placement>,
    pub(super) fixed: usize,
}

/// The best place met so far.
#[derive(Clone, Copy, Debug)]
pub(super) struct Best {
    /// Weighted depth of overlap.
    pub(super) cost: f64,
    /// Place along the pull; breaks ties between places without overlap.
    pub(super) rank: f64,
    pub(super) at: Point2,
}

impl Best {
    pub(super) const NONE: Best = Best { cost: f64::INFINITY, rank: f64::INFINITY, at: [0.0, 0.0] };

    pub(super) fn beats(&self, other: &Best) -> bool {
        self.cost < other.cost || (self.cost == other.cost && self.rank < other.rank)
    }
}

/// Places that are weighed on a line: the least is nearly always among those in few tents.
const MOST_PLACES: usize = 10;

struct Stretch {
    lo: f64,
    hi: f64,
    other: usize,
    cell: u32,
}

/// One outline at one turn against all others of a layout.
pub(super) struct LineSearch<'a> {
    others: Vec<(Relation<'a>, f64)>,
    /// Where its reference point may be: `[min_x, min_y, max_x, max_y]`.
    pub(super) range: [f64; 4],
    pull: Point2,
    slack_mm: f64,
    stretches: Vec<Stretch>,
    /// Places on a line, each with the weight of the tents it lies in.
    ends: Vec<(f64, f64)>,
    /// Ends of tents on a line, each with the weight that begins (or, negative, ends) there.
    steps: Vec<(f64, f64)>,
}

impl<'a> Layout<'a> {
    pub(super) fn new(nfps: &'a NfpCache, room: Point2) -> Layout<'a> {
        Layout { nfps, room, placements: Vec::new(), fixed: 0 }
    }

    /// Places of the reference point that keep an outline inside, if there are any.
    pub(super) fn range(&self, outline: usize, turn: usize) -> Option<[f64; 4]> {
        let b = self.nfps.outlines[outline].boxes[turn];
        let mut r = [-b[0], -b[1], self.room[0] - b[2], self.room[1] - b[3]];
        for k in 0..2 {
            if r[k] > r[k + 2] {
                // As wide as the room but for rounding: it still fits.
                if r[k] > r[k + 2] + self.nfps.slack_mm {
                    return None;
                }
                r[k + 2] = r[k];
            }
        }
        Some(r)
    }

    /// An outline (of item `skip`, or a new one) against the others; `weights[j]` scales the
    /// overlap with item j, `pull` chooses between places without overlap.
    pub(super) fn line_search(
        &self,
        outline: usize,
        turn: usize,
        skip: Option<usize>,
        weights: Option<&[f64]>,
        pull: Point2,
    ) -> Option<LineSearch<'a>> {
        let range = self.range(outline, turn)?;
        let placement = Placement { outline, turn, at: [0.0, 0.0] };
        let others = (0..self.placements.len())
            .filter(|&j| Some(j) != skip)
            .map(|j| {
                (self.nfps.relation(&placement, &self.placements[j]), weights.map_or(1.0, |w| w[j]))
            })
            .collect();
        let slack_mm = self.nfps.slack_mm;
        Some(LineSearch {
            others,
            range,
            pull,
            slack_mm,
            stretches: Vec::new(),
            ends: Vec::new(),
            steps: Vec::new(),
        })
    }

    /// Extent of everything that may move along x, mm.
    pub(super) fn used_x(&self) -> f64 {
        let far = |s: &Placement| s.at[0] + self.nfps.outlines[s.outline].boxes[s.turn][2];
        self.placements[self.fixed..].iter().map(far).fold(0.0, f64::max)
    }

    /// Moves everything together to the middle of the rectangle: the pull of the film then acts
    /// near the arm. Not where something is fixed.
    pub(super) fn center(&mut self) {
        if self.fixed > 0 {
            return;
        }
        let used = self.placements.iter().fold(bounds([]), |u, s| {
            let b = self.nfps.outlines[s.outline].boxes[s.turn];
            let far = |k: usize| s.at[k % 2] + b[k];
            [u[0].min(far(0)), u[1].min(far(1)), u[2].max(far(2)), u[3].max(far(3))]
        });
        for k in 0..2 {
            let free = (self.room[k] - used[k + 2] - used[k]) / 2.0;
            self.placements.iter_mut().for_each(|s| s.at[k] += free);
        }
    }

    /// Whether nothing overlaps and all is inside.
    pub(super) fn is_apart(&self) -> bool {
        let inside = |s: &Placement| {
            self.range(s.outline, s.turn).is_some_and(|r| {
                let e = self.nfps.slack_mm;
                s.at[0] >= r[0] - e
                    && s.at[0] <= r[2] + e
                    && s.at[1] >= r[1] - e
                    && s.at[1] <= r[3] + e
            })
        };
        let n = self.placements.len();
        self.placements[self.fixed..].iter().all(inside)
            && (0..n).all(|i| {
                ((i + 1).max(self.fixed)..n)
                    .all(|j| self.nfps.overlap(&self.placements[i], &self.placements[j]) == 0.0)
            })
    }

    /// Everything and some new outlines laid anew by their boxes, if these fit; not where
    /// something is fixed.
    pub(super) fn with_boxes(&self, more: &[usize], gap_mm: f64) -> Option<Vec<Placement>> {
        /// Steps of search; what it finds it mostly finds in a few hundred.
        const STEPS: usize = 24_000;
        if self.fixed > 0 {
            return None;
        }
        let all = || self.placements.iter().map(|p| p.outline).chain(more.iter().copied());
        let quarter = self.nfps.turn_count() / 4;
        let may_turn = self.nfps.turn_count().is_multiple_of(4);
        // Each outline lies as its box is least, or a quarter turn on.
        let ways: Vec<usize> = all().map(|k| self.nfps.outlines[k].flattest_turn()).collect();
        let sizes: Vec<Point2> = all()
            .zip(&ways)
            .map(|(k, &turn)| {
                let o = &self.nfps.outlines[k];
                let (b, apart) = (o.boxes[turn], gap_mm + 2.0 * o.short_mm);
                [b[2] - b[0] + apart, b[3] - b[1] + apart]
            })
            .collect();
        let room = self.room.map(|r| r + gap_mm);
        let laid = lay_boxes(&sizes, may_turn, room, self.nfps.slack_mm, STEPS)?;
        let placed = all().zip(ways).zip(laid).map(|((outline, way), laid)| {
            let turn = (way + usize::from(laid.turned) * quarter) % self.nfps.turn_count();
            let o = &self.nfps.outlines[outline];
            let at = [0, 1].map(|k| laid.at[k] + o.short_mm - o.boxes[turn][k]);
            let range = self.range(outline, turn)?;
            Some(Placement {
                outline,
                turn,
                at: [0, 1].map(|k| at[k].clamp(range[k], range[k + 2])),
            })
        });
        let laid = Layout { placements: placed.collect::<Option<_>>()?, ..self.clone() };
        // Boxes at their limit may touch by more than rounding.
        laid.is_apart().then_some(laid.placements)
    }

    /// Where a new outline overlaps least, by a few random lines and a descent at each turn.
    pub(super) fn least_overlap(&self, outline: usize, rng: &mut Rng) -> Option<Placement> {
        let mut chosen: Option<(Best, usize)> = None;
        for turn in 0..self.nfps.turn_count() {
            let Some(mut m) = self.line_search(outline, turn, None, None, [1.0, 0.1]) else {
                continue;
            };
            let mut found = Best::NONE;
            m.try_random_lines(4, rng, &mut found);
            m.descend(&mut found);
            if chosen.is_none_or(|(b, _)| found.beats(&b)) {
                chosen = Some((found, turn));
            }
        }
        chosen.map(|(best, turn)| Placement { outline, turn, at: best.at })
    }

    /// A place without overlap for a new outline, least along `pull`, among `turns`: rows are
    /// scanned for their first gap, then the outline slides home.
    pub(super) fn first_fit(
        &self,
        outline: usize,
        turns: &[usize],
        pull: Point2,
    ) -> Option<Placement> {
        const ROWS: usize = 32;
        let mut best = Best::NONE;
        let mut chosen = 0;
        for &turn in turns {
            let Some(mut m) = self.line_search(outline, turn, None, None, pull) else { continue };
            let r = m.range;
            let mut found = Best::NONE;
            for row in 0..=ROWS {
                let y = r[1] + (r[3] - r[1]) * row as f64 / ROWS as f64;
                if let Some(x) = m.first_free(y) {
                    let rank = m.rank([x, y]);
                    if rank < found.rank {
                        found = Best { cost: 0.0, rank, at: [x, y] };
                    }
                }
                if r[3] == r[1] {
                    break;
                }
            }
            if found.cost > 0.0 {
                continue;
            }
            m.settle(&mut found);
            // Compare by the box's far side, so that a turn that lies flat is seen as such.
            let b = self.nfps.outlines[outline].boxes[turn];
            found.rank += pull[0] * b[2] + pull[1] * b[3];
            if found.rank < best.rank {
                best = found;
                chosen = turn;
            }
        }
        (best.cost == 0.0).then_some(Placement { outline, turn: chosen, at: best.at })
    }
}

impl LineSearch<'_> {
    fn rank(&self, at: Point2) -> f64 {
        self.pull[0] * at[0] + self.pull[1] * at[1]
    }

    fn stretches_on(&mut self, p: Point2, u: Point2) {
        self.stretches.clear();
        let out = &mut self.stretches;
        for (other, (rel, _)) in self.others.iter().enumerate() {
            rel.table.crossings(rel.offset(p), rel.direction(u), |cell, lo, hi| {
                out.push(Stretch { lo, hi, other, cell });
            });
        }
    }

    /// Least free x on a row.
    pub(super) fn first_free(&mut self, y: f64) -> Option<f64> {
        self.stretches_on([0.0, y], [1.0, 0.0]);
        self.stretches.sort_unstable_by(|a, b| a.lo.total_cmp(&b.lo));
        let mut x = self.range[0];
        for s in &self.stretches {
            if s.lo >= x {
                break;
            }
            x = x.max(s.hi);
        }
        (x <= self.range[2] + self.slack_mm).then_some(x.min(self.range[2]))
    }

    /// The part `lo..hi` of the line p + s·u on which the outline stays inside.
    fn inside(&self, p: Point2, u: Point2) -> Option<(f64, f64)> {
        let (mut lo, mut hi) = (f64::NEG_INFINITY, f64::INFINITY);
        for k in 0..2 {
            if u[k].abs() > 1e-12 {
                let a = (self.range[k] - p[k]) / u[k];
                let b = (self.range[k + 2] - p[k]) / u[k];
                lo = lo.max(a.min(b));
                hi = hi.min(a.max(b));
            }
        }
        (lo <= hi).then_some((lo, hi))
    }

    /// Tries the places on the line p + s·u that are likely the best: ends of tents, those in the
    /// least weight of tents first.
    pub(super) fn try_line(&mut self, p: Point2, u: Point2, best: &mut Best) {
        let Some((first, last)) = self.inside(p, u) else { return };
        self.stretches_on(p, u);
        let mut ends = std::mem::take(&mut self.ends);
        let mut steps = std::mem::take(&mut self.steps);
        steps.clear();
        steps.extend([(first, 0.0), (last, 0.0)]);
        for t in &self.stretches {
            let weight = self.others[t.other].1;
            steps.extend([(t.lo, weight), (t.hi, -weight)]);
        }
        steps.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
        // Going along the line, the weight of the tents that the place is in.
        ends.clear();
        let mut sum = 0.0;
        for here in steps.chunk_by(|a, b| a.0 == b.0) {
            sum += here.iter().map(|e| e.1.min(0.0)).sum::<f64>();
            if (first..=last).contains(&here[0].0) {
                ends.push((here[0].0, sum));
            }
            sum += here.iter().map(|e| e.1.max(0.0)).sum::<f64>();
        }
        let lighter =
            |a: &(f64, f64), b: &(f64, f64)| a.1.total_cmp(&b.1).then(a.0.total_cmp(&b.0));
        if ends.len() > MOST_PLACES {
            ends.select_nth_unstable_by(MOST_PLACES, lighter);
            ends.truncate(MOST_PLACES);
        }
        ends.sort_unstable_by(lighter);
        for &(s, _) in &ends {
            let at = self.clamp([p[0] + s * u[0], p[1] + s * u[1]]);
            let mut cost = 0.0;
            for t in self.stretches.iter().filter(|t| t.lo < s && t.hi > s) {
                let (rel, weight) = &self.others[t.other];
                cost += weight * rel.table.depth_in(t.cell, rel.offset(at));
                if cost > best.cost {
                    break;
                }
            }
            let here = Best { cost, rank: self.rank(at), at };
            if here.beats(best) {
                *best = here;
            }
        }
        (self.ends, self.steps) = (ends, steps);
    }

    /// Tries `count` random lines along each axis.
    pub(super) fn try_random_lines(&mut self, count: usize, rng: &mut Rng, best: &mut Best) {
        let r = self.range;
        for _ in 0..count {
            self.try_line([r[0], rng.between(r[1], r[3])], [1.0, 0.0], best);
            self.try_line([rng.between(r[0], r[2]), r[1]], [0.0, 1.0], best);
        }
    }

    fn clamp(&self, p: Point2) -> Point2 {
        [p[0].clamp(self.range[0], self.range[2]), p[1].clamp(self.range[1], self.range[3])]
    }

    /// Line searches along both axes and along the walls it touches until nothing improves.
    pub(super) fn descend(&mut self, best: &mut Best) {
        let mut slides = Vec::new();
        for _ in 0..12 {
            let before = *best;
            self.try_line(before.at, [1.0, 0.0], best);
            self.try_line(best.at, [0.0, 1.0], best);
            if best.cost == 0.0 {
                return;
            }
            if best.beats(&before) && best.cost < 0.98 * before.cost {
                continue;
            }
            slides.clear();
            for (rel, _) in &self.others {
                let from = slides.len();
                rel.table.slides(rel.offset(best.at), 0.0, &mut slides);
                for u in &mut slides[from..] {
                    *u = rel.direction_back(*u);
                }
            }
            slides.truncate(6);
            for u in &slides {
                self.try_line(best.at, *u, best);
            }
            if best.cost >= 0.98 * before.cost {
                return;
            }
        }
    }

    /// Slides a free place along −x and −y, as far as it stays free all the way.
    pub(super) fn settle(&mut self, best: &mut Best) {
        for _ in 0..8 {
            let before = best.rank;
            for axis in [1, 0] {
                if self.pull[axis] > 0.0 {
                    best.at[axis] = self.slide(best.at, axis);
                }
            }
            best.rank = self.rank(best.at);
            if best.rank >= before - 1e-9 {
                return;
            }
        }
    }

    fn slide(&mut self, at: Point2, axis: usize) -> f64 {
        let mut u = [0.0, 0.0];
        u[axis] = 1.0;
        self.stretches_on(at, u);
        // What begins below stops the way down, also when the place is a hair inside it.
        let stop = self
            .stretches
            .iter()
            .filter(|s| s.lo < -1e-9)
            .map(|s| s.hi)
            .fold(self.range[axis] - at[axis], f64::max);
        at[axis] + stop.min(0.0)
    }
}
