//! Takes out facets without area. They cannot simply be dropped: a long thin one often seals the
//! seam between a long edge and two short ones (a T-joint), and dropping it opens a crack.

use super::{across, is_flat, squares};
use crate::mesh::Point;
use crate::mesh::edges::{Edges, is_collapsed};
use std::collections::{HashMap, HashSet};

/// Facets that close nothing: they hang on to the surface by an edge with too many facets and are
/// open at the others (fins), or have no area and two edges that do not close. Edges are judged
/// by the number of their facets, so that facets turned the wrong way do not matter.
pub(super) fn fins(vertices: &[Point], triangles: &[[u32; 3]], edges: &Edges) -> Vec<u32> {
    let mut out = Vec::new();
    let mut dropped: HashMap<[u32; 2], usize> = HashMap::new();
    for (f, t) in triangles.iter().enumerate() {
        if is_collapsed(t) {
            continue;
        }
        let ends = [0, 1, 2].map(|k| {
            let (a, b) = (t[k], t[(k + 1) % 3]);
            [a.min(b), a.max(b)]
        });
        let mut facets = ends.map(|e| edges.between(e[0], e[1]).len());
        if facets == [2; 3] {
            continue;
        }
        for (count, end) in facets.iter_mut().zip(&ends) {
            *count -= dropped.get(end).unwrap_or(&0);
        }
        facets.sort_unstable();
        let is_fin = facets[1] == 1 && facets[2] > 2 && facets[2] % 2 == 1;
        let odd = facets.iter().filter(|&n| n % 2 == 1).count();
        if is_fin || odd >= 2 && is_flat(vertices, t) {
            ends.iter().for_each(|&e| *dropped.entry(e).or_default() += 1);
            out.push(f as u32);
        }
    }
    out
}

/// Vertices to merge so that needles vanish: each with the vertex it becomes.
pub(super) fn needles(vertices: &[Point], triangles: &[[u32; 3]]) -> Vec<(u32, u32)> {
    let mut out = Vec::new();
    for t in triangles.iter().filter(|t| !is_collapsed(t)) {
        for k in 0..3 {
            let (a, b) = (t[k], t[(k + 1) % 3]);
            if (vertices[a as usize] - vertices[b as usize]).norm() < super::FLAT_MM {
                out.push((a.max(b), a.min(b)));
            }
        }
    }
    out.sort_unstable();
    out.dedup();
    out
}

/// Exchanges the diagonal between a flat facet and its neighbour over the long edge, wherever
/// that makes the flatter of the two less flat. `origin` follows: both halves now lie where the
/// neighbour lay. Returns how many were exchanged.
pub(super) fn exchange(
    vertices: &[Point],
    triangles: &mut [[u32; 3]],
    origin: &mut [Option<u32>],
) -> usize {
    let flat: Vec<usize> = (0..triangles.len())
        .filter(|&f| !is_collapsed(&triangles[f]) && is_flat(vertices, &triangles[f]))
        .collect();
    if flat.is_empty() {
        return 0;
    }
    let edges = Edges::of(vertices.len(), triangles);
    let at = |v: u32| vertices[v as usize];
    let mut touched = HashSet::new();
    for f in flat {
        let t = triangles[f];
        let length = |k: usize| (at(t[k]) - at(t[(k + 1) % 3])).norm_squared();
        let long = (0..3).max_by(|&i, &j| length(i).total_cmp(&length(j))).expect("three edges");
        let (a, b, c) = (t[long], t[(long + 1) % 3], across(&t, long));
        let [one, two] = edges.between(a, b) else { continue };
        if one.forward() == two.forward()
            || touched.contains(&one.facet())
            || touched.contains(&two.facet())
        {
            continue;
        }
        let other = if one.facet() == f { two } else { one };
        let g = other.facet();
        let d = across(&triangles[g], other.corner());
        if c == d {
            continue;
        }
        let (first, second) = ([a, d, c], [d, b, c]);
        let height = |t: [u32; 3]| {
            let (area, longest) = squares(t.map(at));
            (area / longest).sqrt()
        };
        if height(first).min(height(second)) > height(t) {
            (triangles[f], triangles[g]) = (first, second);
            origin[f] = origin[g];
            touched.extend([f, g]);
        }
    }
    touched.len() / 2
}
