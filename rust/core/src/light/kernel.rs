//! The two passes of a separable normal spread on a lattice.

use std::f64::consts::FRAC_1_SQRT_2;

/// Standard deviations at which a spread is cut off: 6·10⁻⁵ of the light lie beyond.
const CUT: f64 = 4.0;
/// Places within a pixel at which steps are tabled: half a step is a five-hundredth of a pixel.
const PHASES: usize = 256;

/// A step from dark to lit seen through a normal spread, at the centres of pixels: the pass along
/// rows, exact for spans with ends anywhere.
pub(super) struct Ramp {
    /// `table[phase · len + t]`: light at the t-th pixel from `reach` before the step's own.
    table: Vec<f32>,
    len: usize,
    reach: usize,
}

impl Ramp {
    /// For a standard deviation in pixels.
    pub(super) fn new(sigma: f64) -> Ramp {
        let reach = (CUT * sigma).ceil() as usize + 1;
        let len = 2 * reach + 1;
        let below = |x: f64| 0.5 * libm::erfc(-x / sigma * FRAC_1_SQRT_2);
        let table = (0..=PHASES).flat_map(|phase| {
            let at = phase as f64 / PHASES as f64;
            (0..len).map(move |t| below(t as f64 - reach as f64 + 0.5 - at) as f32)
        });
        Ramp { table: table.collect(), len, reach }
    }

    /// Pixels to keep free on both sides of a row.
    pub(super) fn margin(&self) -> usize {
        self.len
    }

    /// Adds a lit stretch from `from` to `to` (pixels from the left edge) to a row that starts
    /// [`Ramp::margin`] pixels before it.
    pub(super) fn add(&self, from: f64, to: f64, share: f32, row: &mut [f32]) {
        let place = |at: f64| {
            let pixel = at.floor();
            let phase = ((at - pixel) * PHASES as f64).round() as usize;
            (pixel as usize + self.len - self.reach, &self.table[phase * self.len..][..self.len])
        };
        let ((a, rise), (b, fall)) = (place(from), place(to));
        row[a..a + self.len].iter_mut().zip(rise).for_each(|(out, r)| *out += share * r);
        row[a + self.len..b + self.len].iter_mut().for_each(|out| *out += share);
        row[b..b + self.len].iter_mut().zip(fall).for_each(|(out, f)| *out -= share * f);
    }
}

/// Half of a sampled normal spread with the given variance (pixels²) and sum 1, middle first: the
/// pass across rows.
pub(super) fn taps(variance: f64) -> Vec<f64> {
    let reach = (CUT * variance.sqrt()).ceil() as i32;
    let sampled = |sigma: f64| -> Vec<f64> {
        let w: Vec<f64> =
            (0..=reach).map(|t| (-0.5 * (f64::from(t) / sigma).powi(2)).exp()).collect();
        let sum = 2.0 * w.iter().sum::<f64>() - w[0];
        w.iter().map(|w| w / sum).collect()
    };
    let spread = |w: &[f64]| (0..).zip(w).map(|(t, w)| 2.0 * f64::from(t * t) * w).sum::<f64>();
    // Samples of a spread narrower than a pixel scatter less than the spread itself: take the one
    // whose samples scatter as asked.
    let (mut low, mut high) = (0.1, 2.0 * variance.sqrt() + 1.0);
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if spread(&sampled(middle)) < variance { low = middle } else { high = middle }
    }
    sampled(0.5 * (low + high))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn taps_have_the_variance_asked_for() {
        for variance in [0.1, 0.2, 0.7, 1.0, 4.0] {
            let w = taps(variance);
            let sum: f64 = w[0] + 2.0 * w[1..].iter().sum::<f64>();
            let spread: f64 = w.iter().enumerate().map(|(t, w)| 2.0 * (t * t) as f64 * w).sum();
            assert!((sum - 1.0).abs() < 1e-12);
            assert!((spread - variance).abs() < 1e-6 * variance, "{variance}: {spread}");
        }
    }

    #[test]
    fn a_stretch_is_the_difference_of_two_edges() {
        let (sigma, ramp) = (1.7, Ramp::new(1.7));
        let m = ramp.margin();
        let mut row = vec![0.0; 40 + 2 * m];
        ramp.add(11.3, 14.9, 0.5, &mut row);
        for (i, found) in row[m..m + 40].iter().enumerate() {
            let x = i as f64 + 0.5;
            let edge = |a: f64| 0.5 * libm::erfc((a - x) / sigma * FRAC_1_SQRT_2);
            let truth = 0.5 * (edge(11.3) - edge(14.9));
            assert!((f64::from(*found) - truth).abs() < 5e-4, "{i}: {found} for {truth}");
        }
    }
}
