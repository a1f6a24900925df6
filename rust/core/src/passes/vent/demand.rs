//! What a part asks for: which voids must be opened, and which need not.

use super::needs::{Need, needs};
use super::refusal::Refusal;
use super::size::Pool;
use super::{Unserved, Vent};
use crate::context::Context;
use crate::error::Result;
use crate::layers::{MergeTree as Tree, Outlet, Size, SweepFrom as From, VoidMap, outlets};
use crate::mechanics::flow::AIR_LOCK_MEASURED_MM;
use crate::part::{Part, Role};

/// The void's two trees and the needs that follow.
pub(super) struct Demand {
    up: Side,
    down: Side,
    layer_mm: f64,
    /// Roots of the downward tree that empty when the part is turned over, and by what.
    pub(super) vessels: Vec<(u32, Outlet)>,
    pub(super) needs: Vec<Need>,
}

/// One of the trees with what was decided about its roots.
pub(super) struct Side {
    pub(super) tree: Tree,
    /// For each branch, whether it is a root that must be opened.
    pub(super) wanted: Vec<bool>,
}

impl Side {
    fn of(map: &VoidMap, from: From) -> Side {
        let tree = map.tree(from);
        let wanted = vec![false; tree.branches.len()];
        Side { tree, wanted }
    }
}

impl Demand {
    pub(super) fn of(options: &Vent, map: &VoidMap, part: &Part, ctx: &Context) -> Result<Demand> {
        let (mut up, mut down) = (Side::of(map, From::Plate), Side::of(map, From::Top));
        let noise = ctx.setup.limits.noise_mm3;
        let sucks = |s: Size| s.volume_mm3 > noise && s.widest_mm2 >= options.cup_mm2;
        let holds = |s: Size| s.volume_mm3 > options.puddle_mm3();
        for root in up.tree.roots().collect::<Vec<_>>() {
            let size = up.tree.sizes[root as usize];
            up.wanted[root as usize] = if up.tree.is_pocket(root) {
                size.volume_mm3 >= options.least_cavity_mm3.max(noise)
            } else {
                sucks(size)
            };
        }
        let mut held = Vec::new();
        for root in down.tree.roots().collect::<Vec<_>>() {
            let above =
                up.tree.root(down.tree.first_region(root)).filter(|&u| up.tree.is_pocket(u));
            match above {
                // A cavity without an opening needs a way in and a way out.
                Some(pocket) => down.wanted[root as usize] = up.wanted[pocket as usize],
                None if holds(down.tree.sizes[root as usize]) => held.push(root),
                None => {}
            }
        }
        let mut vessels = Vec::new();
        if !held.is_empty() {
            let body = part.surfaces(&[Role::Body, Role::Lattice]);
            let (trees, holes) = ([&up.tree, &down.tree], part.vent_ends());
            let ball_mm = AIR_LOCK_MEASURED_MM;
            let found = outlets(map, &body, trees, &held, &holes, ball_mm, &ctx.job)?;
            for (root, outlet) in held.into_iter().zip(found) {
                down.wanted[root as usize] = outlet.is_none();
                vessels.extend(outlet.map(|outlet| (root, outlet)));
            }
        }
        let picked = |side: &Side, root: u32| side.wanted[root as usize];
        let mut all = needs(map, &up.tree, From::Plate, |r| picked(&up, r), sucks);
        all.extend(needs(map, &down.tree, From::Top, |r| picked(&down, r), holds));
        Ok(Demand { up, down, layer_mm: map.grid.layer_mm, vessels, needs: all })
    }

    pub(super) fn side(&self, from: From) -> &Side {
        match from {
            From::Plate => &self.up,
            From::Top => &self.down,
        }
    }

    /// Where the void of a drain begins next to the plate: what a hole there lets out when the
    /// part is turned over.
    pub(super) fn turned(&self, drain: &Need) -> impl Iterator<Item = &Need> {
        let root = self.up.tree.root(drain.chain[0].regions[0]);
        self.needs.iter().filter(move |n| n.from == From::Plate && Some(n.root) == root)
    }

    /// A need that got no hole, with what the report must know.
    pub(super) fn unserved(&self, map: &VoidMap, need: Need, why: Refusal) -> Unserved {
        let region = need.chain[0].regions[0];
        let pocket = self.up.tree.root(region).is_some_and(|r| self.up.tree.is_pocket(r));
        let size = self.side(need.from).tree.sizes[need.root as usize];
        Unserved { need, why, size, pocket, place: map.point_in(region) }
    }

    /// What one of `n` holes for a need has to drain; `None` for holes that take in air.
    pub(super) fn pool(&self, need: &Need, n: u32) -> Option<Pool> {
        if need.from == From::Plate {
            return None;
        }
        let size = self.down.tree.sizes[need.root as usize];
        let sharers = self.needs.iter().filter(|o| o.from == From::Top && o.root == need.root);
        let share = f64::from(n) * sharers.count() as f64;
        let layers = size.layers.1 + 1 - size.layers.0;
        Some(Pool {
            volume_mm3: size.volume_mm3 / share,
            height_mm: f64::from(layers) * self.layer_mm,
        })
    }
}
