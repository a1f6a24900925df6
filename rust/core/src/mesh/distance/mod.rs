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
pub use nearest::Hit;
pub(crate) use skin::skin;

use super::{Bounds, Mesh, Point};
use rayon::prelude::*;

/// Children of one group; a multiple of any processor's vector width.
const WIDTH: usize = 8;
/// Relative growth of the boxes, which are kept in single precision: more than its rounding of a
/// coordinate.
const GROWTH: f64 = 1e-6;

/// Boxes of the children of one group; missing ones are empty and never met.
#[derive(Clone, Copy)]
struct Group {
    min: [[f32; WIDTH]; 3],
    max: [[f32; WIDTH]; 3],
}

const EMPTY: Group =
    Group { min: [[f32::INFINITY; WIDTH]; 3], max: [[f32::NEG_INFINITY; WIDTH]; 3] };

/// Planes of eight triangles: a triangle is no closer than its plane, which tells neighbours on a
/// smooth face apart far better than their boxes do.
#[derive(Clone, Copy)]
struct Planes {
    normal: [[f32; WIDTH]; 3],
    offset: [f32; WIDTH],
}

/// Triangles arranged for questions about place.
pub struct Tree {
    /// Corners, in the tree's order.
    triangles: Vec<[Point; 3]>,
    /// Where each triangle stood in the input.
    source: Vec<u32>,
    /// Groups of triangles, then groups of groups, up to one group.
    levels: Vec<Vec<Group>>,
    /// Planes of each lowest group's triangles.
    planes: Vec<Planes>,
    /// More than the rounding of a distance to a plane, mm.
    slack: f32,
    /// Boxes and planes are relative to this point, which spares single precision.
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
        let planes = sorted.par_chunks(WIDTH).map(|chunk| planes(chunk, &center)).collect();
        let source = order.into_iter().map(|o| o.1).collect();
        let slack = (reach * GROWTH) as f32;
        Tree { triangles: sorted, source, levels, planes, slack, center }
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

fn group(boxes: &[Bounds], center: &Point, reach: f64) -> Vec<Group> {
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

fn planes(triangles: &[[Point; 3]], center: &Point) -> Planes {
    let mut out = Planes { normal: [[0.0; WIDTH]; 3], offset: [0.0; WIDTH] };
    for (lane, t) in triangles.iter().enumerate() {
        let n = (t[1] - t[0]).cross(&(t[2] - t[0]));
        let length = n.norm();
        // A sliver's normal is noise; without one its box must do.
        let longest = (t[1] - t[0]).norm().max((t[2] - t[0]).norm());
        if length > 1e-4 * longest * longest {
            let n = n / length;
            (0..3).for_each(|a| out.normal[a][lane] = n[a] as f32);
            out.offset[lane] = n.dot(&(t[0] - center)) as f32;
        }
    }
    out
}

fn parent(children: &[Group]) -> Group {
    let mut g = EMPTY;
    for (lane, c) in children.iter().enumerate() {
        for a in 0..3 {
            g.min[a][lane] = c.min[a].iter().copied().fold(f32::INFINITY, f32::min);
            g.max[a][lane] = c.max[a].iter().copied().fold(f32::NEG_INFINITY, f32::max);
        }
    }
    g
}
