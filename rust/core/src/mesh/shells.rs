//! Shells: the pieces of a surface that hang together by edges.

use super::edges::{Edges, is_collapsed};

/// Sets that grow together, each with the parity of its members against the set's head. Facets
/// are members; the parity says whether a facet runs against the head of its shell.
pub(crate) struct Union {
    /// Parent times two, plus the parity against it.
    links: Vec<u32>,
}

impl Union {
    pub(crate) fn new(members: usize) -> Union {
        Union { links: (0..members as u32).map(|i| i * 2).collect() }
    }

    /// Head of a member's set, and whether the member runs against it.
    pub(crate) fn find(&mut self, member: usize) -> (usize, bool) {
        let mut at = member;
        let mut parity = 0;
        loop {
            let link = self.links[at];
            let parent = (link / 2) as usize;
            if parent == at {
                return (at, parity == 1);
            }
            // Halve the path: hang the member on its grandparent.
            let above = self.links[parent];
            self.links[at] = above ^ (link & 1);
            parity ^= link & 1;
            at = parent;
        }
    }

    /// Joins two sets such that the members run against each other or not. Returns whether that
    /// agrees with what was joined before. The lower head stays head.
    pub(crate) fn join(&mut self, a: usize, b: usize, against: bool) -> bool {
        let ((a, pa), (b, pb)) = (self.find(a), self.find(b));
        let parity = pa ^ pb ^ against;
        if a == b {
            return !parity;
        }
        self.links[a.max(b)] = a.min(b) as u32 * 2 + u32::from(parity);
        true
    }
}

/// The facets of a mesh grouped by shell; collapsed ones belong to none. Shells are numbered by
/// their first facet.
pub(crate) struct Shells {
    /// Shell of each facet.
    pub(crate) of_facet: Vec<Option<u32>>,
    starts: Vec<u32>,
    facets: Vec<u32>,
}

impl Shells {
    /// Facets that share any edge are of one shell.
    pub(crate) fn of(triangles: &[[u32; 3]], edges: &Edges) -> Shells {
        let mut union = Union::new(triangles.len());
        for edge in edges.iter() {
            for pair in edge.sides.windows(2) {
                union.join(pair[0].facet(), pair[1].facet(), false);
            }
        }
        Shells::from_union(&mut union, triangles)
    }

    /// One shell a set.
    pub(crate) fn from_union(union: &mut Union, triangles: &[[u32; 3]]) -> Shells {
        let mut of_facet = vec![None; triangles.len()];
        let mut starts = vec![0u32; 2];
        for facet in (0..triangles.len()).filter(|&f| !is_collapsed(&triangles[f])) {
            // A head is the lowest of its set, so it has been numbered by then.
            let head = union.find(facet).0;
            if head == facet {
                of_facet[facet] = Some(starts.len() as u32 - 2);
                starts.push(0);
            } else {
                of_facet[facet] = of_facet[head];
            }
            if let Some(shell) = of_facet[facet] {
                starts[shell as usize + 2] += 1;
            }
        }
        for s in 2..starts.len() {
            starts[s] += starts[s - 1];
        }
        let mut facets = vec![0; starts[starts.len() - 1] as usize];
        for (facet, shell) in of_facet.iter().enumerate() {
            if let Some(shell) = shell {
                let next = &mut starts[*shell as usize + 1];
                facets[*next as usize] = facet as u32;
                *next += 1;
            }
        }
        starts.pop();
        Shells { of_facet, starts, facets }
    }

    /// How many there are.
    pub(crate) fn count(&self) -> usize {
        self.starts.len() - 1
    }

    /// The facets of a shell, rising.
    pub(crate) fn facets(&self, shell: usize) -> &[u32] {
        &self.facets[self.starts[shell] as usize..self.starts[shell + 1] as usize]
    }
}
