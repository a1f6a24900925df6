//! The outline of a part as the packer sees it: the exact shadow of everything printed, then a
//! simpler one around it.
//!
//! The facets that face up cover the shadow, each counter-clockwise, so the edges they do not
//! share bound it: non-zero winding of those few closed chains is the shadow, at the cost of one
//! look at each facet and without a boolean over all of them.

use super::polygon::{Point2, signed_area_mm2, turn};
use crate::layers::{Fill, Surface};
use i_overlay::core::fill_rule::FillRule;
use i_overlay::float::simplify::SimplifyShape;

/// How far the simpler outline may stand off the shadow, mm: about three pixels.
pub(super) const STAND_OFF_MM: f64 = 0.15;

/// Shapes on the plate: each an outer ring (counter-clockwise) followed by its holes (clockwise).
pub type Shadow = Vec<Vec<Vec<Point2>>>;

/// The exact shadow of closed surfaces on the plate, mm.
pub fn shadow(surfaces: &[Surface<'_>]) -> Shadow {
    let mut chains = Vec::new();
    // Cavities lie within the body's shadow.
    for s in surfaces.iter().filter(|s| s.fill != Fill::Cavity) {
        let flat: Vec<Point2> = s
            .mesh
            .vertices()
            .iter()
            .map(|v| {
                let p = s.pose * v;
                [p.x, p.y]
            })
            .collect();
        chains_of(&flat, s.mesh.triangles(), &mut chains);
    }
    if chains.is_empty() { Vec::new() } else { chains.simplify_shape(FillRule::NonZero) }
}

/// Closed chains of the edges that facets facing up do not share with one another.
fn chains_of(flat: &[Point2], triangles: &[[u32; 3]], out: &mut Vec<Vec<Point2>>) {
    // (start, end) sorted as an undirected edge, with its direction.
    let mut edges: Vec<(u32, u32, i32)> = Vec::new();
    for t in triangles {
        let [a, b, c] = t.map(|v| flat[v as usize]);
        if turn(a, b, c) > 0.0 {
            for (a, b) in [(t[0], t[1]), (t[1], t[2]), (t[2], t[0])] {
                edges.push((a.min(b), a.max(b), if a < b { 1 } else { -1 }));
            }
        }
    }
    edges.sort_unstable();
    let mut free: Vec<(u32, u32)> = Vec::new();
    for same in edges.chunk_by(|a, b| (a.0, a.1) == (b.0, b.1)) {
        let (a, b, _) = same[0];
        let sum: i32 = same.iter().map(|e| e.2).sum();
        let edge = if sum > 0 { (a, b) } else { (b, a) };
        free.extend(std::iter::repeat_n(edge, sum.unsigned_abs() as usize));
    }
    free.sort_unstable();
    // Every vertex has as many edges in as out, so any walk closes.
    let mut used = vec![false; free.len()];
    for first in 0..free.len() {
        let mut at = first;
        let mut chain = Vec::new();
        while !used[at] {
            used[at] = true;
            chain.push(flat[free[at].0 as usize]);
            let next = free[at].1;
            let from = free.partition_point(|e| e.0 < next);
            let unused = (from..free.len()).take_while(|&i| free[i].0 == next).find(|&i| !used[i]);
            match unused {
                Some(i) => at = i,
                None => break,
            }
        }
        if chain.len() > 2 {
            out.push(chain);
        }
    }
}

/// A ring around a counter-clockwise one with far fewer corners; it never cuts inside and stands
/// off by at most `stand_off_mm`. It may cross itself in tight notches: fill it by non-zero
/// winding.
pub(super) fn loosened(ring: &[Point2], stand_off_mm: f64) -> Vec<Point2> {
    // Each corner with the stand-off already spent there.
    let mut ring: Vec<(Point2, f64)> = ring.iter().map(|&p| (p, 0.0)).collect();
    loop {
        let n = ring.len();
        if n <= 3 {
            break;
        }
        let mut steps: Vec<(f64, usize, Step)> =
            (0..n).filter_map(|i| step_at(&ring, i, stand_off_mm)).collect();
        if steps.is_empty() {
            break;
        }
        // The cheaper half first, no two side by side, so that costs stay true.
        steps.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
        let mut touched = vec![false; n];
        let mut gone = vec![false; n];
        let take = steps.len().div_ceil(2);
        let mut left = n;
        for (_, i, step) in steps.into_iter().take(take) {
            let around: Vec<usize> = (0..4).map(|k| (i + n - 1 + k) % n).collect();
            if left <= 3 || around.iter().any(|&k| touched[k]) {
                continue;
            }
            around.iter().for_each(|&k| touched[k] = true);
            gone[(i + usize::from(step.corner.is_some())) % n] = true;
            left -= 1;
            if let Some(corner) = step.corner {
                ring[i] = (corner, step.spent);
            } else {
                // Both neighbours now carry what was spent on the dropped corner.
                for k in [around[0], around[2]] {
                    ring[k].1 = ring[k].1.max(step.spent);
                }
            }
        }
        let mut keep = gone.iter().map(|g| !g);
        ring.retain(|_| keep.next().unwrap_or(true));
    }
    ring.into_iter().map(|(p, _)| p).collect()
}

/// Drop a reflex corner, or replace the edge after a corner by where its neighbours meet.
struct Step {
    corner: Option<Point2>,
    spent: f64,
}

/// The cheaper step at corner i, with the area it adds.
fn step_at(ring: &[(Point2, f64)], i: usize, limit: f64) -> Option<(f64, usize, Step)> {
    let n = ring.len();
    let at = |k: usize| ring[(i + n + k - 1) % n];
    let ((a, sa), (b, sb), (c, sc), (d, sd)) = (at(0), at(1), at(2), at(3));
    let dist = |p: Point2, q: Point2| (p[0] - q[0]).hypot(p[1] - q[1]);
    let bend = turn(a, b, c);
    if bend <= 0.0 {
        let spent = -bend / dist(a, c).max(1e-300) + sa.max(sb).max(sc);
        // Turning back on itself: the corner may be far from the new edge's ends.
        let spent = if (b[0] - a[0]) * (c[0] - b[0]) + (b[1] - a[1]) * (c[1] - b[1]) < 0.0 {
            dist(a, b).min(dist(b, c)) + sa.max(sb).max(sc)
        } else {
            spent
        };
        return (spent <= limit).then_some((-bend, i, Step { corner: None, spent }));
    }
    if turn(b, c, d) <= 0.0 {
        return None;
    }
    // a→b and d→c extended meet at b + t(b − a), if the two turns sum to less than half a turn.
    let (u, v) = ([b[0] - a[0], b[1] - a[1]], [c[0] - d[0], c[1] - d[1]]);
    let cross = u[0] * v[1] - u[1] * v[0];
    if cross >= 0.0 {
        return None;
    }
    let w = [c[0] - b[0], c[1] - b[1]];
    let t = (w[0] * v[1] - w[1] * v[0]) / cross;
    if t < 0.0 {
        return None;
    }
    let e = [b[0] + t * u[0], b[1] + t * u[1]];
    let area = turn(b, e, c).abs();
    let spent = area / dist(b, c).max(1e-300) + sb.max(sc).max(sa.max(sd));
    (spent <= limit).then_some((area, i, Step { corner: Some(e), spent }))
}

/// The outer rings of a shadow, loosened and filled: what the packer keeps apart.
pub(super) fn packing_rings(shadow: &[Vec<Vec<Point2>>]) -> Vec<Vec<Point2>> {
    let loose: Vec<Vec<Point2>> =
        shadow.iter().map(|s| loosened(&s[0], STAND_OFF_MM)).filter(|r| r.len() > 2).collect();
    if loose.is_empty() {
        return loose;
    }
    let filled = loose.simplify_shape(FillRule::NonZero);
    filled.into_iter().filter_map(|mut s| (!s.is_empty()).then(|| s.swap_remove(0))).collect()
}

/// Area of a shadow, holes taken off, mm².
pub(super) fn shadow_area_mm2(shadow: &[Vec<Vec<Point2>>]) -> f64 {
    shadow.iter().flatten().map(|r| signed_area_mm2(r)).sum()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mesh::{Mesh, Point};

    /// A gear-like prism: its shadow is its base.
    fn prism(base: &[Point2], h: f64) -> Mesh {
        let n = base.len() as u32;
        let mut v: Vec<Point> = base.iter().map(|p| Point::new(p[0], p[1], 0.0)).collect();
        v.extend(base.iter().map(|p| Point::new(p[0], p[1], h)));
        v.extend([Point::new(0.0, 0.0, 0.0), Point::new(0.0, 0.0, h)]);
        let mut t = Vec::new();
        for i in 0..n {
            let j = (i + 1) % n;
            t.extend([[j, i, 2 * n], [n + i, n + j, 2 * n + 1], [i, j, n + j], [i, n + j, n + i]]);
        }
        Mesh::new("prism", v, t).unwrap()
    }

    fn cog(teeth: u32) -> Vec<Point2> {
        (0..4 * teeth)
            .map(|i| {
                let r = if i % 4 < 2 { 10.0 } else { 8.0 };
                let a = f64::from(i) * std::f64::consts::TAU / f64::from(4 * teeth);
                [r * a.cos(), r * a.sin()]
            })
            .collect()
    }

    #[test]
    fn shadow_of_a_prism_is_its_base() {
        let base = cog(12);
        let mesh = prism(&base, 5.0);
        let s = shadow(&[Surface::body(&mesh)]);
        assert_eq!(s.len(), 1);
        assert!((shadow_area_mm2(&s) - signed_area_mm2(&base)).abs() < 1e-4);
    }

    #[test]
    fn a_loosened_ring_holds_the_original() {
        for stand_off in [0.05, 0.15, 0.6, 3.0] {
            let base = cog(16);
            let loose = loosened(&base, stand_off);
            assert!(loose.len() <= base.len());
            let winding = |p: Point2| -> i32 {
                (0..loose.len())
                    .map(|i| {
                        let (a, b) = (loose[i], loose[(i + 1) % loose.len()]);
                        let left = (b[0] - a[0]) * (p[1] - a[1]) - (p[0] - a[0]) * (b[1] - a[1]);
                        i32::from(a[1] <= p[1] && b[1] > p[1] && left > 0.0)
                            - i32::from(a[1] > p[1] && b[1] <= p[1] && left < 0.0)
                    })
                    .sum()
            };
            for p in &base {
                assert_ne!(winding([0.9999 * p[0], 0.9999 * p[1]]), 0, "{stand_off}: {p:?}");
            }
            let grown = signed_area_mm2(&loose) - signed_area_mm2(&base);
            assert!(grown >= 0.0 && grown < stand_off * 90.0, "{stand_off}: {grown}");
        }
    }
}
