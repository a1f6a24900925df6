//! Exact distances to many triangles, and what lies along a line: the tree that hollow and the
//! wall checks ask.
//!
//! Triangles are boxed eight by eight, level upon level, after halving them again and again across
//! their widest extent (a bounding volume hierarchy; Ericson 2004, ch. 6, from memory). The tree
//! is an array without pointers, is built in parallel, and is the same whatever the thread count.

mod lines;
mod nearest;
mod overlaps;
mod skin;

pub use lines::Crossing;
pub(crate) use lines::crossing;
pub use nearest::Nearest;
pub(crate) use nearest::closest_on;
pub(crate) use overlaps::Meeting;
pub(crate) use skin::skin;

use super::{Bounds, Mesh, Point, Vector};
use rayon::prelude::*;

/// Children of one group; a multiple of any processor's vector width.
const WIDTH: usize = 8;
/// Relative growth of the boxes, which are kept in single precision: more than its rounding of a
/// coordinate.
const GROWTH: f64 = 1e-6;

/// Boxes of the children of one group; missing ones are empty and never met.
#[derive(Clone, Copy)]
struct BoxGroup {
    min: [[f32; WIDTH]; 3],
    max: [[f32; WIDTH]; 3],
}

const EMPTY: BoxGroup =
    BoxGroup { min: [[f32::INFINITY; WIDTH]; 3], max: [[f32::NEG_INFINITY; WIDTH]; 3] };

/// Slabs that hold the children of one group: nothing is closer than its slab, which tells
/// neighbours on a smooth face apart far better than their boxes do. A missing or crumpled child's
/// slab is all space.
#[derive(Clone, Copy)]
struct Slabs {
    normal: [[f32; WIDTH]; 3],
    low: [f32; WIDTH],
    high: [f32; WIDTH],
}

/// Levels that have slabs: above them a face is hardly ever flat.
const SLABS: usize = 3;

/// Triangles arranged for questions about place.
pub struct Tree {
    /// Corners, in the tree's order.
    triangles: Vec<[Point; 3]>,
    /// Where each triangle stood in the input.
    source: Vec<u32>,
    /// Groups of triangles, then groups of groups, up to one group.
    levels: Vec<Vec<BoxGroup>>,
    /// Slabs of the lowest levels' groups.
    slabs: Vec<Vec<Slabs>>,
    /// More than the rounding of a distance to a slab, mm.
    slack: f32,
    /// Boxes and slabs are relative to this point, which spares single precision.
    center: Point,
}

impl Tree {
    /// Builds the tree of a mesh.
    pub fn of(mesh: &Mesh) -> Tree {
        Tree::new((0..mesh.triangles().len()).map(|i| mesh.corners(i)).collect())
    }

    /// Builds the tree of any triangles, mm.
    pub fn new(triangles: Vec<[Point; 3]>) -> Tree {
        let bounds = Bounds::of(triangles.iter().flatten());
        let center = if bounds.is_empty() { Point::origin() } else { bounds.center() };
        let mut order: Vec<(Point, u32)> = triangles
            .par_iter()
            .enumerate()
            .map(|(i, t)| (Point::from((t[0].coords + t[1].coords + t[2].coords) / 3.0), i as u32))
            .collect();
        arrange(&mut order);
        let sorted: Vec<[Point; 3]> = order.par_iter().map(|o| triangles[o.1 as usize]).collect();

        let reach = bounds.size().max();
        let boxes: Vec<Bounds> = sorted.par_iter().map(Bounds::of).collect();
        let mut levels = vec![group(&boxes, &center, reach)];
        while levels[levels.len() - 1].len() > 1 {
            let below = &levels[levels.len() - 1];
            levels.push(below.par_chunks(WIDTH).map(parent).collect());
        }
        let slabs_of = |level: usize| {
            let size = WIDTH.pow(level as u32);
            sorted.par_chunks(WIDTH * size).map(|chunk| slabs(chunk, size, &center)).collect()
        };
        let slabs = (0..levels.len().min(SLABS)).map(slabs_of).collect();
        let source = order.into_iter().map(|o| o.1).collect();
        let slack = (reach * GROWTH) as f32;
        Tree { triangles: sorted, source, levels, slabs, slack, center }
    }

    /// How many triangles it holds.
    pub fn len(&self) -> usize {
        self.triangles.len()
    }

    /// Whether it holds none.
    pub fn is_empty(&self) -> bool {
        self.triangles.is_empty()
    }

    fn local(&self, p: &Point) -> [f32; 3] {
        let d = p - self.center;
        [d.x as f32, d.y as f32, d.z as f32]
    }

    fn top(&self) -> usize {
        self.levels.len() - 1
    }
}

/// Orders triangles, known by their middles, so that every group and every group of groups is
/// compact.
fn arrange(order: &mut [(Point, u32)]) {
    let n = order.len();
    if n <= WIDTH {
        return;
    }
    // The first part fills whole groups of every level below it.
    let mut first = WIDTH;
    while 2 * first < n {
        first *= 2;
    }
    let axis = Bounds::of(order.iter().map(|o| &o.0)).size().imax();
    order.select_nth_unstable_by(first, |a, b| a.0[axis].total_cmp(&b.0[axis]).then(a.1.cmp(&b.1)));
    let (low, high) = order.split_at_mut(first);
    if n > 1 << 12 {
        rayon::join(|| arrange(low), || arrange(high));
    } else {
        arrange(low);
        arrange(high);
    }
}

fn group(boxes: &[Bounds], center: &Point, reach: f64) -> Vec<BoxGroup> {
    let grow = (reach * GROWTH) as f32;
    let one = |chunk: &[Bounds]| {
        let mut g = EMPTY;
        for (lane, b) in chunk.iter().enumerate() {
            for a in 0..3 {
                g.min[a][lane] = (b.min[a] - center[a]) as f32 - grow;
                g.max[a][lane] = (b.max[a] - center[a]) as f32 + grow;
            }
        }
        g
    };
    boxes.par_chunks(WIDTH).map(one).collect()
}

/// Slabs of the children of one group, which are of `size` triangles each.
fn slabs(triangles: &[[Point; 3]], size: usize, center: &Point) -> Slabs {
    let mut out = Slabs { normal: [[0.0; WIDTH]; 3], low: [0.0; WIDTH], high: [0.0; WIDTH] };
    for (lane, child) in triangles.chunks(size).enumerate() {
        let mut sum = Vector::zeros();
        let mut longest = 0.0f64;
        for t in child {
            let (ab, ac) = (t[1] - t[0], t[2] - t[0]);
            sum += ab.cross(&ac);
            longest = longest.max(ab.norm_squared()).max(ac.norm_squared());
        }
        // A sliver's normal is noise; without one its box must do.
        let length = sum.norm();
        if length > 1e-4 * longest {
            let normal = (sum / length).map(|c| c as f32);
            let along = normal.map(f64::from);
            let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
            for p in child.iter().flatten() {
                let at = along.dot(&(p - center));
                (low, high) = (low.min(at), high.max(at));
            }
            (0..3).for_each(|a| out.normal[a][lane] = normal[a]);
            (out.low[lane], out.high[lane]) = (low as f32, high as f32);
        }
    }
    out
}

fn parent(children: &[BoxGroup]) -> BoxGroup {
    let mut g = EMPTY;
    for (lane, c) in children.iter().enumerate() {
        for a in 0..3 {
            g.min[a][lane] = c.min[a].iter().copied().fold(f32::INFINITY, f32::min);
            g.max[a][lane] = c.max[a].iter().copied().fold(f32::NEG_INFINITY, f32::max);
        }
    }
    g
}
