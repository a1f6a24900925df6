//! Triangles that meet without being neighbours.

use super::{BoxGroup, Tree, WIDTH};
use crate::mesh::{Point, Vector};
use rayon::prelude::*;

/// How two triangles meet.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Meeting {
    /// They touch at most.
    Touch,
    /// They pass through each other, or lie in one plane and share area.
    Overlap,
}

/// Depths below this are no overlap and gaps below it are touch, mm: a thousandth of the finest
/// pixel.
const TOUCH_MM: f64 = 1e-5;

impl Tree {
    /// All pairs of triangles that meet, by their place in the input, lower one first, sorted;
    /// `neighbours(i, j)` leaves out pairs that share corners.
    pub(crate) fn meetings(
        &self,
        neighbours: impl Fn(u32, u32) -> bool + Sync,
    ) -> Vec<(u32, u32, Meeting)> {
        let mut pairs: Vec<(u32, u32, Meeting)> = (0..self.levels[0].len())
            .into_par_iter()
            .flat_map_iter(|g| {
                let mut found = Vec::new();
                self.meet_group(g, &neighbours, &mut found);
                found
            })
            .collect();
        pairs.par_sort_unstable();
        pairs
    }

    /// Pairs of the triangles of one group with themselves and later groups.
    fn meet_group(
        &self,
        own: usize,
        neighbours: &impl Fn(u32, u32) -> bool,
        found: &mut Vec<(u32, u32, Meeting)>,
    ) {
        let group = &self.levels[0][own];
        let whole: [(f32, f32); 3] = std::array::from_fn(|a| {
            let min = group.min[a].iter().copied().fold(f32::INFINITY, f32::min);
            (min, group.max[a].iter().copied().fold(f32::NEG_INFINITY, f32::max))
        });
        let mut stack = vec![(self.top(), 0usize)];
        while let Some((level, at)) = stack.pop() {
            let last_below = (at + 1) * WIDTH.pow(level as u32);
            if last_below <= own {
                continue;
            }
            if level > 0 {
                let mut hits = meets(&self.levels[level][at], &whole);
                while hits != 0 {
                    stack.push((level - 1, WIDTH * at + hits.trailing_zeros() as usize));
                    hits &= hits - 1;
                }
                continue;
            }
            for lane in 0..WIDTH {
                let i = WIDTH * own + lane;
                if i >= self.len() {
                    break;
                }
                let one = std::array::from_fn(|a| (group.min[a][lane], group.max[a][lane]));
                let mut hits = meets(&self.levels[0][at], &one);
                while hits != 0 {
                    let j = WIDTH * at + hits.trailing_zeros() as usize;
                    hits &= hits - 1;
                    let (s, t) = (self.source[i], self.source[j.min(self.len() - 1)]);
                    if j <= i || neighbours(s, t) {
                        continue;
                    }
                    if let Some(m) = meeting(&self.triangles[i], &self.triangles[j]) {
                        found.push((s.min(t), s.max(t), m));
                    }
                }
            }
        }
    }
}

/// One bit for each box of the group that meets a box.
fn meets(group: &BoxGroup, b: &[(f32, f32); 3]) -> u32 {
    let mut bits = 0;
    for lane in 0..WIDTH {
        let mut inside = true;
        for (a, &(min, max)) in b.iter().enumerate() {
            inside &= (group.min[a][lane] <= max) & (min <= group.max[a][lane]);
        }
        bits |= u32::from(inside) << lane;
    }
    bits
}

/// How two triangles meet, by separating axes; `None` when they are apart.
pub(crate) fn meeting(s: &[Point; 3], t: &[Point; 3]) -> Option<Meeting> {
    let edges = |t: &[Point; 3]| [t[1] - t[0], t[2] - t[1], t[0] - t[2]];
    let (e, f) = (edges(s), edges(t));
    let (n, m) = (e[0].cross(&e[1]), f[0].cross(&f[1]));
    // How far the two reach into each other at most, by the axes seen so far.
    let mut depth = f64::INFINITY;
    for axis in [n, m] {
        depth = depth.min(depth_along(&axis, s, t));
        if depth < -TOUCH_MM {
            return None;
        }
    }
    let flat = |p: &Point| (p - s[0]).dot(&n).abs() <= TOUCH_MM * n.norm();
    if n.norm_squared() > 0.0 && t.iter().all(flat) {
        // In one plane the depth across it is nothing, and only the depth within it counts.
        depth = f64::INFINITY;
    } else {
        for (a, b) in e.iter().flat_map(|a| f.iter().map(move |b| (a, b))) {
            let axis = a.cross(b);
            // nearly parallel edges give no axis of their own
            if axis.norm_squared() > 1e-18 * a.norm_squared() * b.norm_squared() {
                depth = depth.min(depth_along(&axis, s, t));
            }
            if depth < -TOUCH_MM {
                return None;
            }
        }
    }
    for axis in e.iter().map(|a| n.cross(a)).chain(f.iter().map(|b| m.cross(b))) {
        depth = depth.min(depth_along(&axis, s, t));
        if depth < -TOUCH_MM {
            return None;
        }
    }
    Some(if depth > TOUCH_MM { Meeting::Overlap } else { Meeting::Touch })
}

/// How far two triangles reach into each other along an axis, mm; negative when it parts them.
fn depth_along(axis: &Vector, s: &[Point; 3], t: &[Point; 3]) -> f64 {
    let length = axis.norm();
    if length == 0.0 {
        return f64::INFINITY;
    }
    let span = |t: &[Point; 3]| {
        let d = t.map(|p| (p - s[0]).dot(axis) / length);
        (d[0].min(d[1]).min(d[2]), d[0].max(d[1]).max(d[2]))
    };
    let (a, b) = (span(s), span(t));
    (a.1 - b.0).min(b.1 - a.0)
}
