//! What an axis-parallel line crosses, and the winding number that follows.
//!
//! Each crossing is met exactly once: whether a line passes left or right of an edge is computed
//! exactly (Shewchuk 1997, Discrete Comput. Geom. 18:305, from memory) and from the edge in one
//! fixed order; a line through an edge or a corner is taken as moved aside by a symbolic amount
//! (Edelsbrunner & Mücke 1990, from memory).

use super::{BoxGroup, Tree, WIDTH};
use crate::mesh::Point;
use robust::{Coord, orient2d};
use std::cmp::Ordering;

/// A triangle that a line passes through.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Crossing {
    /// Where along the axis, mm.
    pub at_mm: f64,
    /// +1 where the line enters through an outer side, −1 where it leaves.
    pub step: i32,
    /// The triangle, as counted in the input.
    pub triangle: u32,
}

impl Tree {
    /// Everything that the line through `p` along `axis` (0, 1, 2) crosses, sorted along it.
    pub fn crossings(&self, axis: usize, p: &Point) -> Vec<Crossing> {
        let mut out = Vec::new();
        self.cross(axis, p, |c| out.push(c));
        let order = |a: &Crossing, b: &Crossing| {
            a.at_mm.total_cmp(&b.at_mm).then(a.triangle.cmp(&b.triangle))
        };
        out.sort_unstable_by(order);
        out
    }

    /// How often closed surfaces wind around a point: 0 outside, 1 inside one shell, more where
    /// shells overlap.
    pub fn winding(&self, p: &Point) -> i32 {
        let mut sum = 0;
        self.cross(0, p, |c| sum += if c.at_mm < p.x { c.step } else { 0 });
        sum
    }

    pub(super) fn cross(&self, axis: usize, p: &Point, mut meet: impl FnMut(Crossing)) {
        if self.is_empty() {
            return;
        }
        let (u, v) = ((axis + 1) % 3, (axis + 2) % 3);
        let local = self.local(p);
        let mut stack = vec![(self.top(), 0usize)];
        while let Some((level, group)) = stack.pop() {
            let mut hits = hit(&self.levels[level][group], u, v, local[u], local[v]);
            while hits != 0 {
                let child = WIDTH * group + hits.trailing_zeros() as usize;
                hits &= hits - 1;
                if level > 0 {
                    stack.push((level - 1, child));
                } else if let Some((at_mm, step)) = crossing(&self.triangles[child], axis, p) {
                    meet(Crossing { at_mm, step, triangle: self.source[child] });
                }
            }
        }
    }
}

/// One bit for each box of the group that the line meets.
fn hit(group: &BoxGroup, u: usize, v: usize, pu: f32, pv: f32) -> u32 {
    let mut bits = 0;
    for lane in 0..WIDTH {
        let inside = (group.min[u][lane] <= pu)
            & (pu <= group.max[u][lane])
            & (group.min[v][lane] <= pv)
            & (pv <= group.max[v][lane]);
        bits |= u32::from(inside) << lane;
    }
    bits
}

/// Where and in which sense the line through `p` along an axis passes through a triangle.
pub(crate) fn crossing(t: &[Point; 3], axis: usize, p: &Point) -> Option<(f64, i32)> {
    let (u, v) = ((axis + 1) % 3, (axis + 2) % 3);
    let flat = t.map(|c| [c[u], c[v]]);
    let q = [p[u], p[v]];
    let left = left_of(flat[0], flat[1], q);
    if left != left_of(flat[1], flat[2], q) || left != left_of(flat[2], flat[0], q) {
        return None;
    }
    let n = (t[1] - t[0]).cross(&(t[2] - t[0]));
    let d = p - t[0];
    let (low, high) =
        (t[0][axis].min(t[1][axis]).min(t[2][axis]), t[0][axis].max(t[1][axis]).max(t[2][axis]));
    let at = t[0][axis] - (n[u] * d[u] + n[v] * d[v]) / n[axis];
    let at = if at.is_nan() { low } else { at.clamp(low, high) };
    Some((at, if left { -1 } else { 1 }))
}

/// Whether a point lies left of the edge from a to b; exact, so that lines along edges and planes
/// are told apart too.
fn left_of(a: [f64; 2], b: [f64; 2], q: [f64; 2]) -> bool {
    let forward = a[0].total_cmp(&b[0]).then(a[1].total_cmp(&b[1])) == Ordering::Less;
    let (low, high) = if forward { (a, b) } else { (b, a) };
    let [l, h, p] = [low, high, q].map(|[x, y]| Coord { x, y });
    let side = orient2d(l, h, p);
    // On the edge: as if the point were moved up by far more than it is moved right.
    let left = if side == 0.0 { high[0] > low[0] } else { side > 0.0 };
    left == forward
}
