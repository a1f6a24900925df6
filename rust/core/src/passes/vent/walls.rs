//! What lies along a line: where it runs in solid, and through which facets it comes and goes.
//!
//! Lines are taken whole, from side to side, so that windings start from zero and shells may
//! overlap. Each crossing is met exactly once: corners are projected along the line, a corner
//! always to the same place, and a line through an edge passes it on one side for both facets.

use crate::layers::{Fill, Surface};
use crate::mesh::frame::across;
use crate::mesh::{Point, Vector};
use parry3d_f64::bounding_volume::Aabb;
use parry3d_f64::partitioning::{Bvh, BvhBuildStrategy, BvhNode};
use rayon::prelude::*;

/// All facets of a part in plate coordinates, in a tree of boxes.
pub(super) struct Walls {
    tree: Bvh,
    corners: Vec<[Point; 3]>,
    /// First facet of each surface, and what the surface does.
    surfaces: Vec<(u32, Fill)>,
    /// Facets of the first surface, the body.
    body: u32,
}

/// A stretch of a line in solid, mm along it.
#[derive(Clone, Copy, Debug)]
pub(super) struct Stretch {
    pub(super) from_mm: f64,
    pub(super) to_mm: f64,
    /// The facets at both ends, as [`Walls::facet`] counts them.
    pub(super) facets: [u32; 2],
}

/// Surfaces closer than this touch, mm: far below a pixel, far above rounding.
const TOUCHING_MM: f64 = 1e-6;

impl Walls {
    /// The first surface must be the body.
    pub(super) fn new(surfaces: &[Surface<'_>]) -> Walls {
        let mut corners: Vec<[Point; 3]> = Vec::new();
        let mut starts = Vec::new();
        for s in surfaces {
            starts.push((corners.len() as u32, s.fill));
            let placed: Vec<Point> = s.mesh.vertices().iter().map(|v| s.pose * v).collect();
            let facets = s.mesh.triangles().par_iter().map(|t| t.map(|v| placed[v as usize]));
            corners.par_extend(facets);
        }
        let boxes = corners.par_iter().map(|t| {
            let (low, high) = (t[0].inf(&t[1]).inf(&t[2]), t[0].sup(&t[1]).sup(&t[2]));
            Aabb::new([low.x, low.y, low.z].into(), [high.x, high.y, high.z].into())
        });
        let boxes: Vec<Aabb> = boxes.collect();
        let tree = Bvh::from_leaves(BvhBuildStrategy::Binned, &boxes);
        let body = surfaces.first().map_or(0, |s| s.mesh.triangles().len() as u32);
        Walls { tree, corners, surfaces: starts, body }
    }

    /// Whether a facet is the body's; its number there is the same.
    pub(super) fn is_body(&self, facet: u32) -> bool {
        facet < self.body
    }

    /// Corners of a facet in plate coordinates, mm.
    pub(super) fn corners(&self, facet: u32) -> &[Point; 3] {
        &self.corners[facet as usize]
    }

    /// Unit normal of a facet, away from the solid it bounds; zero for a sliver.
    pub(super) fn normal(&self, facet: u32) -> Vector {
        let [a, b, c] = self.corners(facet);
        (b - a).cross(&(c - a)).try_normalize(1e-12).unwrap_or_default()
    }

    /// Facets whose boxes come within `reach_mm` of the box around two points.
    pub(super) fn near(&self, a: &Point, b: &Point, reach_mm: f64) -> impl Iterator<Item = u32> {
        let by = Vector::repeat(reach_mm);
        let (low, high) = (a.inf(b) - by, a.sup(b) + by);
        self.tree.leaves(move |n: &BvhNode| {
            let (min, max) = (n.mins(), n.maxs());
            let meets = |low: f64, high: f64, min: f64, max: f64| low <= max && min <= high;
            meets(low.x, high.x, min.x, max.x)
                && meets(low.y, high.y, min.y, max.y)
                && meets(low.z, high.z, min.z, max.z)
        })
    }

    /// Where the line through `p` along the unit vector `along` runs in solid, in order; places
    /// are mm from `p`.
    pub(super) fn stretches(&self, p: &Point, along: &Vector) -> Vec<Stretch> {
        let frame = Frame::along(p, along);
        let mut crossings: Vec<(f64, u32, i32)> = Vec::new();
        for facet in self.tree.leaves(|n: &BvhNode| meets_line(n, p, along)) {
            if let Some((at, step)) = frame.pass(self.corners(facet)) {
                crossings.push((at, facet, step));
            }
        }
        crossings.sort_unstable_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
        let mut winding = [0i32; 3];
        let mut out: Vec<Stretch> = Vec::new();
        let mut open: Option<(f64, u32)> = None;
        for (at, facet, step) in crossings {
            let surface = self.surfaces.partition_point(|s| s.0 <= facet) - 1;
            winding[self.surfaces[surface].1 as usize] += step;
            let solid = winding[0] != 0 && winding[1] == 0 || winding[2] != 0;
            match open {
                None if solid => {
                    // Where one shell ends and the next begins, nothing opens.
                    let joined = out.pop_if(|s| at - s.to_mm < TOUCHING_MM);
                    open = Some(joined.map_or((at, facet), |s| (s.from_mm, s.facets[0])));
                }
                Some((from_mm, first)) if !solid => {
                    if at - from_mm > TOUCHING_MM {
                        out.push(Stretch { from_mm, to_mm: at, facets: [first, facet] });
                    }
                    open = None;
                }
                _ => {}
            }
        }
        out
    }
}

/// Whether a line meets a box, both ways without end. Errs towards yes.
fn meets_line(node: &BvhNode, p: &Point, along: &Vector) -> bool {
    let (min, max) = (node.mins(), node.maxs());
    let (mut from, mut to) = (f64::NEG_INFINITY, f64::INFINITY);
    let axes = [(min.x, max.x), (min.y, max.y), (min.z, max.z)];
    for (axis, (min, max)) in axes.into_iter().enumerate() {
        let slack = 1e-9 * (1.0 + min.abs().max(max.abs()) + p[axis].abs());
        let (low, high) = (min - slack - p[axis], max + slack - p[axis]);
        if along[axis].abs() < 1e-12 {
            if low > 0.0 || high < 0.0 {
                return false;
            }
            continue;
        }
        let (a, b) = (low / along[axis], high / along[axis]);
        from = from.max(a.min(b));
        to = to.min(a.max(b));
    }
    from <= to
}

/// Coordinates with the line as third axis.
struct Frame {
    origin: Point,
    axes: [Vector; 3],
}

impl Frame {
    fn along(p: &Point, along: &Vector) -> Frame {
        let [u, v] = across(along);
        Frame { origin: *p, axes: [u, v, *along] }
    }

