//! Shells: the pieces of a surface that hang together by edges.

use super::edges::{Edges, is_collapsed};
use crate::disjoint_sets::DisjointSets;

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
        let mut sets = DisjointSets::new(triangles.len());
        for edge in edges.iter() {
            for pair in edge.sides.windows(2) {
                sets.join(pair[0].facet(), pair[1].facet());
            }
        }
        Shells::from_sets(&mut sets, triangles)
    }

    /// One shell a set.
    pub(crate) fn from_sets(sets: &mut DisjointSets, triangles: &[[u32; 3]]) -> Shells {
        let mut of_facet = vec![None; triangles.len()];
        let mut starts = vec![0u32; 2];
        for facet in (0..triangles.len()).filter(|&f| !is_collapsed(&triangles[f])) {
            // A head is the lowest of its set, so it has been numbered by then.
            let head = sets.root(facet);
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
