//! Sets that grow together: the union–find behind shells, regions, voids and what hangs together.

/// Disjoint sets of the members 0, 1, 2, …; the head of a set is always its least member, so that
/// numbers given by heads follow the order of the members. Each member also has a side: it lies
/// with the head of its set or against it.
pub(crate) struct DisjointSets {
    /// Parent times two, plus one where the member lies against it.
    links: Vec<u32>,
}

impl DisjointSets {
    /// So many sets of one member each.
    pub(crate) fn new(members: usize) -> DisjointSets {
        DisjointSets { links: (0..members as u32).map(|i| i * 2).collect() }
    }

    /// Adds a set of one member and returns it.
    pub(crate) fn grow(&mut self) -> usize {
        self.links.push(2 * self.links.len() as u32);
        self.links.len() - 1
    }

    /// Head of a member's set, and whether the member lies against it.
    pub(crate) fn find(&mut self, member: usize) -> (usize, bool) {
        let (mut at, mut side) = (member, 0);
        loop {
            let link = self.links[at];
            let parent = (link / 2) as usize;
            if parent == at {
                return (at, side == 1);
            }
            // Halve the path: hang the member on its grandparent.
            self.links[at] = self.links[parent] ^ (link & 1);
            side ^= link & 1;
            at = parent;
        }
    }

    /// Head of a member's set.
    pub(crate) fn root(&mut self, member: usize) -> usize {
        self.find(member).0
    }

    /// Joins two sets; returns the head of the whole.
    pub(crate) fn join(&mut self, a: usize, b: usize) -> usize {
        self.join_sided(a, b, false);
        self.root(a)
    }

    /// Joins two sets such that the members lie against each other or not. Returns whether that
    /// agrees with what was joined before.
    pub(crate) fn join_sided(&mut self, a: usize, b: usize, against: bool) -> bool {
        let ((a, side_a), (b, side_b)) = (self.find(a), self.find(b));
        let side = side_a ^ side_b ^ against;
        if a == b {
            return !side;
        }
        self.links[a.max(b)] = a.min(b) as u32 * 2 + u32::from(side);
        true
    }

    /// Numbers the sets from 0 in the order of their heads and tells every member its number;
    /// returns how many there are.
    pub(crate) fn number(&mut self, mut tell: impl FnMut(usize, u32)) -> usize {
        let mut labels = vec![0u32; self.links.len()];
        let mut count = 0;
        for i in 0..self.links.len() {
            let root = self.root(i);
            if root == i {
                labels[i] = count;
                count += 1;
            }
            tell(i, labels[root]);
        }
        count as usize
    }
}
