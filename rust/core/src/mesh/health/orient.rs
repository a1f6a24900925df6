//! Which way facets face: alike within a surface, outward for a body, inward for its cavities.

use crate::disjoint_sets::DisjointSets;
use crate::mesh::edges::{Edges, Side};
use crate::mesh::shells::Shells;
use crate::mesh::{Bounds, Mesh, Point, Vector, measure};

/// Facets that hang together by edges which exactly two share, and which of them to turn so that
/// they face alike.
pub(super) struct Patches {
    /// The facets by patch.
    pub(super) shells: Shells,
    /// Facets to turn: the fewer of each patch.
    pub(super) turned: Vec<u32>,
    /// Ends of an edge at which a one-sided surface meets itself the wrong way round.
    pub(super) twist: Option<[u32; 2]>,
}

impl Patches {
    pub(super) fn of(triangles: &[[u32; 3]], edges: &Edges) -> Patches {
        let mut sets = DisjointSets::new(triangles.len());
        let mut twist = None;
        for edge in edges.iter() {
            if let [a, b] = edge.sides {
                let against = a.forward() == b.forward();
                if !sets.join_sided(a.facet(), b.facet(), against) && twist.is_none() {
                    twist = Some([edge.low, edge.high]);
                }
            }
        }
        let shells = Shells::from_sets(&mut sets, triangles);
        let mut turned = Vec::new();
        for patch in 0..shells.count() {
            let facets = shells.facets(patch);
            let (against, along): (Vec<u32>, Vec<u32>) =
                facets.iter().partition(|&&f| sets.find(f as usize).1);
            turned.extend(if against.len() <= along.len() { against } else { along });
        }
        turned.sort_unstable();
        Patches { shells, turned, twist }
    }

    /// For each patch, whether it closes by itself. The facets must face alike.
    pub(super) fn closed(&self, edges: &Edges) -> Vec<bool> {
        let mut closed = vec![true; self.shells.count()];
        for edge in edges.iter().filter(|e| e.sides.len() != 2) {
            let run = |s: &Side| if s.forward() { 1 } else { -1 };
            let mut runs: Vec<(Option<u32>, i32)> =
                edge.sides.iter().map(|s| (self.shells.of_facet[s.facet()], run(s))).collect();
            runs.sort_unstable();
            for own in runs.chunk_by(|a, b| a.0 == b.0) {
                if let (Some(patch), _) = own[0] {
                    closed[patch as usize] &= own.iter().map(|r| r.1).sum::<i32>() == 0;
                }
            }
        }
        closed
    }
}

/// Turns facets over.
pub(super) fn turn(triangles: &mut [[u32; 3]], facets: &[u32]) {
    for &f in facets {
        triangles[f as usize].swap(1, 2);
    }
}

/// What a closed patch is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Kind {
    /// Faces outward, as it should.
    Body,
    /// Faces inward inside a body, as it should.
    Cavity,
    /// Must be turned over, and is a body then.
    TurnedBody,
    /// Must be turned over, and is a cavity then.
    TurnedCavity,
    /// Flat: encloses nothing.
    Sliver,
    /// Not closed.
    Open,
}

impl Kind {
    pub(super) fn is_turned(self) -> bool {
        matches!(self, Kind::TurnedBody | Kind::TurnedCavity)
    }
}

/// Judges every patch of a mesh whose facets face alike within each.
///
/// A shell inside another that faces the other way is its cavity, whichever way the two face: a
/// body that is inside out is turned over together with what it holds. A shell that faces inward
/// with no material around it is inside out.
pub(super) fn judge(mesh: &Mesh, patches: &Patches, closed: &[bool]) -> Vec<Kind> {
    let shells = &patches.shells;
    let mut kinds = vec![Kind::Open; shells.count()];
    let mut bodies = Vec::new();
    let mut weights = measure::FacetWeights::for_vertices_of(mesh);
    for patch in (0..shells.count()).filter(|&p| closed[p]) {
        let facets = shells.facets(patch);
        if is_sliver(mesh, facets) {
            kinds[patch] = Kind::Sliver;
        } else {
            let m = weights.measure_shell(facets);
            bodies.push(Body { patch, inward: m.volume_mm3 < 0.0, bounds: m.bounds });
        }
    }
    if bodies.iter().all(|b| !b.inward) {
        bodies.iter().for_each(|b| kinds[b.patch] = Kind::Body);
        return kinds;
    }
    let around = containers(mesh, shells, &bodies);
    // From the outside in, since what holds a shell decides about it.
    let mut order: Vec<usize> = (0..bodies.len()).collect();
    order.sort_by_key(|&i| around[i].len());
    let mut flip = vec![false; bodies.len()];
    for &i in &order {
        let faces_inward = |i: usize, flip: &[bool]| bodies[i].inward != flip[i];
        let parent = around[i].iter().copied().max_by_key(|&j| (around[j].len(), j));
        flip[i] = parent.is_some_and(|j| flip[j]);
        let cover: i32 =
            around[i].iter().map(|&j| if faces_inward(j, &flip) { -1 } else { 1 }).sum();
        if cover <= 0 && faces_inward(i, &flip) {
            flip[i] = !flip[i];
        }
        kinds[bodies[i].patch] = match (flip[i], faces_inward(i, &flip)) {
            (false, false) => Kind::Body,
            (false, true) => Kind::Cavity,
            (true, false) => Kind::TurnedBody,
            (true, true) => Kind::TurnedCavity,
        };
    }
    kinds
}

