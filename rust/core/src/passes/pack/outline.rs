//! The outline of a part as the packer sees it: the shadow of everything printed, then a
//! simpler one around it.
//!
//! The facets that face up cover the shadow, each counter-clockwise, so the edges they do not
//! share bound it: non-zero winding of those few closed chains is the shadow, at the cost of one
//! look at each facet and without a boolean over all of them.

use super::nfp::Ring;
use super::polygon::{Point2, convex_hull, distance, perimeter_mm, signed_area_mm2, turn};
use crate::context::Context;
use crate::error::Result;
use crate::layers::{Fill, Grid, Layer, Layers, SUBPIXEL, Scan, Surface};
use i_overlay::core::fill_rule::FillRule;
use i_overlay::float::simplify::SimplifyShape;

/// Vertices are moved to a grid of so many steps per mm before the shadow is taken. Else steep
/// walls cross themselves thousands of times in their own noise, and the outline with them.
const SNAPS_PER_MM: f64 = 1024.0;

/// How far the shadow may lie inside or outside the true one, mm: half a step along both axes.
pub(super) const SNAP_MM: f64 = std::f64::consts::FRAC_1_SQRT_2 / SNAPS_PER_MM;

/// How far the simpler outline may stand off the shadow, mm: about three pixels.
pub(super) const STAND_OFF_MM: f64 = 0.15;

/// Inward corners above which notches are filled deeper, up to [`MOST_NOTCH_MM`]: each costs a
/// convex piece, a pair of outlines the product of their pieces, and little fits into a notch.
const MOST_INWARD: usize = 5;

/// Depth up to which notches are filled, mm.
const MOST_NOTCH_MM: f64 = 2.0;

/// Shapes on the plate: each an outer ring (counter-clockwise) followed by its holes (clockwise).
pub type Shadow = Vec<Vec<Vec<Point2>>>;

/// The shadow of closed surfaces on the plate, true to a micrometre, mm.
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
                [p.x, p.y].map(|c| (c * SNAPS_PER_MM).round() / SNAPS_PER_MM)
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

/// A corner of a loosened ring, and the corners `from..=to` of the original that it stands for.
#[derive(Clone, Copy)]
struct Corner {
    at: Point2,
    from: usize,
    to: usize,
}

/// A ring around a counter-clockwise one with far fewer corners; it never cuts inside, stands off
/// by at most `stand_off_mm` and fills notches up to `notch_mm` deep. It may cross itself in tight
/// notches: fill it by non-zero winding.
///
/// Two steps make it grow: drop an inward corner, or replace two outward corners by the point
/// where the edges beside them meet. Both are measured against the original, so errors do not add
/// up.
fn loosened(original: &[Point2], stand_off_mm: f64, notch_mm: f64) -> Vec<Point2> {
    let mut ring: Vec<Corner> =
        original.iter().enumerate().map(|(i, &at)| Corner { at, from: i, to: i }).collect();
    while ring.len() > 3 {
        let n = ring.len();
        let mut steps: Vec<(f64, usize, Option<Corner>)> =
            (0..n).filter_map(|i| step_at(original, &ring, i, stand_off_mm, notch_mm)).collect();
        if steps.is_empty() {
            break;
        }
        // The cheaper half first, no two side by side, so that costs stay true.
        steps.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
        steps.truncate(steps.len().div_ceil(2));
        let mut touched = vec![false; n];
        let mut gone = vec![false; n];
        let mut left = n;
        for (_, i, corner) in steps {
            let around = [(i + n - 1) % n, i, (i + 1) % n, (i + 2) % n];
            if left <= 3 || around.iter().any(|&k| touched[k]) {
                continue;
            }
            around.iter().for_each(|&k| touched[k] = true);
            left -= 1;
            match corner {
                Some(corner) => {
                    ring[i] = corner;
                    gone[around[2]] = true;
                }
                None => gone[i] = true,
            }
        }
        let mut gone = gone.into_iter();
        ring.retain(|_| gone.next() == Some(false));
    }
    ring.into_iter().map(|c| c.at).collect()
}

