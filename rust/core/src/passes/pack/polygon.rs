//! Plane polygons as the packer needs them: convex pieces, whose no-fit regions are again convex
//! and need no boolean operation.

/// A point in the plate's plane, mm.
pub type Point2 = [f64; 2];

/// z-component of (b − a) × (c − b): positive for a left turn.
pub(super) fn turn(a: Point2, b: Point2, c: Point2) -> f64 {
    (b[0] - a[0]) * (c[1] - b[1]) - (b[1] - a[1]) * (c[0] - b[0])
}

pub(super) fn cross(a: Point2, b: Point2) -> f64 {
    a[0] * b[1] - a[1] * b[0]
}

pub(super) fn dot(a: Point2, b: Point2) -> f64 {
    a[0] * b[0] + a[1] * b[1]
}

/// Distance from a point to a segment.
pub(super) fn distance(p: Point2, a: Point2, b: Point2) -> f64 {
    let (u, w) = ([b[0] - a[0], b[1] - a[1]], [p[0] - a[0], p[1] - a[1]]);
    let len2 = u[0] * u[0] + u[1] * u[1];
    let t = if len2 > 0.0 { ((w[0] * u[0] + w[1] * u[1]) / len2).clamp(0.0, 1.0) } else { 0.0 };
    (w[0] - t * u[0]).hypot(w[1] - t * u[1])
}

/// Area of a ring by the shoelace formula, positive when counter-clockwise, mm².
pub fn signed_area_mm2(ring: &[Point2]) -> f64 {
    let n = ring.len();
    (0..n)
        .map(|i| {
            let (a, b) = (ring[i], ring[(i + 1) % n]);
            a[0] * b[1] - b[0] * a[1]
        })
        .sum::<f64>()
        / 2.0
}

/// Length of a ring, mm.
pub(super) fn perimeter_mm(ring: &[Point2]) -> f64 {
    let n = ring.len();
    let side =
        |i: usize| (ring[(i + 1) % n][0] - ring[i][0]).hypot(ring[(i + 1) % n][1] - ring[i][1]);
    (0..n).map(side).sum()
}

/// Corners of the convex hull, counter-clockwise (Andrew 1979).
pub(super) fn convex_hull(mut points: Vec<Point2>) -> Vec<Point2> {
    let before = |a: &Point2, b: &Point2| a[0].total_cmp(&b[0]).then(a[1].total_cmp(&b[1]));
    points.sort_unstable_by(before);
    points.dedup();
    if points.len() < 3 {
        return points;
    }
    let mut hull: Vec<Point2> = Vec::new();
    let back: Vec<Point2> = points.iter().rev().copied().collect();
    for chain in [&points, &back] {
        let from = hull.len();
        for &p in chain {
            while hull.len() >= from + 2
                && turn(hull[hull.len() - 2], hull[hull.len() - 1], p) <= 0.0
            {
                hull.pop();
            }
            hull.push(p);
        }
        hull.pop();
    }
    hull
}

/// Box around points: `[min_x, min_y, max_x, max_y]`.
pub(super) fn bounds<'a>(points: impl IntoIterator<Item = &'a Point2>) -> [f64; 4] {
    let empty = [f64::INFINITY, f64::INFINITY, f64::NEG_INFINITY, f64::NEG_INFINITY];
    points
        .into_iter()
        .fold(empty, |b, p| [b[0].min(p[0]), b[1].min(p[1]), b[2].max(p[0]), b[3].max(p[1])])
}

/// The ring counter-clockwise, without repeated and straight-through vertices.
pub(super) fn tidy(ring: &[Point2]) -> Vec<Point2> {
    let b = bounds(ring);
    let size = (b[2] - b[0]).max(b[3] - b[1]).max(0.0);
    let mut out: Vec<Point2> = ring.to_vec();
    if signed_area_mm2(&out) < 0.0 {
        out.reverse();
    }
    let mut i = 0;
    let mut kept = 0; // vertices in a row that stayed
    while out.len() > 3 && kept < out.len() {
        let n = out.len();
        i %= n;
        let (a, b, c) = (out[(i + n - 1) % n], out[i], out[(i + 1) % n]);
        // Twice the triangle's area over the scale: how far b is off the line, about.
        if turn(a, b, c).abs() <= 1e-12 * size * size {
            out.remove(i);
            i = (i + out.len()).saturating_sub(1);
            kept = 0;
        } else {
            i += 1;
            kept += 1;
        }
    }
    out
}

