//! A lower bound on machine time, so that a plan can say how far from the best it may be.
//!
//! A plate is at least as long as each of its parts. So when the parts of height ≥ h need n(h)
//! plates, the k-th longest plate is at least as high as the greatest h with n(h) ≥ k. The plates
//! needed are bounded from below by count, by area and by discs. Where heights are mixed the
//! batching relaxation says more: it shares plates among parts as if outlines could be cut up.

use super::batching::{Kind, Problem, STEPS, UNITS, steps, time_of, units_of};
use super::plan::{Goal, Printer, Task};
use super::polygon::{Point2, bounds, distance};
use crate::context::Context;
use crate::error::Result;

/// What one part needs of a plate.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Need {
    /// Height, mm.
    pub height_mm: f64,
    /// Area that nothing else may use: its outline grown by half the gap, mm².
    pub area_mm2: f64,
    /// Radius of a disc inside its shadow, mm.
    pub inner_mm: f64,
}

/// Greatest number of discs of radius `r` that keep `gap` in a rectangle: Oler's inequality for
/// their centres (Oler 1961, Acta Math. 105:19): N ≤ 2A/(√3·d²) + P/(2d) + 1, with A and P area
/// and perimeter of the rectangle that the centres may use and d = 2r + gap.
pub fn most_discs(room: Point2, radius_mm: f64, gap_mm: f64) -> usize {
    let d = 2.0 * radius_mm + gap_mm;
    let (w, h) = (room[0] - 2.0 * radius_mm, room[1] - 2.0 * radius_mm);
    if w < 0.0 || h < 0.0 {
        return 0;
    }
    if d <= 0.0 {
        return usize::MAX;
    }
    (2.0 / 3f64.sqrt() * w * h / (d * d) + (w + h) / d + 1.0 + 1e-9) as usize
}

/// Least number of plates for each prefix of `needs` (in the order given) on plates of one size;
/// never falls from one prefix to the next. The largest of: count, area and discs.
pub fn least_plates(
    needs: &[Need],
    room: Point2,
    gap_mm: f64,
    max_parts: Option<usize>,
) -> Vec<usize> {
    let capacity = (room[0] + gap_mm) * (room[1] + gap_mm);
    // Discs at least so large, so many to a plate; one threshold for each radius that occurs.
    let mut radii: Vec<f64> = needs.iter().map(|n| n.inner_mm).filter(|r| *r > 0.0).collect();
    radii.sort_by(f64::total_cmp);
    radii.dedup();
    let most: Vec<usize> = radii.iter().map(|&r| most_discs(room, r, gap_mm).max(1)).collect();
    let mut counts = vec![0usize; radii.len()];
    let (mut area, mut plates) = (0.0, 0);
    let mut out = Vec::with_capacity(needs.len());
    for (i, need) in needs.iter().enumerate() {
        area += need.area_mm2;
        plates = plates.max((area / capacity - 1e-9).ceil() as usize);
        plates = plates.max((i + 1).div_ceil(max_parts.unwrap_or(usize::MAX).max(1)));
        for (k, r) in radii.iter().enumerate() {
            if need.inner_mm >= *r {
                counts[k] += 1;
                plates = plates.max(counts[k].div_ceil(most[k]));
            }
        }
        out.push(plates);
    }
    out
}

/// Lower bound on the goal, s. `needs` holds every part that goes onto some plate.
///
/// The greater of two: plates counted by [`least_plates`], and the batching relaxation, in which
/// a part takes the area that nothing else may use and a plate has its usable rectangle grown by
/// the gap. Both hold for every way to lay true outlines, at any turn; groups, due times and
/// keep-outs only make plans longer.
pub(super) fn lower_bound_s(needs: &[Need], task: &Task<'_>, ctx: &Context) -> Result<f64> {
    let (printers, gap_mm) = (&task.printers, task.gap_mm);
    let mut needs = needs.to_vec();
    needs.sort_by(|a, b| b.height_mm.total_cmp(&a.height_mm));
    let quickest = |h: f64| {
        let able = printers.iter().filter(|p| p.takes(h));
        able.map(|p| p.time_s(h)).fold(f64::INFINITY, f64::min)
    };
    // Any plate is inside this rectangle, and none is quicker than the quickest printer.
    let room =
        printers.iter().fold([0.0, 0.0], |r: Point2, p| [r[0].max(p.room[0]), r[1].max(p.room[1])]);
    let mut by_plates = 0.0;
    let mut plates = 0;
    for (n, need) in least_plates(&needs, room, gap_mm, task.max_parts).into_iter().zip(&needs) {
        by_plates += (n - plates) as f64 * quickest(need.height_mm);
        plates = n;
    }
    let count = printers.len().max(1) as f64;
    Ok(match task.goal {
        Goal::TotalTime => {
            let even = vec![1.0; printers.len()];
            by_plates.max(batching_bound_s(&needs, printers, gap_mm, &even, ctx)?)
        }
        // The last printer is done no sooner than any weighted mean of all.
        Goal::FinishTime => {
            let even = vec![1.0 / count; printers.len()];
            let tallest = needs.first().map_or(0.0, |n| n.height_mm);
            let speed = |p: &Printer| p.capacity_mm2(gap_mm) / p.time_s(tallest).max(1e-9);
            let all: f64 = printers.iter().map(speed).sum();
            let by_speed: Vec<f64> = printers.iter().map(|p| speed(p) / all).collect();
            let mut bound = quickest(tallest).max(by_plates / count);
            for weights in [even, by_speed] {
                bound = bound.max(batching_bound_s(&needs, printers, gap_mm, &weights, ctx)?);
            }
            bound
        }
    })
}

