//! A fair surface over a hole (Liepa 2003, from memory): of all triangulations of its rim the one
//! that folds least and then has least area, refined to the density around the rim, then bent
//! until it runs on as the surface around it does (thin plate).

use crate::mesh::edges::Edges;
use crate::mesh::{Point, Vector};
use std::collections::HashMap;

/// Most corners of a polygon for which all triangulations are weighed; a longer rim is taken in
/// two stages, every so many corners first.
const MOST_WEIGHED: usize = 160;
/// New vertices of a filling, at most: beyond them it is refined less.
const MOST_INNER: usize = 4000;
/// Rounds of splitting, and of exchanging diagonals after each.
const ROUNDS: usize = 40;
/// Steps of the solver, and the share of the first residual at which it is done.
const STEPS: usize = 2000;
const DONE: f64 = 1e-6;

/// The rim of a hole in the direction the missing facets run.
struct Rim<'a> {
    /// Its corners.
    points: &'a [Point],
    /// Normal of the facet beyond each edge, from a corner to the next.
    beyond: &'a [Vector],
    /// For each corner its neighbours on the surface that are no corners next to it.
    around: &'a [Vec<Point>],
}

/// Triangles over the rim's corners and, numbered after them, new vertices.
pub(super) struct Filling {
    pub(super) inner: Vec<Point>,
    pub(super) triangles: Vec<[u32; 3]>,
}

/// What lies around the rims of a surface's holes.
pub(super) struct Rims {
    /// Neighbours of each vertex that lies on an open edge.
    near: HashMap<u32, Vec<u32>>,
}

impl Rims {
    pub(super) fn of(triangles: &[[u32; 3]], edges: &Edges) -> Rims {
        let open = edges.iter().filter(|e| e.sides.len() == 1);
        let mut near: HashMap<u32, Vec<u32>> =
            open.flat_map(|e| [e.low, e.high]).map(|v| (v, Vec::new())).collect();
        for t in triangles {
            for k in 0..3 {
                if let Some(list) = near.get_mut(&t[k]) {
                    list.extend([t[(k + 1) % 3], t[(k + 2) % 3]]);
                }
            }
        }
        for list in near.values_mut() {
            list.sort_unstable();
            list.dedup();
        }
        Rims { near }
    }

    /// Fills the hole inside a ring of vertices.
    pub(super) fn fill(
        &self,
        ring: &[u32],
        points: &[Point],
        vertices: &[Point],
        triangles: &[[u32; 3]],
        edges: &Edges,
    ) -> Filling {
        let n = ring.len();
        let beyond: Vec<Vector> = (0..n)
            .map(|i| {
                let facets = edges.between(ring[i], ring[(i + 1) % n]);
                let [a, b, c] = triangles[facets[0].facet()].map(|v| vertices[v as usize]);
                (b - a).cross(&(c - a)).try_normalize(0.0).unwrap_or_default()
            })
            .collect();
        let around: Vec<Vec<Point>> = (0..n)
            .map(|i| {
                let sides = [ring[(i + 1) % n], ring[(i + n - 1) % n]];
                let near = self.near.get(&ring[i]).into_iter().flatten();
                near.filter(|v| !sides.contains(v)).map(|&v| vertices[v as usize]).collect()
            })
            .collect();
        fair(&Rim { points, beyond: &beyond, around: &around })
    }
}

/// Fills a hole.
fn fair(rim: &Rim<'_>) -> Filling {
    let n = rim.points.len();
    let mut patch = Patch {
        rim: n,
        points: rim.points.to_vec(),
        scale: (0..n).map(|i| spacing(rim, i)).collect(),
        triangles: spanned(rim),
    };
    patch.refine();
    patch.smooth(rim);
    let inner = patch.points.split_off(n);
    Filling { inner, triangles: patch.triangles }
}

/// Mean length of the surface's edges at a corner of the rim, mm.
fn spacing(rim: &Rim<'_>, i: usize) -> f64 {
    let n = rim.points.len();
    let p = rim.points[i];
    let sides = [rim.points[(i + 1) % n], rim.points[(i + n - 1) % n]];
    let lengths = rim.around[i].iter().chain(&sides).map(|q| (q - p).norm());
    lengths.sum::<f64>() / (rim.around[i].len() + 2) as f64
}

/// The triangulation of the rim; a long one by a coarse polygon and one along each of its edges.
fn spanned(rim: &Rim<'_>) -> Vec<[u32; 3]> {
    let n = rim.points.len();
    let step = n.div_ceil(MOST_WEIGHED);
    let coarse: Vec<u32> = (0..n as u32).step_by(step).collect();
    let mut out = Vec::with_capacity(n);
    for (i, &from) in coarse.iter().enumerate().filter(|_| step > 1) {
        let to = coarse.get(i + 1).map_or(n as u32, |&c| c);
        let part: Vec<u32> = (from..=to).map(|v| v % n as u32).collect();
        least(rim, &part, &mut out);
    }
    least(rim, &coarse, &mut out);
    out
}