    /// Where and in which sense the line passes through a facet: +1 into it from outside.
    fn pass(&self, corners: &[Point; 3]) -> Option<(f64, i32)> {
        let t = corners.map(|c| {
            let d = c - self.origin;
            self.axes.map(|a| a.dot(&d))
        });
        let left = left_of(t[0], t[1]);
        if left != left_of(t[1], t[2]) || left != left_of(t[2], t[0]) {
            return None;
        }
        // Weights of the corners are the areas across from them.
        let weight = |a: [f64; 3], b: [f64; 3]| a[0] * b[1] - a[1] * b[0];
        let w = [weight(t[1], t[2]), weight(t[2], t[0]), weight(t[0], t[1])];
        let sum = w[0] + w[1] + w[2];
        let (low, high) = (t[0][2].min(t[1][2]).min(t[2][2]), t[0][2].max(t[1][2]).max(t[2][2]));
        let at = (w[0] * t[0][2] + w[1] * t[1][2] + w[2] * t[2][2]) / sum;
        let at = if at.is_nan() { low } else { at.clamp(low, high) };
        Some((at, if left { -1 } else { 1 }))
    }
}

/// Whether the origin lies left of the edge from a to b; on it, as if moved aside by a hair.
fn left_of(a: [f64; 3], b: [f64; 3]) -> bool {
    let forward = (a[0], a[1]) < (b[0], b[1]);
    let (low, high) = if forward { (a, b) } else { (b, a) };
    let side = low[0] * high[1] - low[1] * high[0];
    let left = if side == 0.0 { high[0] > low[0] } else { side > 0.0 };
    left == forward
}