/// The step at corner i that stays within the limit, with the area it adds and the corner that
/// replaces i and its successor, if any.
fn step_at(
    original: &[Point2],
    ring: &[Corner],
    i: usize,
    stand_off_mm: f64,
    notch_mm: f64,
) -> Option<(f64, usize, Option<Corner>)> {
    let n = ring.len();
    let [a, b, c, d] = [(i + n - 1) % n, i, (i + 1) % n, (i + 2) % n].map(|k| ring[k]);
    let bend = turn(a.at, b.at, c.at);
    if bend <= 0.0 {
        // Everything between a and c must be near the new edge.
        let far = between(original, a.to, c.from).any(|p| distance(p, a.at, c.at) > notch_mm);
        return (!far).then_some((-bend, i, None));
    }
    if turn(b.at, c.at, d.at) <= 0.0 {
        return None;
    }
    // a→b and d→c extended meet at b + t(b − a), if the two turns sum to less than half a turn.
    let (u, v) = (minus(b.at, a.at), minus(c.at, d.at));
    let cross = u[0] * v[1] - u[1] * v[0];
    if cross >= 0.0 {
        return None;
    }
    let w = minus(c.at, b.at);
    let t = (w[0] * v[1] - w[1] * v[0]) / cross;
    let at = [b.at[0] + t * u[0], b.at[1] + t * u[1]];
    // The new corner is the farthest point: it must be near what it stands for.
    let mut chain = between(original, b.from, c.to);
    let mut last = chain.next()?;
    let mut near = f64::INFINITY;
    for p in chain {
        near = near.min(distance(at, last, p));
        last = p;
    }
    (t >= 0.0 && near <= stand_off_mm)
        .then(|| (turn(b.at, at, c.at).abs(), i, Some(Corner { at, from: b.from, to: c.to })))
}

/// Corners `from..=to` of a ring, going round its end.
fn between(ring: &[Point2], from: usize, to: usize) -> impl Iterator<Item = Point2> + '_ {
    let n = ring.len();
    (0..=(to + n - from) % n).map(move |k| ring[(from + k) % n])
}

fn minus(p: Point2, q: Point2) -> Point2 {
    [p[0] - q[0], p[1] - q[1]]
}

