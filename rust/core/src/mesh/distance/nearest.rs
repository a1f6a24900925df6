//! The closest point on the triangles.

use super::{BoxGroup, Slabs, Tree, WIDTH};
use crate::mesh::{Point, Vector};

/// The closest point on a tree's triangles.
#[derive(Clone, Copy, Debug)]
pub struct Nearest {
    /// The point, mm.
    pub point: Point,
    /// Its distance, mm.
    pub distance_mm: f64,
    /// Its triangle, as counted in the input.
    pub triangle: u32,
    /// Its triangle in the tree's own order, a hint for the next search close by.
    pub(crate) slot: u32,
}

/// A group still to be searched.
#[derive(Clone, Copy)]
struct NearestTask {
    squared: f32,
    level: u32,
    group: u32,
}

/// How far a search has come: squared distance, point, slot ([`NONE`]: nothing yet).
type NearestSoFar = (f64, Point, u32);

const NONE: u32 = u32::MAX;

impl Tree {
    /// The closest point of all triangles within `reach_mm` (infinite: anywhere).
    pub fn nearest(&self, p: &Point, reach_mm: f64) -> Option<Nearest> {
        self.nearest_from(p, NONE, 0.0, reach_mm)
    }

    /// The closest point within `reach_mm`, faster when `slot` is the slot of a hit close by. A
    /// point closer than `enough_mm` ends the search at once, whether or not it is the closest.
    pub(crate) fn nearest_from(
        &self,
        p: &Point,
        slot: u32,
        enough_mm: f64,
        reach_mm: f64,
    ) -> Option<Nearest> {
        let mut best = (reach_mm * reach_mm, Point::origin(), NONE);
        if let Some(t) = self.triangles.get(slot as usize) {
            let q = closest_on(t, p);
            let squared = (q - p).norm_squared();
            if squared < best.0 {
                best = (squared, q, slot);
            }
        }
        self.search(p, enough_mm * enough_mm, &mut best);
        (best.2 != NONE).then(|| self.hit(best))
    }

    fn hit(&self, (squared, point, slot): NearestSoFar) -> Nearest {
        let triangle = self.source[slot as usize];
        Nearest { point, distance_mm: squared.sqrt(), triangle, slot }
    }

    /// Improves `best` until nothing is closer or it is closer than `enough`, squared.
    fn search(&self, p: &Point, enough: f64, best: &mut NearestSoFar) {
        if self.is_empty() || best.0 < enough {
            return;
        }
        let local = self.local(p);
        let mut stack = [NearestTask { squared: 0.0, level: 0, group: 0 }; 128];
        let mut depth = 1;
        stack[0].level = self.top() as u32;
        while depth > 0 {
            depth -= 1;
            let task = stack[depth];
            if f64::from(task.squared) >= best.0 {
                continue;
            }
            let (level, group) = (task.level as usize, task.group as usize);
            let mut squared = squared_to(&self.levels[level][group], local);
            if let Some(slabs) = self.slabs.get(level) {
                self.raise(&mut squared, &slabs[group], local);
            }
            let first = task.group * WIDTH as u32;
            if level == 0 {
                for (lane, &s) in squared.iter().enumerate() {
                    if f64::from(s) < best.0 {
                        let slot = first + lane as u32;
                        let q = closest_on(&self.triangles[slot as usize], p);
                        let d = (q - p).norm_squared();
                        // equal distances go to the earlier triangle, whatever the way here
                        if d < best.0 || (d == best.0 && slot < best.2) {
                            *best = (d, q, slot);
                        }
                    }
                }
                if best.0 < enough {
                    return;
                }
                continue;
            }
            // The nearest child last, so that it is searched first.
            let base = depth;
            for (lane, &s) in squared.iter().enumerate() {
                if f64::from(s) < best.0 {
                    let child = NearestTask {
                        squared: s,
                        level: task.level - 1,
                        group: first + lane as u32,
                    };
                    let mut i = depth;
                    while i > base && stack[i - 1].squared < s {
                        stack[i] = stack[i - 1];
                        i -= 1;
                    }
                    stack[i] = child;
                    depth += 1;
                }
            }
        }
    }
}

impl Tree {
    /// Raises lower bounds of squared distances to those of the slabs.
    fn raise(&self, squared: &mut [f32; WIDTH], slabs: &Slabs, p: [f32; 3]) {
        for (lane, squared) in squared.iter_mut().enumerate() {
            let n = [slabs.normal[0][lane], slabs.normal[1][lane], slabs.normal[2][lane]];
            let at = n[0] * p[0] + n[1] * p[1] + n[2] * p[2];
            let away = more(slabs.low[lane] - at, at - slabs.high[lane]);
            let least = more(away - self.slack, 0.0);
            // the rounding of a far point, too
            *squared = more(*squared, least * least * (1.0 - 1e-6));
        }
    }
}

/// Plain comparisons compile to vector instructions; `f32::max` minds NaN and does not.
fn more(a: f32, b: f32) -> f32 {
    if a > b { a } else { b }
}

/// Lower bounds of the squared distances to the boxes of a group.
fn squared_to(group: &BoxGroup, p: [f32; 3]) -> [f32; WIDTH] {
    let mut sum = [0.0f32; WIDTH];
    for ((min, max), c) in group.min.iter().zip(&group.max).zip(p) {
        for ((sum, min), max) in sum.iter_mut().zip(min).zip(max) {
            let out = more(more(min - c, c - max), 0.0);
            *sum += out * out;
        }
    }
    // the products' own rounding
    sum.map(|s| s * (1.0 - 1e-6))
}

/// The point of a triangle closest to `p` (Ericson, *Real-Time Collision Detection*, 2004, §5.1.5,
/// from memory).
pub(crate) fn closest_on([a, b, c]: &[Point; 3], p: &Point) -> Point {
    let (ab, ac, ap) = (b - a, c - a, p - a);
    let (d1, d2) = (ab.dot(&ap), ac.dot(&ap));
    if d1 <= 0.0 && d2 <= 0.0 {
        return *a;
    }
    let bp = p - b;
    let (d3, d4) = (ab.dot(&bp), ac.dot(&bp));
    if d3 >= 0.0 && d4 <= d3 {
        return *b;
    }
    let vc = d1 * d4 - d3 * d2;
    if vc <= 0.0 && d1 >= 0.0 && d3 <= 0.0 {
        return on_edge(a, &ab, d1, d1 - d3);
    }
    let cp = p - c;
    let (d5, d6) = (ab.dot(&cp), ac.dot(&cp));
    if d6 >= 0.0 && d5 <= d6 {
        return *c;
    }
    let vb = d5 * d2 - d1 * d6;
    if vb <= 0.0 && d2 >= 0.0 && d6 <= 0.0 {
        return on_edge(a, &ac, d2, d2 - d6);
    }
    let va = d3 * d6 - d5 * d4;
    if va <= 0.0 && d4 - d3 >= 0.0 && d5 - d6 >= 0.0 {
        return on_edge(b, &(c - b), d4 - d3, (d4 - d3) + (d5 - d6));
    }
    let sum = va + vb + vc;
    a + ab * (vb / sum) + ac * (vc / sum)
}

fn on_edge(from: &Point, edge: &Vector, part: f64, whole: f64) -> Point {
    if whole > 0.0 { from + edge * (part / whole) } else { *from }
}
