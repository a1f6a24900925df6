//! A layer's mask through a sum of round normal spreads, narrow ones on the pixels themselves, wide
//! ones on lattices twice, four times, … as coarse.

use super::kernel::{Ramp, taps};
use crate::layers::{Grid, Layer, SUBPIXEL};
use rayon::prelude::*;
use std::ops::Range;

/// A spread is at least so many pixels of its lattice wide where a coarser one is taken: reading
/// between its pixels then errs by (1/2)²/8 · 0.24 < 0.008 of that spread's light (the error of
/// straight lines between samples; 0.24 is the steepest slope of a normal density).
const FINE: f64 = 2.0;
/// Least standard deviation in pixels: narrower spreads are not told apart.
const LEAST: f64 = 0.5;
/// Variance of the tent by which scan rows are gathered into pixels, pixels²: it reaches from the
/// middle of the pixel before to the middle of the one after, so that walls which face y keep
/// their place between rows.
const TENT: f64 = 1.0 / 6.0;
/// Rows that one task blurs.
const BAND: usize = 32;
/// Pixels summed at once.
const STRIP: usize = 16;

/// The blur of one lattice; it keeps the buffers of the coarser lattices.
pub(super) struct Blur {
    tiers: Vec<Tier>,
}

/// A lattice and the spreads blurred on it.
struct Tier {
    /// Scan rows and columns that a pixel holds.
    pool: u32,
    /// Scan rows and columns by which it begins before the grid: a pixel more than the finer
    /// lattice, so that there is something to read between at its border.
    before: u32,
    rows: usize,
    columns: usize,
    terms: Vec<Term>,
    /// Blurred mask of this and all coarser lattices; not kept for the finest.
    out: Vec<f32>,
}

struct Term {
    ramp: Ramp,
    taps: Vec<f32>,
}

impl Blur {
    /// For a lattice whose pixels hold `pool` × `pool` of the scan's, and spreads with standard
    /// deviations in mm and weights.
    pub(super) fn new(grid: &Grid, pool: u32, spreads: &[(f64, f64)]) -> Blur {
        let mut tiers: Vec<Tier> = Vec::new();
        for &(sigma_mm, weight) in spreads {
            let sigma = (sigma_mm / grid.pitch_mm).max(LEAST);
            let l = (sigma / FINE).log2().floor().max(0.0) as usize;
            while tiers.len() <= l {
                tiers.push(match tiers.last() {
                    None => Tier::new(pool, 0, grid.rows as usize, grid.columns as usize),
                    Some(finer) => Tier::new(
                        2 * finer.pool,
                        finer.before + 2 * finer.pool,
                        finer.rows.div_ceil(2) + 2,
                        finer.columns.div_ceil(2) + 2,
                    ),
                });
            }
            let tier = &mut tiers[l];
            let scale = f64::from(1 << l);
            // Reading between pixels spreads by ¾·¼² + ¼·¾² = 3/16 pixel² on each finer lattice.
            let read = 0.25 * (1.0 - 1.0 / (scale * scale));
            let variance = (sigma / scale).powi(2) - read;
            let taps = taps(variance - TENT);
            tier.terms.push(Term {
                ramp: Ramp::new(variance.sqrt()),
                taps: taps.iter().map(|w| (weight * w) as f32).collect(),
            });
        }
        for tier in tiers.iter_mut().skip(1) {
            tier.out = vec![0.0; tier.rows * tier.columns];
        }
        Blur { tiers }
    }

    /// Weakens every value by `keep` and adds the blurred layer times `dose`.
    pub(super) fn expose(&mut self, layer: &Layer, dose: f32, keep: f32, field: &mut [f32]) {
        for l in (1..self.tiers.len()).rev() {
            let (here, above) = self.tiers.split_at_mut(l + 1);
            let mut out = std::mem::take(&mut here[l].out);
            here[l].blur(layer, above.first(), 1.0, 0.0, &mut out);
            here[l].out = out;
        }
        let (finest, coarser) = self.tiers.split_at(1);
        finest[0].blur(layer, coarser.first(), dose, keep, field);
    }
}

impl Tier {
    fn new(pool: u32, before: u32, rows: usize, columns: usize) -> Tier {
        Tier { pool, before, rows, columns, terms: Vec::new(), out: Vec::new() }
    }

