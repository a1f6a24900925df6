//! What a part asks for: which voids must be opened, and which need not.

use super::needs::{Need, Size, needs, sizes};
use super::place::Refusal;
use super::size::Pool;
use super::{Unserved, Vent};
use crate::context::Context;
use crate::error::Result;
use crate::layers::{From, Grid, Layer, Layers, Place, Scan, Surface, Tree, VoidMap};
use crate::mechanics::flow::AIR_LOCK_MEASURED_MM;
use crate::mesh::{Bounds, Point, Pose, Vector};
use crate::part::{Part, Role};

/// The void's two trees and the needs that follow.
pub(super) struct Demand {
    up: Side,
    down: Side,
    layer_mm: f64,
    /// Roots of the downward tree that are wide open and empty when the part is turned over.
    pub(super) vessels: Vec<u32>,
    pub(super) needs: Vec<Need>,
}

/// One of the trees with what was decided about its roots.
pub(super) struct Side {
    pub(super) tree: Tree,
    pub(super) sizes: Vec<Size>,
    pub(super) root_of: Vec<u32>,
    /// For each branch, whether it is a root that must be opened.
    pub(super) wanted: Vec<bool>,
}

impl Side {
    fn of(map: &VoidMap, from: From) -> Side {
        let tree = map.tree(from);
        let sizes = sizes(map, &tree);
        let mut root_of: Vec<u32> = (0..sizes.len() as u32).collect();
        for i in (0..sizes.len()).rev() {
            if let Some(whole) = tree.branches[i].into {
                root_of[i] = root_of[whole as usize];
            }
        }
        let wanted = vec![false; sizes.len()];
        Side { tree, sizes, root_of, wanted }
    }

    /// The root of the closed void that a region belongs to.
    pub(super) fn root(&self, region: u32) -> Option<u32> {
        self.tree.branch_of[region as usize].map(|b| self.root_of[b as usize])
    }

    pub(super) fn roots(&self) -> impl Iterator<Item = u32> + '_ {
        (0..self.sizes.len() as u32).filter(|&r| self.tree.branches[r as usize].into.is_none())
    }

    /// Whether a root never opens, not even once the part is off the plate.
    pub(super) fn is_pocket(&self, root: u32) -> bool {
        let opens = self.tree.branches[root as usize].opens_at;
        opens.is_none() && self.sizes[root as usize].layers.0 > 0
    }

    /// A region of a root, one of those in which it begins.
    pub(super) fn first_region(&self, root: u32) -> u32 {
        let mut branch = &self.tree.branches[root as usize];
        while let Some(&part) = branch.parts.first() {
            branch = &self.tree.branches[part as usize];
        }
        branch.regions[0]
    }

    /// All regions of a root.
    fn regions(&self, root: u32) -> impl Iterator<Item = u32> + '_ {
        let of_root = move |b: &usize| self.root_of[*b] == root;
        (0..self.sizes.len())
            .filter(of_root)
            .flat_map(|b| self.tree.branches[b].regions.iter().copied())
    }
}

impl Demand {
    pub(super) fn of(options: &Vent, map: &VoidMap, part: &Part, ctx: &Context) -> Result<Demand> {
        let (mut up, mut down) = (Side::of(map, From::Plate), Side::of(map, From::Top));
        let noise = ctx.setup.limits.noise_mm3;
        let sucks = |s: Size| s.volume_mm3 > noise && s.widest_mm2 >= options.cup_mm2;
        let holds = |s: Size| s.volume_mm3 > options.puddle_mm3();
        for root in up.roots().collect::<Vec<_>>() {
            let size = up.sizes[root as usize];
            up.wanted[root as usize] = if up.is_pocket(root) {
                size.volume_mm3 >= options.least_cavity_mm3.max(noise)
            } else {
                sucks(size)
            };
        }
        let mut vessels = Vec::new();
        for root in down.roots().collect::<Vec<_>>() {
            let above = up.root(down.first_region(root)).filter(|&u| up.is_pocket(u));
            match above {
                // A cavity without an opening needs a way in and a way out.
                Some(pocket) => down.wanted[root as usize] = up.wanted[pocket as usize],
                None if holds(down.sizes[root as usize]) => vessels.push(root),
                None => {}
            }
        }
        if !vessels.is_empty() {
            let wide = wide_open(map, part, &down, &vessels, ctx)?;
            let mut wide = wide.into_iter();
            vessels.retain(|&root| {
                let wide = wide.next().unwrap_or(false);
                down.wanted[root as usize] = !wide;
                wide
            });
        }
        let picked = |side: &Side, root: u32| side.wanted[root as usize];
        let mut all = needs(map, &up.tree, From::Plate, &up.sizes, |r| picked(&up, r), sucks);
        all.extend(needs(map, &down.tree, From::Top, &down.sizes, |r| picked(&down, r), holds));
        Ok(Demand { up, down, layer_mm: map.grid.layer_mm, vessels, needs: all })
    }

