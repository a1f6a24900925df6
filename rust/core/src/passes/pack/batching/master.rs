//! The linear programme over fillings, by the revised simplex method with columns made on demand.
//!
//! It runs in floating point; nothing rests on that. The bound is taken from its prices rounded
//! to whole numbers: if no filling is worth more than θ times its cost at these prices, all parts
//! at 1/θ of their prices are worth no more than any plan (Farley 1990, Oper. Res. 38:922).

use super::knapsack::price;
use super::{Column, Problem, exact};
use crate::error::Result;
use crate::job::Job;

/// Share of a cost by which a filling must pay to be worth a pivot.
const PAYS: f64 = 1e-7;

/// Pivots after which the inverse of the basis is made anew.
const RENEW: usize = 100;

/// What stands in the basis for a row.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Basic {
    Column(usize),
    /// What row r is covered by too much.
    Surplus(usize),
}

/// The programme for what is left to do: least cost of fillings that cover every row.
pub(super) struct Master<'p> {
    problem: &'p Problem,
    left: Vec<u32>,
    pub(super) columns: Vec<Column>,
    basis: Vec<Basic>,
    /// Inverse of the basis, row by row.
    inverse: Vec<f64>,
    /// Amount of each basic variable.
    amounts: Vec<f64>,
    prices: Vec<f64>,
    pivots: usize,
    /// Greatest bound proven so far, in steps.
    pub(super) bound: u64,
}

impl Problem {
    /// What no plan can beat, in steps: exact for few parts, else by the linear programme over all
    /// fillings.
    pub(in super::super) fn lower_bound(&self, job: &Job) -> Result<u64> {
        let parts = self.parts();
        if parts.len() <= exact::FEW {
            return Ok(exact::cheapest(self, &parts).iter().map(|c| c.cost).sum());
        }
        let mut master = Master::new(self, &self.demand, Vec::new());
        master.solve(u64::MAX, job)?;
        Ok(master.bound)
    }

    /// The greatest step count that divides all costs: a sum of costs is a multiple of it.
    fn grain(&self) -> u64 {
        let gcd = |mut a: u64, mut b: u64| {
            while b > 0 {
                (a, b) = (b, a % b);
            }
            a
        };
        self.bins.iter().flat_map(|b| &b.costs).copied().fold(0, gcd).max(1)
    }
}

