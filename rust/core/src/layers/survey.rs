//! One sweep over all layers that finds what hangs together: regions, islands, components, cups.

use super::grid::Grid;
use super::grid::SUBPIXEL;
use super::label::{Labelled, Region, VoidRegion};
use super::scan::Scan;
use super::spans::{Layer, Layers};
use super::voids::{Cup, Voids};
use crate::disjoint_sets::DisjointSets;
use crate::error::Result;
use crate::job::Job;
use rayon::prelude::*;
use serde::{Deserialize, Serialize};
use std::ops::Range;

/// What a layer amounts to.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Section {
    /// Solid area, mm².
    pub area_mm2: f64,
    /// Part of it too thin to hold a pixel's centre: modelled, but not printed, mm².
    pub thin_mm2: f64,
    /// Length of all outlines, mm.
    pub perimeter_mm: f64,
    /// Area of voids sealed while this layer prints, mm².
    pub sealed_mm2: f64,
}

/// Regions of all layers that hang together.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Component {
    /// Lowest layer.
    pub first_layer: u32,
    /// Highest layer.
    pub last_layer: u32,
    /// Volume, mm³.
    pub volume_mm3: f64,
    /// Its lowest region, an index into [`Survey::regions`].
    pub first_region: u32,
}

/// What one sweep over all layers found.
///
/// ```
/// use vatwright::{Job, Part, Role, layers::{Grid, Scan, Survey}, mesh::shapes::bowl};
/// let part = Part::new(bowl(8.0, 1.0, 0.0, 48)?);
/// let surfaces = part.surfaces(&Role::ALL);
/// let layers = Scan::new(&surfaces, Grid::around(&surfaces, 0.1, 0.1)?).layers(&Job::default())?;
/// let survey = Survey::of(&layers, &Job::default())?;
/// assert_eq!(survey.components.len(), 1);
/// # Ok::<(), vatwright::Error>(())
/// ```
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Survey {
    /// Where layers, rows and pixels lie.
    pub grid: Grid,
    /// Every layer.
    pub sections: Vec<Section>,
    /// The solid regions of all layers, layer by layer.
    pub regions: Vec<Region>,
    /// The void regions of all layers that do not reach the side within their layer.
    pub voids: Vec<VoidRegion>,
    /// Regions that begin in mid-air, indices into `regions`.
    pub islands: Vec<u32>,
    /// Which regions hang together in all.
    pub components: Vec<Component>,
    /// Voids that are sealed in some layer, pockets among them.
    pub cups: Vec<Cup>,
    /// For each region its component.
    pub component_of: Vec<u32>,
    region_starts: Vec<u32>,
    /// Pairs (lower, upper) of touching regions of neighbouring layers, sorted by upper.
    contacts: Vec<(u32, u32)>,
}

impl Survey {
    /// Sweeps layers that are all in memory.
    ///
    /// # Errors
    /// [`Error::Cancelled`](crate::Error::Cancelled).
    pub fn of(layers: &Layers, job: &Job) -> Result<Survey> {
        let mut sweep = SurveySweep::new(layers.grid);
        for chunk in layers.layers.chunks(CHUNK) {
            job.checkpoint(f64::from(sweep.next) / layers.layers.len() as f64)?;
            sweep.push(chunk);
        }
        Ok(sweep.finish())
    }

    /// Scans and sweeps block by block, holding no more layers than fit into about `bytes`.
    ///
    /// # Errors
    /// [`Error::Cancelled`](crate::Error::Cancelled).
    pub fn stream(scan: &Scan, bytes: usize, job: &Job) -> Result<Survey> {
        let mut sweep = SurveySweep::new(*scan.grid());
        scan.for_each_block(bytes, job, |block| {
            for chunk in block.layers.chunks(CHUNK) {
                sweep.push(chunk);
            }
            Ok(())
        })?;
        Ok(sweep.finish())
    }

    /// Indices of a layer's regions in [`Survey::regions`].
    pub fn regions_of(&self, layer: u32) -> Range<usize> {
        let k = layer as usize;
        self.region_starts[k] as usize..self.region_starts[k + 1] as usize
    }

    /// Regions of the layer below that touch this region.
    pub fn below(&self, region: u32) -> impl Iterator<Item = u32> + '_ {
        let start = self.contacts.partition_point(|c| c.1 < region);
        self.contacts[start..].iter().take_while(move |c| c.1 == region).map(|c| c.0)
    }

    /// Volume of all layers, mm³.
    pub fn volume_mm3(&self) -> f64 {
        self.sections.iter().map(|s| s.area_mm2).sum::<f64>() * self.grid.layer_mm
    }

    /// Voids that never open.
    pub fn pockets(&self) -> impl Iterator<Item = &Cup> {
        self.cups.iter().filter(|c| c.is_pocket())
    }
}

