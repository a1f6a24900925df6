//! Islands: what begins in mid-air and, until it joins what stands, is only held by luck.

use super::Evidence;
use crate::codes::FindingCode;
use crate::disjoint_sets::DisjointSets;
use crate::error::Result;
use crate::finding::{Finding, Severity};
use crate::layers::{Grid, Survey};

/// Islands that never grow beyond this many pixels may print all the same.
const TINY_PIXELS: f64 = 9.0;

/// Greatest area of islands that may print all the same, mm².
pub(crate) fn tiny_mm2(grid: &Grid) -> f64 {
    TINY_PIXELS * grid.pitch_mm * grid.pitch_mm
}

/// Regions that do not stand on the plate while they print, gathered into pieces.
#[derive(Debug, Default)]
pub(super) struct Floats {
    /// For each region of the survey whether it floats.
    pub floating: Vec<bool>,
    pub pieces: Vec<Float>,
}

/// A piece that floats until a layer joins it to what stands.
#[derive(Clone, Debug, Default)]
pub(super) struct Float {
    /// Its lowest region.
    pub first: u32,
    /// Its last layer as a floating piece.
    pub last_layer: u32,
    /// Greatest floating area in a layer, mm².
    pub widest_mm2: f64,
    /// The layer that joins it.
    pub joined_at: Option<u32>,
    /// Area in `last_layer` so far, mm².
    here_mm2: f64,
}

impl Float {
    fn add(&mut self, region: u32, layer: u32, area_mm2: f64) {
        if self.widest_mm2 == 0.0 {
            self.first = region;
        }
        if layer != self.last_layer {
            (self.last_layer, self.here_mm2) = (layer, 0.0);
        }
        self.here_mm2 += area_mm2;
        self.widest_mm2 = self.widest_mm2.max(self.here_mm2);
    }

    fn merge(&mut self, other: Float) {
        if other.widest_mm2 == 0.0 {
            return;
        }
        if self.widest_mm2 == 0.0 {
            *self = other;
            return;
        }
        self.first = self.first.min(other.first);
        self.widest_mm2 = self.widest_mm2.max(other.widest_mm2);
        self.last_layer = self.last_layer.max(other.last_layer);
    }
}

impl Floats {
    /// Sweeps upward with one set per piece, set 0 what stands on the plate.
    pub(super) fn of(survey: &Survey) -> Floats {
        let mut out = Floats { floating: vec![false; survey.regions.len()], pieces: Vec::new() };
        let mut sets = DisjointSets::new(survey.regions.len() + 1);
        let mut growing = vec![Float::default(); survey.regions.len() + 1];
        for k in 0..survey.grid.layers {
            for r in survey.regions_of(k) {
                let below: Vec<usize> = if k == 0 {
                    vec![0]
                } else {
                    survey.below(r as u32).map(|b| b as usize + 1).collect()
                };
                for b in below {
                    let (a, b) = (sets.root(b), sets.root(r + 1));
                    if a == b {
                        continue;
                    }
                    let keep = sets.join(a, b);
                    let mut other = std::mem::take(&mut growing[a.max(b)]);
                    if keep > 0 {
                        growing[keep].merge(other);
                    } else if other.widest_mm2 > 0.0 {
                        other.joined_at = Some(k);
                        out.pieces.push(other);
                    }
                }
            }
            for r in survey.regions_of(k) {
                let root = sets.root(r + 1);
                if root != 0 {
                    out.floating[r] = true;
                    growing[root].add(r as u32, k, survey.regions[r].area_mm2);
                }
            }
        }
        out.pieces.extend(growing.into_iter().filter(|g| g.widest_mm2 > 0.0));
        out.pieces.sort_by_key(|p| p.first);
        out
    }
}

pub(super) fn find(e: &Evidence<'_>) -> Result<Vec<Finding>> {
    let (grid, name) = (e.grid(), &e.part.name);
    let tiny_mm2 = tiny_mm2(grid);
    let mut out = Vec::new();
    let (mut tiny, mut tiny_at) = (0, None);
    for piece in &e.floats.pieces {
        let region = &e.survey.regions[piece.first as usize];
        if piece.widest_mm2 < tiny_mm2 {
            tiny += 1;
            tiny_at = tiny_at.or(Some(region));
            continue;
        }
        let fate = match piece.joined_at {
            Some(k) => format!("layer {k} joins it to the rest"),
            None => "nothing ever joins it to the rest".into(),
        };
        let message = format!(
            "a piece begins in mid-air at layer {} and grows to {:.2} mm²; {fate}",
            region.layer, piece.widest_mm2
        );
        out.push(
            Finding::new(FindingCode::Island, Severity::Fault, name, message)
                .at_layers(region.layer, piece.last_layer)
                .at(region.place(grid))
                .measured(piece.widest_mm2, tiny_mm2, "mm²")
                .remedy("support it, or turn the part so that it grows out of what stands"),
        );
    }
    if let Some(region) = tiny_at {
        let message =
            format!("islands of less than {TINY_PIXELS} pixels: {tiny}; they may get lost");
        out.push(
            Finding::new(FindingCode::Island, Severity::Warning, name, message)
                .at_layers(region.layer, region.layer)
                .at(region.place(grid))
                .remedy("look at them; smooth the model or support them if they matter"),
        );
    }
    Ok(out)
}
