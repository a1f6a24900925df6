//! Outlines and slabs that bases are made of.

use crate::mesh::{Mesh, Point};
use manifold_rust::linalg::Vec2;
use manifold_rust::polygon::triangulate;
use std::f64::consts::TAU;

/// Corners that make a full circle; the base's discs and rounded corners.
const ARC: usize = 20;

/// The corners of a convex outline grown by `r` with round corners. Their number does not depend
/// on `r`, so that outlines of two sizes make a slab.
fn rounded(hull: &[[f64; 2]], r: f64) -> Vec<[f64; 2]> {
    let n = hull.len();
    let mut out = Vec::with_capacity(n + ARC);
    let outward = |i: usize| {
        let (a, b) = (hull[i % n], hull[(i + 1) % n]);
        (a[0] - b[0]).atan2(b[1] - a[1]) // the edge's direction turned by −90°
    };
    for (i, c) in hull.iter().enumerate() {
        let (from, sweep) = if n == 1 {
            (0.0, TAU * (1.0 - 1.0 / ARC as f64))
        } else {
            let from = outward(i + n - 1);
            (from, (outward(i) - from).rem_euclid(TAU))
        };
        let steps = (sweep / (TAU / ARC as f64)).ceil().max(1.0);
        for s in 0..=steps as usize {
            let (sin, cos) = (from + sweep * s as f64 / steps).sin_cos();
            out.push([c[0] + r * cos, c[1] + r * sin]);
        }
    }
    out
}

/// A slab from the plate to `top_mm` over a convex outline grown by `below` at the plate and by
/// `above` at the top, with round openings of a radius.
pub(super) fn slab(
    hull: &[[f64; 2]],
    below: f64,
    above: f64,
    top_mm: f64,
    openings: &[[f64; 2]],
    radius_mm: f64,
) -> Mesh {
    let opening = |c: &[f64; 2]| -> Vec<[f64; 2]> {
        let at = |i: usize| (-TAU * i as f64 / ARC as f64).sin_cos();
        let corner = |(sin, cos): (f64, f64)| [c[0] + radius_mm * cos, c[1] + radius_mm * sin];
        (0..ARC).map(|i| corner(at(i))).collect()
    };
    let rings = |outline| -> Vec<Vec<[f64; 2]>> {
        std::iter::once(outline).chain(openings.iter().map(opening)).collect()
    };
    let (low, high) = (rings(rounded(hull, below)), rings(rounded(hull, above)));
    let level = |rings: &[Vec<[f64; 2]>], z: f64| -> Vec<Point> {
        rings.iter().flatten().map(|p| Point::new(p[0], p[1], z)).collect()
    };
    let vertices = [level(&low, 0.0), level(&high, top_mm)].concat();
    let n = vertices.len() as u32 / 2;
    let mut triangles: Vec<[u32; 3]> = cap(&low).into_iter().map(|[a, b, c]| [a, c, b]).collect();
    triangles.extend(cap(&high).into_iter().map(|t| t.map(|i| n + i)));
    let mut first = 0;
    for ring in &low {
        let len = ring.len() as u32;
        for i in 0..len {
            let (a, b) = (first + i, first + (i + 1) % len);
            triangles.push([a, b, n + b]);
            triangles.push([a, n + b, n + a]);
        }
        first += len;
    }
    Mesh::new("raft", vertices, triangles).expect("an outline of finite points")
}

/// Triangles over an outline and its openings.
fn cap(rings: &[Vec<[f64; 2]>]) -> Vec<[u32; 3]> {
    if let [outline] = rings {
        // It is convex.
        return (1..outline.len() as u32 - 1).map(|i| [0, i, i + 1]).collect();
    }
    let flat = |r: &Vec<[f64; 2]>| r.iter().map(|p| Vec2 { x: p[0], y: p[1] }).collect();
    let rings: Vec<Vec<Vec2>> = rings.iter().map(flat).collect();
    triangulate(&rings, -1.0, true).iter().map(|t| [t.x, t.y, t.z].map(|i| i as u32)).collect()
}