    fn blur(&self, layer: &Layer, coarser: Option<&Tier>, dose: f32, keep: f32, out: &mut [f32]) {
        let width = self.columns;
        out.par_chunks_mut(BAND * width).enumerate().for_each_init(Vec::new, |rows, (i, band)| {
            band.iter_mut().for_each(|v| *v *= keep);
            let first = i * BAND;
            let range = first..first + band.len() / width;
            for term in &self.terms {
                self.add(term, layer, dose, range.clone(), rows, band);
            }
            if let Some(coarser) = coarser {
                for (r, line) in range.zip(band.chunks_mut(width)) {
                    coarser.add_between(r, dose, rows, line);
                }
            }
        });
    }

    /// Adds one spread of the layer to a band of rows.
    fn add(
        &self,
        term: &Term,
        layer: &Layer,
        dose: f32,
        rows: Range<usize>,
        along: &mut Vec<f32>,
        band: &mut [f32],
    ) {
        let reach = term.taps.len() - 1;
        let margin = term.ramp.margin();
        let stride = self.columns + 2 * margin;
        along.clear();
        // A strip may reach beyond the last row.
        along.resize((rows.len() + 2 * reach) * stride + STRIP, 0.0);
        let mut dark = true;
        for (r, line) in along.chunks_exact_mut(stride).take(rows.len() + 2 * reach).enumerate() {
            if let Some(row) = (rows.start + r).checked_sub(reach) {
                dark &= !self.along(&term.ramp, layer, row, line);
            }
        }
        if dark {
            return;
        }
        for (r, line) in band.chunks_mut(self.columns).enumerate() {
            let middle = (r + reach) * stride + margin;
            for (s, strip) in line.chunks_mut(STRIP).enumerate() {
                let at = middle + s * STRIP;
                let mut sum = [0.0_f32; STRIP];
                let row = |at: usize| &along[at..at + STRIP];
                for (sum, v) in sum.iter_mut().zip(row(at)) {
                    *sum = term.taps[0] * v;
                }
                for (t, w) in term.taps.iter().enumerate().skip(1) {
                    let (up, down) = (row(at + t * stride), row(at - t * stride));
                    for i in 0..STRIP {
                        sum[i] += w * (up[i] + down[i]);
                    }
                }
                strip.iter_mut().zip(sum).for_each(|(out, sum)| *out += dose * sum);
            }
        }
    }

    /// Adds a row's scan rows, gathered by a tent and seen along x through a ramp; whether any is lit.
    fn along(&self, ramp: &Ramp, layer: &Layer, row: usize, line: &mut [f32]) -> bool {
        let unit = 1.0 / f64::from(self.pool * SUBPIXEL);
        let last = self.columns as f64;
        let pool = f64::from(self.pool);
        let before = f64::from(self.before) / pool;
        let middle = (row as f64 + 0.5) * pool - f64::from(self.before);
        let mut lit = false;
        for scan_row in (middle - pool).max(0.0) as u32..(middle + pool).max(0.0) as u32 {
            let share = (1.0 - (f64::from(scan_row) + 0.5 - middle).abs() / pool) / pool;
            for span in layer.row(scan_row) {
                let [from, to] = [span.x0, span.x1].map(|x| before + f64::from(x) * unit);
                ramp.add(from, to.min(last), share as f32, line);
                lit = true;
            }
        }
        lit
    }

    /// Adds this tier's values to row `r` of the lattice twice as fine, read on straight lines
    /// between the centres of pixels.
    fn add_between(&self, r: usize, dose: f32, mixed: &mut Vec<f32>, line: &mut [f32]) {
        let row = |r: usize| &self.out[r * self.columns..][..self.columns];
        let (near, far) = (row(r / 2 + 1), row(r / 2 + r % 2 * 2));
        mixed.clear();
        mixed.extend(near.iter().zip(far).map(|(n, f)| dose * (0.75 * n + 0.25 * f)));
        for (i, pair) in line.chunks_mut(2).enumerate() {
            let here = 0.75 * mixed[i + 1];
            for (value, far) in pair.iter_mut().zip([mixed[i], mixed[i + 2]]) {
                *value += here + 0.25 * far;
            }
        }
    }
}