impl<'p> Master<'p> {
    /// Starts from fillings of one row each; `columns` are known to be worth a look.
    pub(super) fn new(problem: &'p Problem, left: &[u32], mut columns: Vec<Column>) -> Master<'p> {
        let m = left.len();
        let mut basis = Vec::with_capacity(m);
        let mut inverse = vec![0.0; m * m];
        let mut amounts = Vec::with_capacity(m);
        let mut prices = Vec::with_capacity(m);
        for (r, &need) in left.iter().enumerate() {
            if need == 0 {
                basis.push(Basic::Surplus(r));
                inverse[r * m + r] = -1.0;
                amounts.push(0.0);
                prices.push(0.0);
                continue;
            }
            let full = |b: usize| {
                let bin = &problem.bins[b];
                let most = bin.capacity.checked_div(bin.sizes[r]?).unwrap_or(need).min(need);
                Some(Column::new(problem, b, vec![(r, most)]))
            };
            let each = |c: &Column| c.cost as f64 / f64::from(c.counts[0].1);
            let column = (0..problem.bins.len())
                .filter_map(full)
                .min_by(|a, b| each(a).total_cmp(&each(b)))
                .expect("every part goes on some plate");
            let n = f64::from(column.counts[0].1);
            inverse[r * m + r] = 1.0 / n;
            amounts.push(perturbed(need, r) / n);
            prices.push(column.cost as f64 / n);
            basis.push(Basic::Column(columns.len()));
            columns.push(column);
        }
        let left = left.to_vec();
        let (pivots, bound) = (0, 0);
        Master { problem, left, columns, basis, inverse, amounts, prices, pivots, bound }
    }

    /// Solves the programme; stops early when the bound has reached `enough`.
    pub(super) fn solve(&mut self, enough: u64, job: &Job) -> Result<()> {
        let most_pivots = 200 + 60 * self.left.len();
        while self.pivots < most_pivots {
            job.checkpoint(self.pivots as f64 / most_pivots as f64)?;
            if let Some(entering) = self.paying() {
                if !self.pivot(entering) {
                    break;
                }
                continue;
            }
            let before = self.columns.len();
            self.make_columns();
            if self.bound >= enough || self.columns.len() == before {
                break;
            }
        }
        if self.bound == 0 {
            self.make_columns();
        }
        Ok(())
    }

    /// The variable that pays most for its cost.
    fn paying(&self) -> Option<Basic> {
        let mut best = (PAYS, None);
        for (r, &p) in self.prices.iter().enumerate() {
            // A price below nought: covering more than needed pays.
            let scale = self.problem.bins[0].costs[r].max(1) as f64;
            if -p / scale > best.0 {
                best = (-p / scale, Some(Basic::Surplus(r)));
            }
        }
        for (k, c) in self.columns.iter().enumerate() {
            let worth: f64 = c.counts.iter().map(|&(r, n)| self.prices[r] * f64::from(n)).sum();
            let gain = worth / c.cost.max(1) as f64 - 1.0;
            if gain > best.0 && !self.basis.contains(&Basic::Column(k)) {
                best = (gain, Some(Basic::Column(k)));
            }
        }
        best.1
    }

    /// Asks the knapsacks for fillings that pay, and proves a bound on the way.
    fn make_columns(&mut self) {
        let whole: Vec<u64> = self.prices.iter().map(|p| p.max(0.0) as u64).collect();
        let worth: u128 =
            whole.iter().zip(&self.left).map(|(&p, &n)| u128::from(p) * u128::from(n)).sum();
        // worth · cost / value at the filling that is worth most for its cost.
        let mut bound = worth;
        for bin in 0..self.problem.bins.len() {
            let priced = price(self.problem, bin, &whole, &self.left);
            let costs = &self.problem.bins[bin].costs;
            let mut paying: Vec<(f64, usize)> = Vec::new();
            for (r, (&value, &cost)) in priced.values.iter().zip(costs).enumerate() {
                if value > cost {
                    bound = bound.min(worth * u128::from(cost) / u128::from(value));
                    // Of rows that cost the same the last sees all.
                    if costs.get(r + 1) != Some(&cost) {
                        paying.push((value as f64 / cost.max(1) as f64 - 1.0, r));
                    }
                }
            }
            paying.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
            for (gain, top) in paying.into_iter().take(8) {
                let column = priced.column(self.problem, bin, top);
                if gain > PAYS && !self.columns.contains(&column) {
                    self.columns.push(column);
                }
            }
        }
        let grain = u128::from(self.problem.grain());
        let bound = u64::try_from(bound.div_ceil(grain) * grain).unwrap_or(0);
        self.bound = self.bound.max(bound);
    }

    /// Takes a variable into the basis; false when rounding leaves no way.
    fn pivot(&mut self, entering: Basic) -> bool {
        let m = self.left.len();
        let mut along = vec![0.0; m];
        for (i, a) in along.iter_mut().enumerate() {
            let row = &self.inverse[i * m..][..m];
            *a = match entering {
                Basic::Surplus(r) => -row[r],
                Basic::Column(k) => {
                    self.columns[k].counts.iter().map(|&(r, n)| row[r] * f64::from(n)).sum()
                }
            };
        }
        let ratio = |i: usize| self.amounts[i].max(0.0) / along[i];
        let Some(out) =
            (0..m).filter(|&i| along[i] > 1e-9).min_by(|&i, &j| ratio(i).total_cmp(&ratio(j)))
        else {
            return false;
        };
        let amount = ratio(out);
        self.amounts.iter_mut().zip(&along).for_each(|(x, a)| *x -= amount * a);
        self.amounts[out] = amount;
        let (before, rest) = self.inverse.split_at_mut(out * m);
        let (row, after) = rest.split_at_mut(m);
        row.iter_mut().for_each(|v| *v /= along[out]);
        let others = before.chunks_mut(m).chain(after.chunks_mut(m));
        let factors = (0..m).filter(|&i| i != out).map(|i| along[i]);
        for (other, factor) in others.zip(factors).filter(|o| o.1 != 0.0) {
            other.iter_mut().zip(&*row).for_each(|(o, v)| *o -= factor * v);
        }
        self.basis[out] = entering;
        self.pivots += 1;
        if self.pivots.is_multiple_of(RENEW) && !self.renew() {
            return false;
        }
        self.reprice();
        true
    }

    fn reprice(&mut self) {
        let m = self.left.len();
        self.prices.fill(0.0);
        for (i, b) in self.basis.iter().enumerate() {
            if let Basic::Column(k) = *b {
                let cost = self.columns[k].cost as f64;
                let row = &self.inverse[i * m..][..m];
                self.prices.iter_mut().zip(row).for_each(|(p, v)| *p += cost * v);
            }
        }
    }

    /// Makes the inverse anew from the basis; false when the basis is singular.
    fn renew(&mut self) -> bool {
        let m = self.left.len();
        let mut basis = nalgebra::DMatrix::<f64>::zeros(m, m);
        for (i, b) in self.basis.iter().enumerate() {
            match *b {
                Basic::Surplus(r) => basis[(r, i)] = -1.0,
                Basic::Column(k) => {
                    for &(r, n) in &self.columns[k].counts {
                        basis[(r, i)] = f64::from(n);
                    }
                }
            }
        }
        let Some(inverse) = basis.try_inverse() else { return false };
        self.inverse.copy_from_slice(inverse.transpose().as_slice());
        for i in 0..m {
            let row = &self.inverse[i * m..][..m];
            let needs = self.left.iter().enumerate().map(|(r, &n)| perturbed(n, r));
            self.amounts[i] = row.iter().zip(needs).map(|(v, n)| v * n).sum();
        }
        true
    }

    /// The fillings in use and how often.
    pub(super) fn used(&self) -> Vec<(usize, f64)> {
        let mut used: Vec<(usize, f64)> = self
            .basis
            .iter()
            .zip(&self.amounts)
            .filter_map(|(b, &x)| match *b {
                Basic::Column(k) if x > 1e-6 => Some((k, x)),
                _ => None,
            })
            .collect();
        used.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
        used
    }
}

/// A need a hair larger, each row's in its own way: ties between rows else make the simplex
/// method step on the spot.
fn perturbed(need: u32, row: usize) -> f64 {
    let spread = (row as u64).wrapping_mul(0x9e37_79b9_7f4a_7c15) >> 40;
    f64::from(need) * (1.0 + 1e-6 * spread as f64 / (1u64 << 24) as f64)
}
