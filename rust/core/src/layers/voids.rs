//! Voids as the layers close and open them: cups and pockets.
//!
//! While layer k prints, the film closes its far side and the plate closes z = 0. A void region
//! of layer k is sealed when its component of the void within layers 0…k does not hold the
//! outside. Components only ever grow with k, so one union–find swept upward finds them all.

use super::grid::Grid;
use super::label::{OUTSIDE, VoidRegion};
use crate::disjoint_sets::DisjointSets;
use crate::mesh::Point;
use serde::{Deserialize, Serialize};

/// A void that was sealed for some layers. One that never opens is a pocket: it traps resin.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Cup {
    /// The layers in which it was sealed, ascending, each with the sealed area, mm².
    pub sealed: Vec<(u32, f64)>,
    /// Volume of its sealed layers, mm³.
    pub volume_mm3: f64,
    /// The first layer in which it reaches the outside, the number of layers when only the last
    /// one leaves it open; `None` for a pocket.
    pub opens_at: Option<u32>,
    /// Centroid of its widest sealed layer, mm.
    pub place: Point,
}

impl Cup {
    /// Whether it never reaches the outside.
    pub fn is_pocket(&self) -> bool {
        self.opens_at.is_none()
    }

    /// First and last sealed layer.
    pub fn layers(&self) -> (u32, u32) {
        (self.sealed[0].0, self.sealed[self.sealed.len() - 1].0)
    }

    /// The widest sealed layer and its area, mm².
    pub fn widest(&self) -> (u32, f64) {
        self.sealed.iter().fold((0, 0.0), |w, &s| if s.1 > w.1 { s } else { w })
    }
}

/// The sweep's state: one set per component, set 0 the outside.
pub(super) struct Voids {
    sets: DisjointSets,
    growing: Vec<Growing>,
    /// Set of each void region of the layer last pushed.
    last: Vec<u32>,
    done: Vec<Cup>,
}

#[derive(Clone, Default)]
struct Growing {
    sealed: Vec<(u32, f64)>,
    widest: (f64, [f64; 2], u32),
}

impl Voids {
    pub(super) fn new() -> Voids {
        Voids {
            sets: DisjointSets::new(1),
            growing: vec![Growing::default()],
            last: Vec::new(),
            done: Vec::new(),
        }
    }

    /// Takes layer `k` with its contacts to the layer before and marks its sealed regions.
    pub(super) fn push(
        &mut self,
        k: u32,
        regions: &mut [VoidRegion],
        contacts: &[(u32, u32)],
        grid: &Grid,
    ) {
        let mut now: Vec<u32> = Vec::with_capacity(regions.len());
        for _ in regions.iter() {
            now.push(self.sets.grow() as u32);
            self.growing.push(Growing::default());
        }
        for &(below, above) in contacts {
            let set =
                |sets: &[u32], label: u32| if label == OUTSIDE { 0 } else { sets[label as usize] };
            let (a, b) = (set(&self.last, below), set(&now, above));
            self.join(a as usize, b as usize, k, grid);
        }
        for (region, &set) in regions.iter_mut().zip(&now) {
            let root = self.sets.root(set as usize);
            region.sealed = root != 0;
            if region.sealed {
                self.growing[root].add(k, region);
            }
        }
        self.last = now;
    }

    fn join(&mut self, a: usize, b: usize, k: u32, grid: &Grid) {
        let (a, b) = (self.sets.root(a), self.sets.root(b));
        if a == b {
            return;
        }
        let keep = self.sets.join(a, b);
        let other = std::mem::take(&mut self.growing[a.max(b)]);
        if keep == 0 {
            self.done.extend(other.finish(Some(k), grid));
        } else {
            self.growing[keep].merge(other);
        }
    }

    /// Every void that was ever sealed, by first sealed layer and place. What the last layer
    /// leaves open is open from there on.
    pub(super) fn finish(mut self, grid: &Grid) -> Vec<Cup> {
        for set in std::mem::take(&mut self.last) {
            self.join(0, set as usize, grid.layers, grid);
        }
        let left = self.growing.drain(1..).filter_map(|g| g.finish(None, grid));
        self.done.extend(left);
        self.done.sort_by(|a, b| {
            let key = |c: &Cup| (c.layers(), c.place.y, c.place.x);
            key(a).partial_cmp(&key(b)).unwrap_or(std::cmp::Ordering::Equal)
        });
        self.done
    }
}

impl Growing {
    fn add(&mut self, k: u32, region: &VoidRegion) {
        match self.sealed.last_mut() {
            Some(last) if last.0 == k => last.1 += region.area_mm2,
            _ => self.sealed.push((k, region.area_mm2)),
        }
        if region.area_mm2 > self.widest.0 || self.sealed.len() == 1 {
            self.widest = (region.area_mm2, region.centroid_mm, k);
        }
    }

    fn merge(&mut self, other: Growing) {
        if other.widest.0 > self.widest.0 || self.sealed.is_empty() {
            self.widest = other.widest;
        }
        self.sealed.extend(other.sealed);
        self.sealed.sort_by_key(|s| s.0);
        self.sealed.dedup_by(|b, a| {
            let same = a.0 == b.0;
            if same {
                a.1 += b.1;
            }
            same
        });
    }

    fn finish(self, opens_at: Option<u32>, grid: &Grid) -> Option<Cup> {
        let (_, [x, y], k) = self.widest;
        let area: f64 = self.sealed.iter().map(|s| s.1).sum();
        (!self.sealed.is_empty()).then(|| Cup {
            volume_mm3: area * grid.layer_mm,
            opens_at,
            place: Point::new(x, y, grid.z_mm(k)),
            sealed: self.sealed,
        })
    }
}
