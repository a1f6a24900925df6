//! Where no support may stand: inside a closed cavity nothing that is built can be taken out again.
//! A cavity with vents counts as closed: a column does not come out through a hole made for resin.

use crate::error::Result;
use crate::job::Job;
use crate::layers::{Grid, MergeTree, Place, SweepFrom, VoidMap};
use crate::mesh::Point;
use crate::part::Part;
use crate::structure;

/// The closed cavities of a part.
pub(super) struct Enclosed {
    map: VoidMap,
    tree: MergeTree,
}

impl Enclosed {
    /// None for a part that has no cavities: what was modelled open stays open.
    pub(super) fn of(
        part: &Part,
        grid: &Grid,
        pockets: bool,
        job: &Job,
    ) -> Result<Option<Enclosed>> {
        if part.vents.is_empty() && !pockets {
            return Ok(None);
        }
        let map = VoidMap::of(&structure::stopped(part, grid, job)?, job)?;
        let tree = map.tree(SweepFrom::Plate);
        Ok(Some(Enclosed { map, tree }))
    }

    /// Whether a place lies in one of them.
    pub(super) fn holds(&self, p: &Point) -> bool {
        let Place::Void(region) = self.map.place(p) else { return false };
        self.tree.root(region).is_some_and(|root| self.tree.is_pocket(root))
    }
}