/// Splits a simple counter-clockwise ring into convex rings: ears are clipped, then pieces that
/// share an edge are joined while they stay convex (Hertel & Mehlhorn 1983: at most four times
/// the least number of pieces). A ring that crosses itself gives pieces that may overlap, yet
/// never lose area that an ear covers.
pub(super) fn convex_pieces(ring: &[Point2]) -> Vec<Vec<Point2>> {
    let mut pieces: Vec<Vec<usize>> = triangles(ring);
    // Join the pair whose union is largest first: few, fat pieces make the search quick.
    loop {
        let mut best: Option<(f64, usize, usize, Vec<usize>)> = None;
        for i in 0..pieces.len() {
            for j in i + 1..pieces.len() {
                if let Some(joined) = join(ring, &pieces[i], &pieces[j]) {
                    let points: Vec<Point2> = joined.iter().map(|&v| ring[v]).collect();
                    let area = signed_area_mm2(&points);
                    if best.as_ref().is_none_or(|b| area > b.0) {
                        best = Some((area, i, j, joined));
                    }
                }
            }
        }
        let Some((_, i, j, joined)) = best else { break };
        pieces.swap_remove(j);
        pieces[i] = joined;
    }
    pieces.iter().map(|p| tidy(&p.iter().map(|&v| ring[v]).collect::<Vec<_>>())).collect()
}

/// Corners of the sum of a convex ring and the mirror image of another, each with the outward
/// normal of the wall behind it. As the normal turns once, its corner steps on to the next of one
/// of the rings, whichever wall comes first; walls along one another are one wall.
pub(super) fn mirrored_sum(p: &[Point2], q: &[Point2]) -> Vec<(Point2, Point2)> {
    let edges = |ring: &[Point2], sign: f64| -> Vec<(Point2, Point2)> {
        let n = ring.len();
        let low = |i: &usize| [sign * ring[*i][1], sign * ring[*i][0]];
        let first = (0..n)
            .min_by(|i, j| {
                let (a, b) = (low(i), low(j));
                a[0].total_cmp(&b[0]).then(a[1].total_cmp(&b[1]))
            })
            .unwrap_or(0);
        (0..n)
            .map(|k| {
                let (a, b) = (ring[(first + k) % n], ring[(first + k + 1) % n]);
                let length = sign * (b[0] - a[0]).hypot(b[1] - a[1]);
                (a, [(b[1] - a[1]) / length, (a[0] - b[0]) / length])
            })
            .collect()
    };
    let (p, q) = (edges(p, 1.0), edges(q, -1.0));
    let (mut i, mut j) = (0, 0);
    let mut out = Vec::with_capacity(p.len() + q.len());
    while i < p.len() || j < q.len() {
        let ((a, m), (b, n)) = (p[i % p.len()], q[j % q.len()]);
        let turn = if i == p.len() {
            -1.0
        } else if j == q.len() {
            1.0
        } else {
            cross(m, n)
        };
        out.push(([a[0] - b[0], a[1] - b[1]], if turn > -PARALLEL { m } else { n }));
        i += usize::from(turn > -PARALLEL);
        j += usize::from(turn < PARALLEL);
    }
    out
}

/// Sine below which two walls count as parallel.
const PARALLEL: f64 = 1e-9;

/// Ear clipping; indices into the ring.
fn triangles(ring: &[Point2]) -> Vec<Vec<usize>> {
    let mut left: Vec<usize> = (0..ring.len()).collect();
    let mut out = Vec::with_capacity(ring.len().saturating_sub(2));
    while left.len() > 3 {
        let n = left.len();
        let corner = |i: usize| {
            let at = |k: usize| left[(i + k) % n];
            (at(n - 1), at(0), at(1))
        };
        let is_ear = |i: usize| {
            let (a, b, c) = corner(i);
            let (pa, pb, pc) = (ring[a], ring[b], ring[c]);
            turn(pa, pb, pc) > 0.0
                && left.iter().all(|&v| {
                    let p = ring[v];
                    [pa, pb, pc].contains(&p)
                        || turn(pa, pb, p) < 0.0
                        || turn(pb, pc, p) < 0.0
                        || turn(pc, pa, p) < 0.0
                })
        };
        // The ear with the shortest new edge keeps triangles fat. A ring that crosses itself may
        // have none: then the sharpest left turn is cut, so that the loop ends.
        let length = |i: usize| {
            let (a, _, c) = corner(i);
            (ring[a][0] - ring[c][0]).hypot(ring[a][1] - ring[c][1])
        };
        let ear = (0..n).filter(|&i| is_ear(i)).min_by(|&i, &j| length(i).total_cmp(&length(j)));
        let i = ear.unwrap_or_else(|| {
            let bend = |i: usize| {
                let (a, b, c) = corner(i);
                turn(ring[a], ring[b], ring[c])
            };
            (0..n).max_by(|&i, &j| bend(i).total_cmp(&bend(j))).unwrap_or(0)
        });
        let (a, b, c) = corner(i);
        if turn(ring[a], ring[b], ring[c]) > 0.0 {
            out.push(vec![a, b, c]);
        }
        left.remove(i);
    }
    if left.len() == 3 && turn(ring[left[0]], ring[left[1]], ring[left[2]]) > 0.0 {
        out.push(left);
    }
    out
}

