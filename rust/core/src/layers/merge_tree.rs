//! How closed voids grow together as the layers are taken from either end.

/// A closed void from one joining to the next.
#[derive(Clone, Debug, Default)]
pub(crate) struct Branch {
    /// Its layers in the order of growth, each with the void's area, mm².
    pub(crate) areas: Vec<(u32, f64)>,
    /// Its void regions, in the order of growth.
    pub(crate) regions: Vec<u32>,
    /// The branches that joined to make it; lower numbers than its own. None for a leaf.
    pub(crate) parts: Vec<u32>,
    /// The branch it became a part of.
    pub(crate) into: Option<u32>,
    /// The layer in which it met the outside; `None` when it never did or became a part.
    pub(crate) opens_at: Option<u32>,
}

/// Sums over a branch and all its parts.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Size {
    pub(crate) volume_mm3: f64,
    pub(crate) widest_mm2: f64,
    /// Lowest and highest layer.
    pub(crate) layers: (u32, u32),
}

impl Size {
    pub(crate) const NONE: Size = Size { volume_mm3: 0.0, widest_mm2: 0.0, layers: (u32::MAX, 0) };

    pub(crate) fn add(&mut self, other: Size) {
        self.volume_mm3 += other.volume_mm3;
        self.widest_mm2 = self.widest_mm2.max(other.widest_mm2);
        self.layers.0 = self.layers.0.min(other.layers.0);
        self.layers.1 = self.layers.1.max(other.layers.1);
    }
}

/// Closed voids as they grow and join. A *root* is a void as it was last before it opened or
/// ended; all that joined to make it are its branches.
pub(crate) struct MergeTree {
    /// The branches, parts before wholes.
    pub(crate) branches: Vec<Branch>,
    /// For each void region the branch it is closed in, if it is.
    pub(crate) branch_of: Vec<Option<u32>>,
    /// For each branch its size, parts included.
    pub(crate) sizes: Vec<Size>,
    /// For each branch its root.
    pub(crate) root_of: Vec<u32>,
}

impl MergeTree {
    pub(super) fn new(
        layer_mm: f64,
        branches: Vec<Branch>,
        branch_of: Vec<Option<u32>>,
    ) -> MergeTree {
        let mut sizes: Vec<Size> = Vec::with_capacity(branches.len());
        for b in &branches {
            let mut size = Size::NONE;
            for &(k, area) in &b.areas {
                let volume_mm3 = area * layer_mm;
                size.add(Size { volume_mm3, widest_mm2: area, layers: (k, k) });
            }
            b.parts.iter().for_each(|&p| size.add(sizes[p as usize]));
            sizes.push(size);
        }
        let mut root_of: Vec<u32> = (0..branches.len() as u32).collect();
        for i in (0..branches.len()).rev() {
            if let Some(whole) = branches[i].into {
                root_of[i] = root_of[whole as usize];
            }
        }
        MergeTree { branches, branch_of, sizes, root_of }
    }

    /// The root of the closed void that a region belongs to.
    pub(crate) fn root(&self, region: u32) -> Option<u32> {
        self.branch_of[region as usize].map(|b| self.root_of[b as usize])
    }

    pub(crate) fn roots(&self) -> impl Iterator<Item = u32> + '_ {
        (0..self.branches.len() as u32).filter(|&r| self.branches[r as usize].into.is_none())
    }

    /// Whether a root never opens, not even once the part is off the plate.
    pub(crate) fn is_pocket(&self, root: u32) -> bool {
        let opens = self.branches[root as usize].opens_at;
        opens.is_none() && self.sizes[root as usize].layers.0 > 0
    }

    /// A region of a root, one of those in which it begins.
    pub(crate) fn first_region(&self, root: u32) -> u32 {
        let mut branch = &self.branches[root as usize];
        while let Some(&part) = branch.parts.first() {
            branch = &self.branches[part as usize];
        }
        branch.regions[0]
    }

    /// All regions of a root.
    pub(crate) fn regions(&self, root: u32) -> impl Iterator<Item = u32> + '_ {
        let of_root = move |b: &usize| self.root_of[*b] == root;
        (0..self.branches.len())
            .filter(of_root)
            .flat_map(|b| self.branches[b].regions.iter().copied())
    }
}