/// Centres of openings in a solid base over a convex outline: a web apart in rows like a honeycomb, a web
/// from its rim at the plate, and off every foot.
pub(super) fn openings(
    hull: &[[f64; 2]],
    feet: &[[f64; 2]],
    margin_mm: f64,
    radius_mm: f64,
) -> Vec<[f64; 2]> {
    let web = WEB_MM.max(0.5 * radius_mm);
    let pitch = 2.0 * radius_mm + web;
    let row_mm = pitch * 0.75_f64.sqrt();
    let range = |k: usize| {
        let of = hull.iter().map(|p| p[k]);
        (of.clone().fold(f64::INFINITY, f64::min), of.fold(f64::NEG_INFINITY, f64::max))
    };
    let ((x0, x1), (y0, y1)) = (range(0), range(1));
    let far = |p: &[f64; 2], q: &[f64; 2]| (p[0] - q[0]).hypot(p[1] - q[1]);
    let fits = |c: &[f64; 2]| {
        depth(hull, c) + margin_mm >= radius_mm + web
            && feet.iter().all(|f| far(f, c) >= radius_mm + FOOT_MM)
    };
    let mut out = Vec::new();
    let rows = ((y1 - y0 + 2.0 * margin_mm) / row_mm) as u32;
    for j in 0..=rows {
        let y = y0 - margin_mm + f64::from(j) * row_mm;
        let x = x0 - margin_mm + if j % 2 == 0 { 0.0 } else { 0.5 * pitch };
        let columns = ((x1 - x0 + 2.0 * margin_mm) / pitch) as u32;
        out.extend((0..=columns).map(|i| [x + f64::from(i) * pitch, y]).filter(|c| fits(c)));
    }
    out
}

/// Least solid between two openings, mm.
const WEB_MM: f64 = 1.0;
/// Solid that a foot needs around its middle, mm: it is twice as wide as its column.
const FOOT_MM: f64 = 1.5;

/// How far a point lies inside a convex outline, mm; negative outside.
fn depth(hull: &[[f64; 2]], p: &[f64; 2]) -> f64 {
    let n = hull.len();
    if n < 3 {
        let off = |a: &[f64; 2]| -(p[0] - a[0]).hypot(p[1] - a[1]);
        return hull.iter().map(off).fold(f64::NEG_INFINITY, f64::max);
    }
    let inside = |i: usize| {
        let (a, b) = (hull[i], hull[(i + 1) % n]);
        let (u, v) = ([b[0] - a[0], b[1] - a[1]], [p[0] - a[0], p[1] - a[1]]);
        (u[0] * v[1] - u[1] * v[0]) / u[0].hypot(u[1]).max(1e-12)
    };
    (0..n).map(inside).fold(f64::INFINITY, f64::min)
}

/// The shortest ribs that join all points: a minimum spanning tree (Prim).
pub(super) fn ribs(points: &[[f64; 2]]) -> impl Iterator<Item = [[f64; 2]; 2]> {
    let far = |a: [f64; 2], b: [f64; 2]| (a[0] - b[0]).hypot(a[1] - b[1]);
    let mut out = Vec::new();
    let mut open: Vec<(f64, usize)> = points.iter().map(|&p| (far(points[0], p), 0)).collect();
    let mut left: Vec<usize> = (1..points.len()).collect();
    while !left.is_empty() {
        let nearest = (0..left.len())
            .min_by(|&a, &b| open[left[a]].0.total_cmp(&open[left[b]].0))
            .expect("one is left");
        let i = left.swap_remove(nearest);
        out.push([points[open[i].1], points[i]]);
        for &j in &left {
            let d = far(points[i], points[j]);
            if d < open[j].0 {
                open[j] = (d, i);
            }
        }
    }
    out.into_iter()
}
