//! Which facets meet at each edge: found once, asked by all that walks over surfaces.

/// One facet at an edge.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Side {
    high: u32,
    code: u32,
}

impl Side {
    /// The facet.
    pub(crate) fn facet(self) -> usize {
        (self.code / 6) as usize
    }

    /// The corner of the facet at which the edge starts, in the facet's own direction.
    pub(crate) fn corner(self) -> usize {
        (self.code / 2 % 3) as usize
    }

    /// Whether the facet runs along the edge from the lower vertex to the higher.
    pub(crate) fn forward(self) -> bool {
        self.code % 2 == 1
    }
}

/// An edge and the facets that meet at it, by rising facet number.
#[derive(Clone, Copy, Debug)]
pub(crate) struct MeshEdge<'a> {
    /// The lower-numbered vertex.
    pub(crate) low: u32,
    /// The higher-numbered vertex.
    pub(crate) high: u32,
    /// The facets; never empty.
    pub(crate) sides: &'a [Side],
}

impl MeshEdge<'_> {
    /// Facets that run forward less those that run backward; zero where the surface closes.
    pub(crate) fn balance(&self) -> i64 {
        self.sides.iter().map(|s| if s.forward() { 1 } else { -1 }).sum()
    }
}

/// Whether a corner repeats: such a facet runs along an edge both ways, and so matters nowhere.
pub(crate) fn is_collapsed(t: &[u32; 3]) -> bool {
    t[0] == t[1] || t[1] == t[2] || t[2] == t[0]
}

/// All edges of a set of triangles. Those of collapsed facets do not count.
pub(crate) struct Edges {
    /// Where the edges of each lower vertex begin in `sides`.
    starts: Vec<u32>,
    sides: Vec<Side>,
}

/// Most triangles whose corners can be numbered with their direction in 32 bits.
pub(crate) const MAX_TRIANGLES: usize = (u32::MAX / 6) as usize;

impl Edges {
    /// The edges of triangles over so many vertices, in linear time but for sorting the few edges
    /// at each vertex.
    pub(crate) fn of(vertices: usize, triangles: &[[u32; 3]]) -> Edges {
        debug_assert!(triangles.len() <= MAX_TRIANGLES);
        let ends = |t: &[u32; 3], corner: usize| (t[corner], t[(corner + 1) % 3]);
        let mut starts = vec![0u32; vertices + 2];
        for t in triangles.iter().filter(|t| !is_collapsed(t)) {
            for corner in 0..3 {
                let (a, b) = ends(t, corner);
                starts[a.min(b) as usize + 2] += 1;
            }
        }
        for v in 2..starts.len() {
            starts[v] += starts[v - 1];
        }
        // While filling, starts[v + 1] is where the next edge of v goes; afterwards, where those
        // of v end.
        let mut sides = vec![Side { high: 0, code: 0 }; starts[vertices + 1] as usize];
        for (facet, t) in triangles.iter().enumerate().filter(|(_, t)| !is_collapsed(t)) {
            for corner in 0..3 {
                let (a, b) = ends(t, corner);
                let next = &mut starts[a.min(b) as usize + 1];
                let code = ((facet * 3 + corner) * 2) as u32 + u32::from(a < b);
                sides[*next as usize] = Side { high: a.max(b), code };
                *next += 1;
            }
        }
        starts.pop();
        for w in starts.windows(2) {
            sides[w[0] as usize..w[1] as usize].sort_by_key(|s| s.high);
        }
        Edges { starts, sides }
    }

    /// Every edge, by rising lower and then higher vertex.
    pub(crate) fn iter(&self) -> impl Iterator<Item = MeshEdge<'_>> {
        self.starts.windows(2).enumerate().flat_map(|(low, w)| {
            self.sides[w[0] as usize..w[1] as usize]
                .chunk_by(|a, b| a.high == b.high)
                .map(move |sides| MeshEdge { low: low as u32, high: sides[0].high, sides })
        })
    }

    /// The facets at the edge between two vertices, none if there is no such edge.
    pub(crate) fn between(&self, a: u32, b: u32) -> &[Side] {
        let low = a.min(b) as usize;
        let of_low = &self.sides[self.starts[low] as usize..self.starts[low + 1] as usize];
        let from = of_low.partition_point(|s| s.high < a.max(b));
        let to = of_low.partition_point(|s| s.high <= a.max(b));
        &of_low[from..to]
    }
}
