//! Takes out facets without area. They cannot simply be dropped: a long thin one often seals the
//! seam between a long edge and two short ones (a T-joint), and dropping it opens a crack.

use super::{across, is_flat, squares};
use crate::mesh::Point;
use crate::mesh::edges::{Edges, is_collapsed};
use std::collections::HashMap;

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
/// neighbour lay. Returns how many exchanges it took.
pub(super) fn exchange(
    vertices: &[Point],
    triangles: &mut [[u32; 3]],
    origin: &mut [Option<u32>],
) -> usize {
    let mut flat: Vec<usize> = (0..triangles.len())
        .filter(|&f| !is_collapsed(&triangles[f]) && is_flat(vertices, &triangles[f]))
        .collect();
    if flat.is_empty() {
        return 0;
    }
    let mut seams =
        Seams { vertices, edges: Edges::of(vertices.len(), triangles), moved: HashMap::new() };
    // Each exchange makes the flatter facet higher, so this ends; the bound is for rounding.
    let most = 64 * flat.len();
    let mut done = 0;
    loop {
        let before = done;
        let mut again = Vec::new();
        while let Some(f) = flat.pop() {
            if done < most && is_flat(vertices, &triangles[f]) {
                match seams.exchange(f, triangles) {
                    Some(g) => {
                        origin[f] = origin[g];
                        done += 1;
                        flat.extend([f, g]);
                    }
                    // A neighbour's exchange may make it possible later.
                    None => again.push(f),
                }
            }
        }
        flat = again;
        if done == before {
            return done;
        }
    }
}

/// Which facets meet at each edge, while diagonals are being exchanged.
struct Seams<'a> {
    vertices: &'a [Point],
    edges: Edges,
    /// Facets at edges that are no longer as in `edges`.
    moved: HashMap<[u32; 2], Vec<usize>>,
}

impl Seams<'_> {
    fn at(&mut self, a: u32, b: u32) -> &mut Vec<usize> {
        let edges = &self.edges;
        self.moved
            .entry([a.min(b), a.max(b)])
            .or_insert_with(|| edges.between(a, b).iter().map(|s| s.facet()).collect())
    }

    fn hand_over(&mut self, a: u32, b: u32, from: usize, to: usize) {
        let facets = self.at(a, b);
        facets.retain(|&f| f != from);
        facets.push(to);
    }

    /// Exchanges the diagonal at the long edge of facet `f`, if that helps; returns the neighbour.
    fn exchange(&mut self, f: usize, triangles: &mut [[u32; 3]]) -> Option<usize> {
        let t = triangles[f];
        let point = |v: u32| self.vertices[v as usize];
        let length = |k: usize| (point(t[k]) - point(t[(k + 1) % 3])).norm_squared();
        let long = (0..3).max_by(|&i, &j| length(i).total_cmp(&length(j)))?;
        let (a, b, c) = (t[long], t[(long + 1) % 3], across(&t, long));
        let &[one, two] = self.at(a, b).as_slice() else { return None };
        let g = if one == f { two } else { one };
        // The neighbour must run along the edge the other way.
        let corner = (0..3).find(|&k| triangles[g][k] == b && triangles[g][(k + 1) % 3] == a)?;
        let d = across(&triangles[g], corner);
        let (first, second) = ([a, d, c], [d, b, c]);
        // Square of the height over the longest edge.
        let height = |t: [u32; 3]| {
            let (area, longest) = squares(t.map(|v| self.vertices[v as usize]));
            area / longest
        };
        if c == d || height(first).min(height(second)) <= height(t) {
            return None;
        }
        (triangles[f], triangles[g]) = (first, second);
        self.at(a, b).clear();
        self.at(c, d).extend([f, g]);
        self.hand_over(a, d, g, f);
        self.hand_over(b, c, f, g);
        Some(g)
    }
}
