//! The void of all layers, kept so that it can be asked: what is at a point, and how does the
//! void grow together when the layers are taken upward or downward?
//!
//! Taken upward, a void that does not hold the outside is sealed by the film (a cup). Taken
//! downward, the part hangs from the plate and gravity pulls along +z: a void that does not hold
//! the outside is where resin stays (a puddle). Both are the same tree, grown from either end.

use super::grid::Grid;
use super::label::{Labelled, OUTSIDE, VoidRegion};
use super::merge_tree::{Branch, MergeTree};
use super::spans::Layers;
use crate::disjoint_sets::DisjointSets;
use crate::error::Result;
use crate::job::Job;
use crate::mesh::Point;
use rayon::prelude::*;
use std::collections::BTreeMap;

/// What is at a point.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Place {
    /// Solid, or the plate.
    Solid,
    /// Void that reaches the side within its layer, or lies beyond the grid.
    Outside,
    /// A void region, an index into [`VoidMap::regions`].
    Void(u32),
}

/// Which end of the layers a tree is grown from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum SweepFrom {
    /// SweepFrom the plate upward, as layers print.
    Plate,
    /// SweepFrom the last layer downward, as resin runs out of the hanging part.
    Top,
}

/// A tree in the making.
struct Grown {
    branches: Vec<Branch>,
    branch_of: Vec<Option<u32>>,
}

/// The void of all layers.
pub(crate) struct VoidMap {
    pub(crate) grid: Grid,
    /// The void regions that do not reach the side within their layer, layer by layer.
    pub(crate) regions: Vec<VoidRegion>,
    layers: Vec<Labelled>,
    /// First region of each layer.
    starts: Vec<u32>,
    /// Void contacts of each layer with the one above it.
    contacts: Vec<Vec<(u32, u32)>>,
}

impl VoidMap {
    /// Maps layers that are all in memory.
    ///
    /// # Errors
    /// [`Error::Cancelled`](crate::Error::Cancelled).
    pub(crate) fn of(layers: &Layers, job: &Job) -> Result<VoidMap> {
        let grid = layers.grid;
        let labelled = (0..layers.layers.len())
            .into_par_iter()
            .map(|k| job.go_on().map(|()| Labelled::new(&layers.layers[k], k as u32, &grid)))
            .collect::<Result<Vec<_>>>()?;
        let contacts = labelled
            .par_windows(2)
            .map(|w| job.go_on().map(|()| w[0].void_contacts(&w[1])))
            .collect::<Result<Vec<_>>>()?;
        let (mut starts, mut regions) = (vec![0], Vec::new());
        for layer in &labelled {
            regions.extend_from_slice(&layer.voids);
            starts.push(regions.len() as u32);
        }
        Ok(VoidMap { grid, regions, layers: labelled, starts, contacts })
    }

    /// What is at a point of the plate's coordinates.
    pub(crate) fn place(&self, p: &Point) -> Place {
        let g = &self.grid;
        if p.z < 0.0 {
            return Place::Solid;
        }
        let (i, j) = ((p.x - g.x0_mm) / g.pitch_mm, (p.y - g.y0_mm) / g.pitch_mm);
        let k = g.layer_at(p.z);
        let inside = i >= 0.0 && j >= 0.0 && i < f64::from(g.columns) && j < f64::from(g.rows);
        if !inside || k >= g.layers {
            return Place::Outside;
        }
        let row = self.layers[k as usize].row(j as u32);
        let after = row.partition_point(|r| r.pixels.0 <= i as u32);
        let Some(before) = after.checked_sub(1) else { return Place::Outside };
        if row[before].pixels.1 > i as u32 {
            Place::Solid
        } else if after == row.len() || row[before].gap == OUTSIDE {
            Place::Outside
        } else {
            Place::Void(self.starts[k as usize] + row[before].gap)
        }
    }