/// Layers labelled at once, in parallel.
const CHUNK: usize = 256;

struct SurveySweep {
    survey: Survey,
    voids: Voids,
    solids: DisjointSets,
    before: Labelled,
    next: u32,
}

impl SurveySweep {
    fn new(grid: Grid) -> SurveySweep {
        SurveySweep {
            survey: Survey {
                grid,
                sections: Vec::with_capacity(grid.layers as usize),
                regions: Vec::new(),
                voids: Vec::new(),
                islands: Vec::new(),
                components: Vec::new(),
                cups: Vec::new(),
                component_of: Vec::new(),
                region_starts: vec![0],
                contacts: Vec::new(),
            },
            voids: Voids::new(),
            solids: DisjointSets::new(0),
            before: Labelled::nothing(),
            next: 0,
        }
    }

    fn push(&mut self, layers: &[Layer]) {
        let grid = self.survey.grid;
        let first = self.next;
        let mut labelled: Vec<Labelled> = layers
            .par_iter()
            .enumerate()
            .map(|(i, layer)| Labelled::new(layer, first + i as u32, &grid))
            .collect();
        let contacts: Vec<_> = (0..labelled.len())
            .into_par_iter()
            .map(|i| {
                let below = if i == 0 { &self.before } else { &labelled[i - 1] };
                (below.solid_contacts(&labelled[i]), below.void_contacts(&labelled[i]))
            })
            .collect();
        for ((layer, here), (solid, void)) in layers.iter().zip(&mut labelled).zip(contacts) {
            self.push_solid(here, &solid);
            let k = self.next;
            // On the plate nothing lies below, so even the outside of layer 0 has no contact.
            self.voids.push(k, &mut here.voids, if k == 0 { &[] } else { &void }, &grid);
            let sub = grid.pitch_mm * grid.pitch_mm / f64::from(SUBPIXEL);
            self.survey.sections.push(Section {
                area_mm2: layer.area_mm2(&grid),
                thin_mm2: here.thin as f64 * sub,
                // Folds, since the sum of nothing is −0 and prints like that.
                perimeter_mm: here.regions.iter().fold(0.0, |sum, r| sum + r.perimeter_mm),
                sealed_mm2: here
                    .voids
                    .iter()
                    .filter(|v| v.sealed)
                    .fold(0.0, |sum, v| sum + v.area_mm2),
            });
            self.survey.voids.extend_from_slice(&here.voids);
            self.next += 1;
        }
        if let Some(last) = labelled.pop() {
            self.before = last;
        }
    }

    fn push_solid(&mut self, here: &Labelled, contacts: &[(u32, u32)]) {
        let survey = &mut self.survey;
        let base = survey.regions.len() as u32;
        let below = survey.region_starts[(self.next as usize).saturating_sub(1)];
        let mut carried = vec![false; here.regions.len()];
        for _ in &here.regions {
            self.solids.grow();
        }
        let start = survey.contacts.len();
        for &(lower, upper) in contacts {
            carried[upper as usize] = true;
            survey.contacts.push((below + lower, base + upper));
            self.solids.join((below + lower) as usize, (base + upper) as usize);
        }
        survey.contacts[start..].sort_unstable_by_key(|c| (c.1, c.0));
        if self.next > 0 {
            let free = carried.iter().enumerate().filter(|(_, c)| !**c);
            survey.islands.extend(free.map(|(i, _)| base + i as u32));
        }
        survey.regions.extend_from_slice(&here.regions);
        survey.region_starts.push(survey.regions.len() as u32);
    }

    fn finish(self) -> Survey {
        let SurveySweep { mut survey, voids, mut solids, .. } = self;
        survey.cups = voids.finish(&survey.grid);
        let (regions, components) = (&survey.regions, &mut survey.components);
        let layer_mm = survey.grid.layer_mm;
        solids.number(|i, label| {
            let (label, region) = (label as usize, &regions[i]);
            if label == components.len() {
                components.push(Component {
                    first_layer: region.layer,
                    last_layer: region.layer,
                    volume_mm3: 0.0,
                    first_region: i as u32,
                });
            }
            let component = &mut components[label];
            component.last_layer = component.last_layer.max(region.layer);
            component.volume_mm3 += region.area_mm2 * layer_mm;
            survey.component_of.push(label as u32);
        });
        survey
    }
}