/// Rows that the linear programme may have: its time grows with their cube.
const MOST_ROWS: usize = 200;

/// Bound on the weighted sum of the printers' times, s.
fn batching_bound_s(
    needs: &[Need],
    printers: &[Printer],
    gap_mm: f64,
    weights: &[f64],
    ctx: &Context,
) -> Result<f64> {
    let slowest =
        needs.iter().flat_map(|n| printers.iter().map(|p| steps(p.time_s(n.height_mm)))).max();
    // Many different parts are made alike by rounding times and sizes down, which keeps the bound.
    for coarse in 0..=COARSEST {
        let grain = match coarse {
            0 => 1,
            _ => (slowest.unwrap_or(0) << coarse >> 12).max(1),
        };
        let kind = |n: &Need| {
            let of = |(p, weight): (&Printer, &f64)| {
                let size = units_of(n.area_mm2, p.capacity_mm2(gap_mm), UNITS, f64::floor);
                let cost = steps(p.time_s(n.height_mm)) / grain * grain;
                let fits = p.takes(n.height_mm);
                (steps(cost as f64 / STEPS * weight), fits.then_some(size >> coarse << coarse))
            };
            let (costs, sizes) = printers.iter().zip(weights).map(of).unzip();
            Kind { costs, sizes }
        };
        let kinds: Vec<Kind> = needs.iter().map(kind).collect();
        let problem = Problem::new(&kinds, &vec![UNITS; printers.len()]);
        if problem.rows() <= MOST_ROWS || coarse == COARSEST {
            return problem.lower_bound(&ctx.job).map(time_of);
        }
    }
    Ok(0.0)
}

/// Halvings of precision after which there are few rows whatever the parts.
const COARSEST: u32 = 8;

/// Radius of a disc inside a shadow: a grid of centres, then the best one refined. Any centre
/// gives a valid disc, so the bound that uses it stays valid.
pub(super) fn inner_disc_mm(shadow: &[Vec<Vec<Point2>>]) -> f64 {
    let b = bounds(shadow.iter().flatten().flatten());
    let size = [b[2] - b[0], b[3] - b[1]];
    const GRID: usize = 12;
    let mut best = ([0.0, 0.0], 0.0);
    let look = |p: Point2, best: &mut (Point2, f64)| {
        let r = depth_in(shadow, p);
        if r > best.1 {
            *best = (p, r);
        }
    };
    for i in 0..GRID * GRID {
        let at = |k: usize, j: usize| b[k] + size[k] * (j as f64 + 0.5) / GRID as f64;
        look([at(0, i % GRID), at(1, i / GRID)], &mut best);
    }
    let mut step = [size[0] / GRID as f64, size[1] / GRID as f64];
    for _ in 0..8 {
        let c = best.0;
        for (x, y) in [(-0.5, 0.0), (0.5, 0.0), (0.0, -0.5), (0.0, 0.5), (0.35, 0.35)] {
            look([c[0] + x * step[0], c[1] + y * step[1]], &mut best);
        }
        step = step.map(|s| s * 0.7);
    }
    best.1
}

/// Distance from a point inside to the nearest boundary; 0 outside.
fn depth_in(shadow: &[Vec<Vec<Point2>>], p: Point2) -> f64 {
    let mut inside = false;
    let mut nearest = f64::INFINITY;
    for ring in shadow.iter().flatten() {
        for (i, &a) in ring.iter().enumerate() {
            let b = ring[(i + 1) % ring.len()];
            if (a[1] > p[1]) != (b[1] > p[1])
                && p[0] < a[0] + (p[1] - a[1]) / (b[1] - a[1]) * (b[0] - a[0])
            {
                inside = !inside;
            }
            nearest = nearest.min(distance(p, a, b));
        }
    }
    if inside { nearest } else { 0.0 }
}