/// How much a triangulation costs: its sharpest fold, as 1 − cosine, then its area.
type Cost = (f64, f64);

/// Adds the least triangulation of a polygon of rim corners to `out`.
fn least(rim: &Rim<'_>, polygon: &[u32], out: &mut Vec<[u32; 3]>) {
    let m = polygon.len();
    if m < 3 {
        return;
    }
    let at = |i: usize| rim.points[polygon[i] as usize];
    let slot = |i: usize, k: usize| i * m + k;
    let mut cost: Vec<Cost> = vec![(0.0, 0.0); m * m];
    let mut apex = vec![0u32; m * m];
    // What lies beyond the side from i to k: the filling's own facet, or the surface's.
    let across = |i: usize, k: usize, apex: &[u32]| -> Option<Vector> {
        if k == i + 1 {
            let next = (polygon[i] as usize + 1) % rim.points.len() == polygon[k] as usize;
            return next.then(|| rim.beyond[polygon[i] as usize]);
        }
        let a = apex[slot(i, k)] as usize;
        (at(a) - at(i)).cross(&(at(k) - at(i))).try_normalize(0.0)
    };
    for width in 2..m {
        for i in 0..m - width {
            let k = i + width;
            let mut best = (f64::INFINITY, f64::INFINITY);
            for j in i + 1..k {
                let normal = (at(j) - at(i)).cross(&(at(k) - at(i)));
                let length = normal.norm();
                let unit = normal.try_normalize(0.0);
                let closing = (width == m - 1).then(|| across_last(rim, polygon));
                let sides = [across(i, j, &apex), across(j, k, &apex), closing.flatten()];
                let fold = sides.into_iter().flatten().fold(0.0_f64, |fold, other| {
                    // A facet without area folds as sharply as can be.
                    fold.max(unit.map_or(2.0, |u| 1.0 - u.dot(&other)))
                });
                let (left, right) = (cost[slot(i, j)], cost[slot(j, k)]);
                let this = (fold.max(left.0).max(right.0), length / 2.0 + left.1 + right.1);
                if this < best {
                    best = this;
                    apex[slot(i, k)] = j as u32;
                }
            }
            cost[slot(i, k)] = best;
        }
    }
    let mut open = vec![(0, m - 1)];
    while let Some((i, k)) = open.pop() {
        if k - i >= 2 {
            let j = apex[slot(i, k)] as usize;
            out.push([polygon[i], polygon[j], polygon[k]]);
            open.extend([(i, j), (j, k)]);
        }
    }
}

/// Normal of the surface beyond the side from a polygon's last corner to its first, if that is an
/// edge of the rim.
fn across_last(rim: &Rim<'_>, polygon: &[u32]) -> Option<Vector> {
    let (last, first) = (polygon[polygon.len() - 1] as usize, polygon[0] as usize);
    ((last + 1) % rim.points.len() == first).then(|| rim.beyond[last])
}

/// The edges of a triangle in its own direction.
fn runs(t: &[u32; 3]) -> [[u32; 2]; 3] {
    [0, 1, 2].map(|k| [t[k], t[(k + 1) % 3]])
}

struct Patch {
    /// Corners of the rim come first.
    rim: usize,
    points: Vec<Point>,
    /// Length of edges wanted around each vertex, mm.
    scale: Vec<f64>,
    triangles: Vec<[u32; 3]>,
}

impl Patch {
    /// Splits triangles at their middles while they are larger than the surface's around the rim.
    fn refine(&mut self) {
        for _ in 0..ROUNDS {
            let mut split = 0;
            for t in 0..self.triangles.len() {
                if self.points.len() - self.rim >= MOST_INNER {
                    break;
                }
                let corners @ [a, b, c] = self.triangles[t];
                let sum: Vector = corners.iter().map(|&v| self.points[v as usize].coords).sum();
                let middle = Point::from(sum / 3.0);
                let scale = corners.iter().map(|&v| self.scale[v as usize]).sum::<f64>() / 3.0;
                let large = |&v: &u32| {
                    let away = std::f64::consts::SQRT_2 * (middle - self.points[v as usize]).norm();
                    away > scale && away > self.scale[v as usize]
                };
                if !corners.iter().all(large) {
                    continue;
                }
                let new = self.points.len() as u32;
                self.points.push(middle);
                self.scale.push(scale);
                self.triangles[t] = [a, b, new];
                self.triangles.extend([[b, c, new], [c, a, new]]);
                split += 1;
            }
            self.relax();
            if split == 0 {
                return;
            }
        }
    }