/// The union of two pieces along their common edge when it is convex.
fn join(ring: &[Point2], p: &[usize], q: &[usize]) -> Option<Vec<usize>> {
    let (n, m) = (p.len(), q.len());
    for i in 0..n {
        let (a, b) = (p[i], p[(i + 1) % n]);
        let Some(j) = (0..m).find(|&j| q[j] == b && q[(j + 1) % m] == a) else { continue };
        // p from b round to a, then q from after a round to before b.
        let mut out: Vec<usize> = (0..n).map(|k| p[(i + 1 + k) % n]).collect();
        out.extend((0..m - 2).map(|k| q[(j + 2 + k) % m]));
        let len = out.len();
        let convex = (0..len).all(|k| {
            let (a, b, c) = (ring[out[k]], ring[out[(k + 1) % len]], ring[out[(k + 2) % len]]);
            let scale = (b[0] - a[0]).hypot(b[1] - a[1]) * (c[0] - b[0]).hypot(c[1] - b[1]);
            turn(a, b, c) >= -1e-12 * scale
        });
        return convex.then_some(out);
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pieces_are_convex_and_cover_the_ring() {
        let star: Vec<Point2> = (0..10)
            .map(|i| {
                let (r, a) = (
                    if i % 2 == 0 { 10.0 } else { 4.0 },
                    f64::from(i) * 0.2 * std::f64::consts::PI,
                );
                [r * a.cos(), r * a.sin()]
            })
            .collect();
        let pieces = convex_pieces(&star);
        let sum: f64 = pieces.iter().map(|p| signed_area_mm2(p)).sum();
        assert!((sum - signed_area_mm2(&star)).abs() < 1e-9);
        assert!(pieces.len() <= 8, "{} pieces", pieces.len());
        for p in &pieces {
            let n = p.len();
            assert!((0..n).all(|i| turn(p[i], p[(i + 1) % n], p[(i + 2) % n]) > 0.0));
        }
    }

    /// By definition a wall of the sum supports both rings.
    #[test]
    fn walls_of_a_sum_support_it() {
        let ring = |n: u32, turn: f64| -> Vec<Point2> {
            let corner = |k| {
                let a = turn + f64::from(k) * std::f64::consts::TAU / f64::from(n);
                [3.0 * a.cos(), 2.0 * a.sin()]
            };
            (0..n).map(corner).collect()
        };
        for (p, q) in [(ring(3, 0.0), ring(5, 1.0)), (ring(4, 0.0), ring(4, 0.0))] {
            let sum = mirrored_sum(&p, &q);
            let far = |ring: &[Point2], n: Point2| {
                ring.iter().map(|&v| dot(v, n)).fold(f64::NEG_INFINITY, f64::max)
            };
            for (k, (at, n)) in sum.iter().enumerate() {
                let c = far(&p, *n) + far(&q, [-n[0], -n[1]]);
                assert!((dot(*at, *n) - c).abs() < 1e-12);
                assert!((dot(sum[(k + 1) % sum.len()].0, *n) - c).abs() < 1e-12);
            }
        }
        // A ring and its mirror image have parallel walls.
        assert_eq!(mirrored_sum(&ring(4, 0.0), &ring(4, 0.0)).len(), 4);
    }

    #[test]
    fn tidy_drops_straight_through_vertices() {
        let ring = [[0.0, 0.0], [0.0, 2.0], [1.0, 2.0], [2.0, 2.0], [2.0, 0.0], [1.0, 0.0]];
        assert_eq!(tidy(&ring).len(), 4);
        assert!((signed_area_mm2(&tidy(&ring)) - 4.0).abs() < 1e-12);
    }
}
