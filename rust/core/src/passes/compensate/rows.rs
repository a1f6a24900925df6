//! Rows: the foot's facets cut level by level, so that every over-exposed layer has an outline of
//! its own to be drawn in.

use super::refine::FinerMesh;
use crate::mesh::Point;
use std::collections::BTreeMap;

/// Vertices this near to a level lie on it, mm: a tenth of what welding takes for one place.
const ON_MM: f64 = 1e-6;

/// The facets that cross levels cut there: same surface, more facets.
pub(super) fn cut(whole: FinerMesh, levels_mm: &[f64]) -> FinerMesh {
    let mut vertices = whole.vertices;
    let heights: Vec<f64> = vertices.iter().map(|v| v.z).collect();
    let mut made: BTreeMap<([u32; 2], usize), u32> = BTreeMap::new();
    let (mut triangles, mut sources) = (Vec::new(), Vec::new());
    for (t, source) in whole.triangles.iter().zip(whole.sources) {
        let mut piece: Vec<PieceCorner> = (0..3)
            .map(|i| {
                let (a, b) = (t[i], t[(i + 1) % 3]);
                PieceCorner { vertex: t[i], z: heights[t[i] as usize], edge: [a.min(b), a.max(b)] }
            })
            .collect();
        let mut pieces = Vec::with_capacity(1);
        for (l, &level) in levels_mm.iter().enumerate() {
            let side = |c: &PieceCorner| {
                let over = c.z - level;
                if over.abs() <= ON_MM { 0 } else { over.signum() as i32 }
            };
            if piece.iter().all(|c| side(c) >= 0) || piece.iter().all(|c| side(c) <= 0) {
                continue;
            }
            let mut new = |edge: [u32; 2]| {
                *made.entry((edge, l)).or_insert_with(|| {
                    let [a, b] = edge.map(|v| (vertices[v as usize], heights[v as usize]));
                    vertices.push(a.0 + (b.0 - a.0) * ((level - a.1) / (b.1 - a.1)));
                    vertices.len() as u32 - 1
                })
            };
            let (mut low, mut high) = (Vec::with_capacity(5), Vec::with_capacity(5));
            for (i, c) in piece.iter().enumerate() {
                let next = &piece[(i + 1) % piece.len()];
                if side(c) <= 0 {
                    low.push(*c);
                }
                if side(c) >= 0 {
                    high.push(*c);
                }
                if side(c) * side(next) < 0 {
                    // Edges along a level cross no other, so their name does not matter.
                    let cut = PieceCorner { vertex: new(c.edge), z: level, edge: c.edge };
                    low.push(cut);
                    high.push(cut);
                }
            }
            pieces.push(low);
            piece = high;
        }
        pieces.push(piece);
        for t in pieces.iter().flat_map(|p| split(p, &vertices)) {
            triangles.push(t);
            sources.push(source);
        }
    }
    FinerMesh { vertices, triangles, sources }
}

/// A corner of a piece of a facet, its height, and the facet's edge that goes on from it.
#[derive(Clone, Copy)]
struct PieceCorner {
    vertex: u32,
    z: f64,
    edge: [u32; 2],
}

/// The triangles of a convex piece: a fan from the corner that makes its longest diagonal short.
fn split(piece: &[PieceCorner], vertices: &[Point]) -> Vec<[u32; 3]> {
    let n = piece.len();
    let at = |i: usize| vertices[piece[i % n].vertex as usize];
    let longest = |from: &usize| {
        (2..n - 1).map(|i| (at(from + i) - at(*from)).norm_squared()).fold(0.0, f64::max)
    };
    let from = (0..n).min_by(|a, b| longest(a).total_cmp(&longest(b))).unwrap_or(0);
    let vertex = |i: usize| piece[(from + i) % n].vertex;
    (1..n - 1).map(|i| [vertex(0), vertex(i), vertex(i + 1)]).collect()
}