    /// Exchanges diagonals until opposite angles sum to no more than 180°.
    fn relax(&mut self) {
        let mut owner: HashMap<[u32; 2], u32> = HashMap::new();
        for (f, t) in (0..).zip(&self.triangles) {
            owner.extend(runs(t).map(|run| (run, f)));
        }
        for _ in 0..ROUNDS {
            let mut exchanged = false;
            for f in 0..self.triangles.len() {
                for k in 0..3 {
                    let t = self.triangles[f];
                    let (a, b, c) = (t[k], t[(k + 1) % 3], t[(k + 2) % 3]);
                    let Some(&g) = owner.get(&[b, a]).filter(|_| a < b) else { continue };
                    let other = self.triangles[g as usize];
                    let Some(d) = other.into_iter().find(|&v| v != a && v != b) else { continue };
                    let known = owner.contains_key(&[c, d]) || owner.contains_key(&[d, c]);
                    if known || self.angle(c, a, b) + self.angle(d, a, b) <= ANGLES {
                        continue;
                    }
                    self.triangles[f] = [c, a, d];
                    self.triangles[g as usize] = [d, b, c];
                    owner.remove(&[a, b]);
                    owner.remove(&[b, a]);
                    for f in [f as u32, g] {
                        let t = self.triangles[f as usize];
                        owner.extend(runs(&t).map(|run| (run, f)));
                    }
                    exchanged = true;
                }
            }
            if !exchanged {
                return;
            }
        }
    }

    fn angle(&self, at: u32, a: u32, b: u32) -> f64 {
        let [p, a, b] = [at, a, b].map(|v| self.points[v as usize]);
        (a - p).angle(&(b - p))
    }

    /// Moves the inner vertices to where the sum of squares of all umbrella vectors, those of the
    /// rim with the surface beyond it included, is least: conjugate gradients on the normal
    /// equations.
    fn smooth(&mut self, rim: &Rim<'_>) {
        let (n, all) = (self.rim, self.points.len());
        if all == n {
            return;
        }
        let mut near: Vec<Vec<u32>> = vec![Vec::new(); all];
        for t in &self.triangles {
            for k in 0..3 {
                let (a, b) = (t[k], t[(k + 1) % 3]);
                for (a, b) in [(a, b), (b, a)] {
                    if !near[a as usize].contains(&b) {
                        near[a as usize].push(b);
                    }
                }
            }
        }
        let outer = |v: usize| rim.around.get(v).map_or(&[][..], Vec::as_slice);
        let share: Vec<f64> =
            (0..all).map(|v| 1.0 / (near[v].len() + outer(v).len()) as f64).collect();
        // Umbrella vectors of a field over all vertices.
        let umbrella = |x: &[Vector]| -> Vec<Vector> {
            let sum = |v: usize| near[v].iter().map(|&w| x[w as usize]).sum::<Vector>();
            (0..all).map(|v| x[v] - sum(v) * share[v]).collect()
        };
        let back = |y: &[Vector]| -> Vec<Vector> {
            let sum = |v: usize| {
                near[v].iter().map(|&w| y[w as usize] * share[w as usize]).sum::<Vector>()
            };
            (0..all).map(|v| if v < n { Vector::zeros() } else { y[v] - sum(v) }).collect()
        };
        let dot = |a: &[Vector], b: &[Vector]| a.iter().zip(b).map(|(a, b)| a.dot(b)).sum::<f64>();
        let place: Vec<Vector> = self.points.iter().map(|p| p.coords).collect();
        let mut now = umbrella(&place);
        for (v, now) in now.iter_mut().enumerate().take(n) {
            *now -= outer(v).iter().map(|p| p.coords).sum::<Vector>() * share[v];
        }
        let mut residual: Vec<Vector> = back(&now).into_iter().map(|r| -r).collect();
        let mut way = residual.clone();
        let mut x = place;
        let mut left = dot(&residual, &residual);
        let enough = left * DONE * DONE;
        for _ in 0..STEPS {
            if left <= enough {
                break;
            }
            let image = umbrella(&way);
            let step = left / dot(&image, &image);
            let pulled = back(&image);
            for v in n..all {
                x[v] += way[v] * step;
                residual[v] -= pulled[v] * step;
            }
            let next = dot(&residual, &residual);
            for v in n..all {
                way[v] = residual[v] + way[v] * (next / left);
            }
            left = next;
        }
        for (point, x) in self.points.iter_mut().zip(x) {
            *point = x.into();
        }
    }
}

/// Sum of opposite angles beyond which a diagonal is exchanged; a hair more than 180°, so that
/// four points on a circle do not go round for ever.
const ANGLES: f64 = std::f64::consts::PI + 1e-9;