    pub(super) fn side(&self, from: From) -> &Side {
        match from {
            From::Plate => &self.up,
            From::Top => &self.down,
        }
    }

    /// A need that got no hole, with what the report must know.
    pub(super) fn unserved(&self, map: &VoidMap, need: Need, why: Refusal) -> Unserved {
        let region = need.chain[0].regions[0];
        let pocket = self.up.root(region).is_some_and(|r| self.up.is_pocket(r));
        let size = self.side(need.from).sizes[need.root as usize];
        Unserved { need, why, size, pocket, place: point_in(map, region) }
    }

    /// What one of `n` holes for a need has to drain; `None` for holes that take in air.
    pub(super) fn pool(&self, need: &Need, n: u32) -> Option<Pool> {
        if need.from == From::Plate {
            return None;
        }
        let size = self.down.sizes[need.root as usize];
        let sharers = self.needs.iter().filter(|o| o.from == From::Top && o.root == need.root);
        let share = f64::from(n) * sharers.count() as f64;
        let layers = size.layers.1 + 1 - size.layers.0;
        Some(Pool {
            volume_mm3: size.volume_mm3 / share,
            height_mm: f64::from(layers) * self.layer_mm,
        })
    }
}

/// A point inside a void region.
pub(super) fn point_in(map: &VoidMap, region: u32) -> Option<Point> {
    let stretches = map.stretches(region);
    let &(row, from, to) = stretches.get(stretches.len() / 2)?;
    Some(map.grid.pixel((from + to) / 2, row, map.regions[region as usize].layer))
}

/// Whether a ball of air-lock size can roll into each vessel from outside: then air and resin
/// pass each other in its mouth, and turning the part over empties it.
///
/// Solid is grown by the ball's radius, within layers and across them; what is left void is where
/// the ball's centre can be.
fn wide_open(
    map: &VoidMap,
    part: &Part,
    down: &Side,
    vessels: &[u32],
    ctx: &Context,
) -> Result<Vec<bool>> {
    let radius = 0.5 * AIR_LOCK_MEASURED_MM;
    let lift = Vector::z() * (radius + map.grid.layer_mm);
    let raise = Pose::translation(lift.x, lift.y, lift.z);
    let surfaces: Vec<Surface<'_>> = part
        .surfaces(&[Role::Body, Role::Lattice])
        .into_iter()
        .map(|s| Surface { pose: raise * s.pose, ..s })
        .collect();
    let bounds = surfaces.iter().fold(Bounds::EMPTY, |b, s| b.union(&s.mesh.bounds_at(&s.pose)));
    let by = Vector::repeat(radius);
    let bounds = Bounds { min: bounds.min - by, max: bounds.max + by };
    let pitch = map.grid.pitch_mm.max(BALL_PITCH_MM);
    let grid = Grid::over(&bounds, pitch, pitch)?;
    let layers = Scan::new(&surfaces, grid).layers(ctx)?;
    let grown = VoidMap::of(&grow(&layers, radius, ctx)?, ctx)?;
    let closed = Side::of(&grown, From::Plate);
    let reached = |p: &Point| match grown.place(p) {
        Place::Solid => false,
        Place::Outside => true,
        Place::Void(r) => {
            closed.root(r).is_none_or(|root| closed.tree.branches[root as usize].opens_at.is_some())
        }
    };
    let into = |root: &u32| {
        down.regions(*root).any(|r| {
            let k = map.regions[r as usize].layer;
            map.stretches(r).iter().any(|&(row, from, to)| {
                (from..to).any(|i| reached(&(map.grid.pixel(i, row, k) + lift)))
            })
        })
    };
    Ok(vessels.iter().map(into).collect())
}

/// Pitch at which the ball is tried, mm. A wall would have to be thinner, and flat across the
/// ball's breadth, to be missed.
const BALL_PITCH_MM: f64 = 0.5;

/// Everything within a radius of the layers' solid.
fn grow(layers: &Layers, radius_mm: f64, ctx: &Context) -> Result<Layers> {
    let grid = layers.grid;
    let reach = (radius_mm / grid.layer_mm).floor() as usize;
    let discs: Vec<f64> = (0..=reach)
        .map(|d| {
            let h = d as f64 * grid.layer_mm;
            (radius_mm * radius_mm - h * h).max(0.0).sqrt()
        })
        .collect();
    let mut out = vec![Layer::default(); layers.layers.len()];
    for (k, layer) in layers.layers.iter().enumerate() {
        ctx.checkpoint(0.0)?;
        for (d, &disc) in discs.iter().enumerate() {
            let disc = layer.grown(disc, &grid);
            let above = (d > 0).then_some(k + d);
            for other in [k.checked_sub(d), above].into_iter().flatten() {
                if other < out.len() {
                    out[other] = out[other].union(&disc);
                }
            }
        }
    }
    Ok(Layers { grid, first: 0, layers: out })
}
