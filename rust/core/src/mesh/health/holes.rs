//! Rings of missing facets: found by what the surface lacks to close, filled where small.

use crate::mesh::edges::Edges;
use crate::mesh::{Bounds, Point, Vector};
use std::collections::HashMap;

/// Closed rings of edges with one facet, each in the direction the missing facets run. The facets
/// must face alike. No ring visits a vertex twice.
pub(super) fn rings(edges: &Edges) -> Vec<Vec<u32>> {
    let mut missing: Vec<[u32; 2]> = Vec::new();
    for edge in edges.iter() {
        let run = if edge.balance() > 0 { [edge.high, edge.low] } else { [edge.low, edge.high] };
        missing.extend(std::iter::repeat_n(run, edge.balance().unsigned_abs() as usize));
    }
    missing.sort_unstable();
    let mut used = vec![false; missing.len()];
    // Where to look for the next unused run from a vertex.
    let mut next: HashMap<u32, usize> = HashMap::new();
    for (i, run) in missing.iter().enumerate() {
        next.entry(run[0]).or_insert(i);
    }
    let mut rings = Vec::new();
    for start in 0..missing.len() {
        let mut path: Vec<u32> = Vec::new();
        let mut place: HashMap<u32, usize> = HashMap::new();
        let mut at = missing[start][0];
        // As many runs leave a vertex as arrive, so the walk only ends where it began.
        while let Some(i) = next.get_mut(&at) {
            while missing.get(*i).is_some_and(|run| run[0] == at) && used[*i] {
                *i += 1;
            }
            if missing.get(*i).is_none_or(|run| run[0] != at) {
                break;
            }
            used[*i] = true;
            place.insert(at, path.len());
            path.push(at);
            at = missing[*i][1];
            if let Some(&from) = place.get(&at) {
                let ring = path.split_off(from);
                place.retain(|_, i| *i < from);
                let single =
                    |i: usize| edges.between(ring[i], ring[(i + 1) % ring.len()]).len() == 1;
                // Other rings run around facets too many, not too few.
                if (0..ring.len()).all(single) {
                    rings.push(ring);
                }
            }
        }
    }
    rings
}

/// Box around a ring.
pub(super) fn bounds(vertices: &[Point], ring: &[u32]) -> Bounds {
    Bounds::of(ring.iter().map(|&v| &vertices[v as usize]))
}

/// Longest edge of the box around a ring, mm.
pub(super) fn span_mm(vertices: &[Point], ring: &[u32]) -> f64 {
    bounds(vertices, ring).size().max()
}

/// Share of its width by which the rim of a flat hole may leave its plane.
const FLAT_SHARE: f64 = 0.01;

/// Whether a ring lies in a plane.
pub(super) fn is_flat_ring(ring: &[Point]) -> bool {
    let bounds = Bounds::of(ring);
    let middle = bounds.center();
    let next = ring.iter().cycle().skip(1);
    // Newell's normal, from the middle so that distance from the origin costs no digits.
    let normal: Vector =
        ring.iter().zip(next).map(|(a, b)| (a - middle).cross(&(b - middle))).sum();
    let Some(normal) = normal.try_normalize(0.0) else { return false };
    let heights = ring.iter().map(|p| normal.dot(&(p - middle)));
    let (low, high) = heights
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), h| (low.min(h), high.max(h)));
    high - low <= FLAT_SHARE * bounds.size().max()
}