/// Whether all corners lie within [`SLIVER_MM`](super::SLIVER_MM) of one plane.
fn is_sliver(mesh: &Mesh, facets: &[u32]) -> bool {
    let normals = facets.iter().map(|&f| mesh.area_normal(f as usize));
    let longest = normals
        .fold(Vector::zeros(), |a, b| if b.norm_squared() > a.norm_squared() { b } else { a });
    let Some(normal) = longest.try_normalize(0.0) else { return true };
    let heights =
        facets.iter().flat_map(|&f| mesh.corners(f as usize)).map(|p| normal.dot(&p.coords));
    let (low, high) = heights
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), h| (low.min(h), high.max(h)));
    high - low < super::SLIVER_MM
}

struct Body {
    patch: usize,
    inward: bool,
    bounds: Bounds,
}

/// Places on a shell at which it is asked what lies around it: its largest facet and those
/// farthest out along each axis.
const PROBES: usize = 7;

/// For each body, the others that hold all its probes.
fn containers(mesh: &Mesh, shells: &Shells, bodies: &[Body]) -> Vec<Vec<usize>> {
    let mut probes: Vec<(Point, usize)> = Vec::new();
    for (i, body) in bodies.iter().enumerate() {
        probes.extend(probe(mesh, shells.facets(body.patch)).map(|p| (p, i)));
    }
    probes.sort_by(|a, b| a.0.z.total_cmp(&b.0.z).then(a.1.cmp(&b.1)));
    let mut held = vec![0; bodies.len()];
    let mut winding = vec![0; probes.len()];
    let mut out = vec![Vec::new(); bodies.len()];
    for (j, outer) in bodies.iter().enumerate() {
        let first = probes.partition_point(|(p, _)| p.z < outer.bounds.min.z);
        let last = probes.partition_point(|(p, _)| p.z <= outer.bounds.max.z);
        for &f in shells.facets(outer.patch) {
            let t = mesh.triangles()[f as usize];
            let corners = mesh.corners(f as usize);
            let b = Bounds::of(&corners);
            let from = first + probes[first..last].partition_point(|(p, _)| p.z < b.min.z);
            for (k, (p, i)) in probes[..last].iter().enumerate().skip(from) {
                if p.z > b.max.z {
                    break;
                }
                if *i != j && p.x <= b.max.x && (b.min.y..=b.max.y).contains(&p.y) {
                    winding[k] += crossing(t, corners, p);
                }
            }
        }
        for (k, (_, i)) in probes.iter().enumerate().take(last).skip(first) {
            held[*i] += usize::from(std::mem::take(&mut winding[k]) != 0);
            if held[*i] == PROBES {
                out[*i].push(j);
            }
        }
        for (_, i) in &probes[first..last] {
            held[*i] = 0;
        }
    }
    out
}

fn probe(mesh: &Mesh, facets: &[u32]) -> [Point; PROBES] {
    let middle = |f: u32| mesh.middle(f as usize);
    let farthest = |measure: &dyn Fn(u32) -> f64| {
        let best = facets.iter().copied().max_by(|&f, &g| measure(f).total_cmp(&measure(g)));
        middle(best.expect("a patch has facets"))
    };
    [
        farthest(&|f| mesh.area_normal(f as usize).norm_squared()),
        farthest(&|f| middle(f).x),
        farthest(&|f| -middle(f).x),
        farthest(&|f| middle(f).y),
        farthest(&|f| -middle(f).y),
        farthest(&|f| middle(f).z),
        farthest(&|f| -middle(f).z),
    ]
}

/// How often a ray from the point along +x leaves through the facet less how often it enters.
fn crossing(t: [u32; 3], corners: [Point; 3], p: &Point) -> i32 {
    // Winding of the facet's outline about the ray. Each edge is evaluated from its lower-numbered
    // end, so that neighbours agree to the last bit and the ray cannot slip between them.
    let mut turns = 0;
    for k in 0..3 {
        let (a, b) = (corners[k], corners[(k + 1) % 3]);
        let up = (a.z > p.z, b.z > p.z);
        if up.0 != up.1 {
            let (s, e) = if t[k] < t[(k + 1) % 3] { (a, b) } else { (b, a) };
            let side = (e.y - s.y) * (p.z - s.z) - (e.z - s.z) * (p.y - s.y);
            // The edge passes the ray on its +y side.
            if (side > 0.0) == (e.z > s.z) {
                turns += if up.1 { 1 } else { -1 };
            }
        }
    }
    if turns == 0 {
        return 0;
    }
    let [a, b, c] = corners;
    let normal = (b - a).cross(&(c - a));
    if normal.dot(&(a - p)) * normal.x > 0.0 { turns } else { 0 }
}
