//! The dearest plate at given prices: a knapsack in whole numbers, for all heights at once.
//!
//! Rows are sorted by cost, so the table after row r answers for every plate that row r tops: one
//! pass prices all heights. Prices, costs and sizes are whole numbers, so nothing is rounded and
//! what comes out can serve as a proof.

use super::{Column, Problem};

/// Values of the best fillings, by the row that tops them.
pub(super) struct Priced {
    /// The greatest sum of prices on a plate that rows `0..=r` share, for each row r.
    pub(super) values: Vec<u64>,
    /// Copies taken of row r when so many units are left: `picks[r * width + left]`.
    picks: Vec<u16>,
    width: usize,
}

/// Fills a plate of kind `bin` with at most `limits[r]` copies of row r at `prices[r]` each.
pub(super) fn price(problem: &Problem, bin: usize, prices: &[u64], limits: &[u32]) -> Priced {
    let bin = &problem.bins[bin];
    let width = bin.capacity as usize + 1;
    let mut best = vec![0u64; width];
    let mut values = Vec::with_capacity(prices.len());
    let mut picks = vec![0u16; width * prices.len()];
    for (r, (&each, &limit)) in prices.iter().zip(limits).enumerate() {
        let most = limit.min(u32::from(u16::MAX)) as usize;
        if let Some(size) = bin.sizes[r].map(|s| s as usize)
            && each > 0
            && most > 0
        {
            let picks = &mut picks[r * width..][..width];
            if size == 0 {
                picks.fill(most as u16);
                best.iter_mut().for_each(|b| *b += most as u64 * each);
            } else {
                // Downwards, so that what is read is still without this row.
                for left in (size..width).rev() {
                    for k in 1..=most.min(left / size) {
                        let value = best[left - k * size] + k as u64 * each;
                        if value > best[left] {
                            best[left] = value;
                            picks[left] = k as u16;
                        }
                    }
                }
            }
        }
        values.push(best[width - 1]);
    }
    Priced { values, picks, width }
}

impl Priced {
    /// The best filling that rows `0..=top` share.
    pub(super) fn column(&self, problem: &Problem, bin: usize, top: usize) -> Column {
        let mut left = self.width - 1;
        let mut counts = Vec::new();
        for r in (0..=top).rev() {
            let k = self.picks[r * self.width + left];
            if let (1.., Some(size)) = (k, problem.bins[bin].sizes[r]) {
                counts.push((r, u32::from(k)));
                left -= usize::from(k) * size as usize;
            }
        }
        Column::new(problem, bin, counts)
    }
}
