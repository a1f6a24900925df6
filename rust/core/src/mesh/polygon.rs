//! Polygons: hulls, and triangles that faces of files and holes to be filled are split into.

use super::{Point, Vector};
use manifold_rust::linalg::Vec2;

/// Convex hull, counter-clockwise, of at least one point (Andrew 1979, Inf.
/// Process. Lett. 9:216, from memory).
pub(crate) fn hull(points: &[[f64; 2]]) -> Vec<[f64; 2]> {
    let mut p = points.to_vec();
    p.sort_unstable_by(|a, b| a[0].total_cmp(&b[0]).then(a[1].total_cmp(&b[1])));
    p.dedup();
    if p.len() < 3 {
        return p;
    }
    let turn = |a: [f64; 2], b: [f64; 2], c: [f64; 2]| {
        (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])
    };
    let chain = |points: &mut dyn Iterator<Item = [f64; 2]>| {
        let mut out: Vec<[f64; 2]> = Vec::new();
        for q in points {
            while out.len() > 1 && turn(out[out.len() - 2], out[out.len() - 1], q) <= 0.0 {
                out.pop();
            }
            out.push(q);
        }
        out.pop();
        out
    };
    let mut out = chain(&mut p.iter().copied());
    out.extend(chain(&mut p.iter().rev().copied()));
    out
}

/// Triangles over the corners of a ring, turning as it does, so that they close against whatever
/// the ring belongs to. A ring that is not flat is split as it looks along its mean normal.
pub(crate) fn triangulate(ring: &[Point]) -> Vec<[usize; 3]> {
    let fan = |apex: usize| {
        let n = ring.len();
        (1..n.saturating_sub(1)).map(move |i| [apex, (apex + i) % n, (apex + i + 1) % n])
    };
    // Newell's normal: twice the area of the ring's projections.
    let normal =
        fan(0).map(|[a, b, c]| (ring[b] - ring[a]).cross(&(ring[c] - ring[a]))).sum::<Vector>();
    let faces_along =
        |[a, b, c]: [usize; 3]| (ring[b] - ring[a]).cross(&(ring[c] - ring[a])).dot(&normal) > 0.0;
    if ring.len() <= 3 || normal == Vector::zeros() {
        return fan(0).collect();
    }
    // Nearly all polygons are convex or have one corner that sees all others.
    for apex in 0..ring.len().min(4) {
        if fan(apex).all(faces_along) {
            return fan(apex).collect();
        }
    }
    let across = normal.cross(&normal.map(|c| f64::from(c.abs() == normal.amin()))).normalize();
    let up = normal.normalize().cross(&across);
    let flat = |p: &Point| {
        let d = p - ring[0];
        Vec2 { x: d.dot(&across), y: d.dot(&up) }
    };
    let polygon = vec![ring.iter().map(flat).collect()];
    let split: Vec<[usize; 3]> = manifold_rust::polygon::triangulate(&polygon, -1.0, false)
        .iter()
        .map(|t| [t.x, t.y, t.z].map(|i| i as usize))
        .collect();
    // A ring that crosses itself when seen from the front may come back short of triangles.
    if split.len() + 2 == ring.len() { split } else { fan(0).collect() }
}