    /// Where a void region is: rows with first pixel and the one past the last.
    pub(crate) fn stretches(&self, region: u32) -> Vec<(u32, u32, u32)> {
        let k = self.regions[region as usize].layer as usize;
        let gap = region - self.starts[k];
        let layer = &self.layers[k];
        let mut out = Vec::new();
        for row in layer.rows() {
            for pair in layer.row(row).windows(2).filter(|w| w[0].gap == gap) {
                out.push((row, pair[0].pixels.1, pair[1].pixels.0));
            }
        }
        out
    }

    /// A point inside a void region.
    pub(crate) fn point_in(&self, region: u32) -> Option<Point> {
        let stretches = self.stretches(region);
        let &(row, from, to) = stretches.get(stretches.len() / 2)?;
        Some(self.grid.pixel((from + to) / 2, row, self.regions[region as usize].layer))
    }

    /// Grows the void layer by layer and follows what is closed. Above the last layer everything
    /// is open; below the first lies the plate.
    pub(crate) fn tree(&self, from: SweepFrom) -> MergeTree {
        let n = self.layers.len();
        let mut grown = Grown { branches: Vec::new(), branch_of: vec![None; self.regions.len()] };
        // Set 0 is the outside, set r + 1 void region r.
        let mut sets = DisjointSets::new(self.regions.len() + 1);
        // Branches that reach the layer last grown, each with a region of theirs.
        let mut live: Vec<(u32, u32)> = Vec::new();
        for step in 0..n {
            let k = if from == SweepFrom::Plate { step } else { n - 1 - step };
            self.join_layer(&mut sets, k, from);
            live = self.grow(&mut grown, &mut sets, k, &live);
        }
        if from == SweepFrom::Plate {
            // What the last layer leaves open is open from there on.
            for (branch, _) in live {
                grown.branches[branch as usize].opens_at = Some(n as u32);
            }
        }
        MergeTree::new(self.grid.layer_mm, grown.branches, grown.branch_of)
    }

    fn join_layer(&self, sets: &mut DisjointSets, k: usize, from: SweepFrom) {
        let set = |layer: usize, label: u32| match label {
            OUTSIDE => 0,
            label => (self.starts[layer] + label) as usize + 1,
        };
        let (below, above) = match from {
            SweepFrom::Plate if k == 0 => return,
            SweepFrom::Plate => (k - 1, k),
            SweepFrom::Top if k + 1 == self.layers.len() => {
                for r in self.starts[k]..self.starts[k + 1] {
                    sets.join(0, r as usize + 1);
                }
                return;
            }
            SweepFrom::Top => (k, k + 1),
        };
        for &(a, b) in &self.contacts[below] {
            sets.join(set(below, a), set(above, b));
        }
    }

    /// Extends, joins, begins and ends branches at layer `k`.
    fn grow(
        &self,
        tree: &mut Grown,
        sets: &mut DisjointSets,
        k: usize,
        live: &[(u32, u32)],
    ) -> Vec<(u32, u32)> {
        let mut groups: BTreeMap<usize, (Vec<u32>, Vec<u32>)> = BTreeMap::new();
        for &(branch, region) in live {
            groups.entry(sets.root(region as usize + 1)).or_default().0.push(branch);
        }
        for region in self.starts[k]..self.starts[k + 1] {
            groups.entry(sets.root(region as usize + 1)).or_default().1.push(region);
        }
        let mut next = Vec::new();
        for (root, (parts, regions)) in groups {
            if root == 0 {
                for p in parts {
                    tree.branches[p as usize].opens_at = Some(k as u32);
                }
                continue;
            }
            // A branch without a region here is closed for good.
            let Some(&region) = regions.first() else { continue };
            let branch = match parts[..] {
                [one] => one,
                _ => {
                    let new = tree.branches.len() as u32;
                    for &p in &parts {
                        tree.branches[p as usize].into = Some(new);
                    }
                    tree.branches.push(Branch { parts, ..Branch::default() });
                    new
                }
            };
            let area = regions.iter().map(|&r| self.regions[r as usize].area_mm2).sum();
            for &r in &regions {
                tree.branch_of[r as usize] = Some(branch);
            }
            let b = &mut tree.branches[branch as usize];
            b.areas.push((k as u32, area));
            b.regions.extend(regions);
            next.push((branch, region));
        }
        next
    }
}