/// The convex hull of everything that casts a shadow, mm: the box around it at any turn is the
/// part's own.
pub(super) fn extent(surfaces: &[Surface<'_>]) -> Vec<Point2> {
    let flat = surfaces.iter().filter(|s| s.fill != Fill::Cavity).flat_map(|s| {
        s.mesh.vertices().iter().map(|v| {
            let p = s.pose * v;
            [p.x, p.y]
        })
    });
    convex_hull(flat.collect())
}

/// What the packer keeps apart: the outer rings of a shadow, loosened and filled, and how far they
/// may lie inside the true ones, mm. Where the shadow is convex its hull is, and it is exact.
pub(super) fn packing_rings(
    shadow: &[Vec<Vec<Point2>>],
    hull: &[Point2],
) -> (Vec<Vec<Point2>>, f64) {
    if let [only] = shadow {
        let missing = signed_area_mm2(hull) - signed_area_mm2(&only[0]);
        if missing <= 2.0 * SNAP_MM * perimeter_mm(hull) {
            return (vec![loosened(hull, STAND_OFF_MM, STAND_OFF_MM)], 0.0);
        }
    }
    (loosened_rings(shadow), SNAP_MM)
}

fn loosened_rings(shadow: &[Vec<Vec<Point2>>]) -> Vec<Vec<Point2>> {
    let loosen = |notch: f64| -> Vec<Vec<Point2>> {
        shadow.iter().map(|s| loosened(&s[0], STAND_OFF_MM, notch)).collect()
    };
    let inward = |rings: &[Vec<Point2>]| -> usize {
        let of = |r: &Vec<Point2>| {
            let n = r.len();
            (0..n).filter(|&i| turn(r[i], r[(i + 1) % n], r[(i + 2) % n]) < 0.0).count()
        };
        rings.iter().map(of).sum()
    };
    let mut notch = STAND_OFF_MM;
    let mut loose = loosen(notch);
    while inward(&loose) > MOST_INWARD && notch < MOST_NOTCH_MM {
        notch = (notch * 1.5).min(MOST_NOTCH_MM);
        loose = loosen(notch);
    }
    if loose.is_empty() {
        return loose;
    }
    let filled = loose.simplify_shape(FillRule::NonZero);
    filled.into_iter().filter_map(|mut s| (!s.is_empty()).then(|| s.swap_remove(0))).collect()
}

/// Pitch at which bands of heights are drawn, mm; what is thinner may be missed.
const BAND_PITCH_MM: f64 = 0.2;

/// Outlines by bands of heights, as the layers will print them, with the shadow of the lowest
/// band grown like them by [`BAND_GROWTH_MM`]. Each band reaches down by `gap_mm`, so that what
/// passes over a neighbour keeps its distance.
pub(super) fn bands(
    surfaces: &[Surface<'_>],
    layer_mm: f64,
    band_mm: f64,
    gap_mm: f64,
    ctx: &Context,
) -> Result<(Vec<Ring>, Shadow)> {
    let grid = Grid::around(surfaces, layer_mm, BAND_PITCH_MM)?;
    let all = Scan::new(surfaces, grid).layers(&ctx.job)?;
    let per_band = ((band_mm / layer_mm).round() as usize).max(1);
    let mut rings = Vec::new();
    let mut lowest = Shadow::new();
    for (i, layers) in all.layers.chunks(per_band).enumerate() {
        ctx.checkpoint((i * per_band) as f64 / all.layers.len() as f64)?;
        let first = (i * per_band) as u32;
        let seen = Layers { grid, first, layers: layers.to_vec() }.silhouette();
        let shapes = grown_rows(&seen, &grid);
        let from = if i == 0 { f64::NEG_INFINITY } else { f64::from(first) * layer_mm - gap_mm };
        let z_mm = [from, (first as usize + layers.len()) as f64 * layer_mm];
        rings.extend(loosened_rings(&shapes).into_iter().map(|points| Ring { points, z_mm }));
        if i == 0 {
            lowest = shapes;
        }
    }
    Ok((rings, lowest))
}

/// How far outlines of bands stand off the drawn rows, mm.
pub(super) const BAND_GROWTH_MM: f64 = BAND_PITCH_MM / 2.0;

/// The spans of a layer as shapes, grown on all sides.
fn grown_rows(layer: &Layer, grid: &Grid) -> Shadow {
    let mut boxes: Vec<Vec<Point2>> = Vec::new();
    for row in layer.rows() {
        let y = grid.y0_mm + f64::from(row) * grid.pitch_mm;
        let (y0, y1) = (y - BAND_GROWTH_MM, y + grid.pitch_mm + BAND_GROWTH_MM);
        for span in layer.row(row) {
            let x = |s: u32| grid.x0_mm + f64::from(s) * grid.pitch_mm / f64::from(SUBPIXEL);
            let (x0, x1) = (x(span.x0) - BAND_GROWTH_MM, x(span.x1) + BAND_GROWTH_MM);
            boxes.push(vec![[x0, y0], [x1, y0], [x1, y1], [x0, y1]]);
        }
    }
    if boxes.is_empty() { Shadow::new() } else { boxes.simplify_shape(FillRule::NonZero) }
}

/// Least area of a filled shadow grown by `by_mm` on all sides, mm²: Steiner's formula with the
/// perimeter of the convex hull, which any connected shape reaches. What the shadow may lie
/// outside the true one is taken off.
///
/// Growing by a segment makes every line through the shape along it longer by the segment, so it
/// adds at least the segment times the shape's width across. A polygon within the disc of growth
/// is a sum of segments; their widths sum to the hull's perimeter (Cauchy 1841).
pub(super) fn grown_area_mm2(shadow: &[Vec<Vec<Point2>>], by_mm: f64) -> f64 {
    /// Segments; the polygon has twice as many sides and lacks 0.2 % of the disc's perimeter.
    const SEGMENTS: u32 = 16;
    let half = std::f64::consts::PI / f64::from(2 * SEGMENTS);
    let widest = |n: Point2| {
        let width = |ring: &Vec<Point2>| {
            let along = ring.iter().map(|p| n[0] * p[0] + n[1] * p[1]);
            let (lo, hi) =
                along.fold((f64::MAX, f64::MIN), |(lo, hi): (f64, f64), v| (lo.min(v), hi.max(v)));
            hi - lo - 2.0 * SNAP_MM
        };
        shadow.iter().map(|s| width(&s[0])).fold(0.0, f64::max)
    };
    let widths: f64 =
        (0..SEGMENTS).map(|k| widest((f64::from(2 * k) * half).sin_cos().into())).sum();
    let filled = |s: &Vec<Vec<Point2>>| signed_area_mm2(&s[0]) - SNAP_MM * perimeter_mm(&s[0]);
    let filled: f64 = shadow.iter().map(|s| filled(s).max(0.0)).sum();
    let polygon = f64::from(SEGMENTS) * by_mm * by_mm * (2.0 * half).sin();
    filled + 2.0 * by_mm * half.sin() * widths + polygon
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
        // Never more than the true area, less by what the grid may have added.
        let missing = signed_area_mm2(&base) - grown_area_mm2(&s, 0.0);
        let grid = 2.0 * SNAP_MM * perimeter_mm(&base);
        assert!((0.0..=grid).contains(&missing), "{missing} of {grid}");
    }

    /// A + P·r + πr² for a convex shape.
    #[test]
    fn a_grown_area_is_just_below_the_true_one() {
        let (w, d, r) = (20.0, 10.0, 0.5);
        let s = vec![vec![vec![[0.0, 0.0], [w, 0.0], [w, d], [0.0, d]]]];
        let steiner = w * d + 2.0 * (w + d) * r + std::f64::consts::PI * r * r;
        let grown = grown_area_mm2(&s, r);
        assert!(grown <= steiner && grown > 0.999 * steiner, "{grown} of {steiner}");
    }

    #[test]
    fn a_loosened_ring_holds_the_original() {
        for stand_off in [0.05, 0.15, 0.6, 3.0] {
            let base = cog(16);
            let loose = loosened(&base, stand_off, stand_off);
            // A rounded cog keeps its teeth only while they are larger than the stand-off.
            assert!(loose.len() <= if stand_off > 2.0 { 32 } else { base.len() });
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
