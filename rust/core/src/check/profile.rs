//! The profile: what each layer weighs on, as columns for a plot or a table.

use crate::finding::Report;
use serde::{Deserialize, Serialize};

/// One number a layer in each column; all columns are equally long.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Profile {
    /// Height when the layer is done, mm.
    pub z_mm: Vec<f64>,
    /// Time from the start until the layer is done, s.
    pub clock_s: Vec<f64>,
    /// Solid area, mm².
    pub section_mm2: Vec<f64>,
    /// Area of voids sealed while the layer prints, mm².
    pub sealed_mm2: Vec<f64>,
    /// Peel of the layer, N.
    pub peel_n: Vec<f64>,
    /// Upper bound of the pull of sealed voids, and what vented ones keep, N.
    pub suction_n: Vec<f64>,
    /// Stress in the hardest working neck over what it may bear; 0 without tips.
    pub tip_use: Vec<f64>,
    /// Stress in the hardest working column or brace over what it may bear; 0 without supports.
    pub bar_use: Vec<f64>,
    /// Press on the hardest pressed column over what its buckling allows; 0 without supports.
    pub column_use: Vec<f64>,
    /// Stress in the part's own hardest working section over what it may bear.
    pub section_use: Vec<f64>,
    /// Tension at the plate over what the bond may bear.
    pub bond_use: Vec<f64>,
    /// Part of a layer by which spring-back makes it too thick.
    pub missed: Vec<f64>,
}

impl Profile {
    /// Number of layers.
    pub fn len(&self) -> usize {
        self.z_mm.len()
    }

    /// Whether there is no layer.
    pub fn is_empty(&self) -> bool {
        self.z_mm.is_empty()
    }

    /// Peel and suction of a layer together, N.
    ///
    /// # Panics
    /// When there is no such layer.
    pub fn pull_n(&self, layer: u32) -> f64 {
        self.peel_n[layer as usize] + self.suction_n[layer as usize]
    }

    /// Adds copies of a part: areas and forces add up, uses are those of the worst.
    pub(super) fn add(&mut self, other: &Profile, copies: f64) {
        if other.len() > self.len() {
            (self.z_mm, self.clock_s) = (other.z_mm.clone(), other.clock_s.clone());
        }
        let n = self.len();
        let mut merge = |mine: fn(&mut Profile) -> &mut Vec<f64>, theirs: &[f64], sums: bool| {
            let mine = mine(self);
            mine.resize(n, 0.0);
            for (a, b) in mine.iter_mut().zip(theirs) {
                *a = if sums { *a + copies * b } else { a.max(*b) };
            }
        };
        merge(|p| &mut p.section_mm2, &other.section_mm2, true);
        merge(|p| &mut p.sealed_mm2, &other.sealed_mm2, true);
        merge(|p| &mut p.peel_n, &other.peel_n, true);
        merge(|p| &mut p.suction_n, &other.suction_n, true);
        merge(|p| &mut p.tip_use, &other.tip_use, false);
        merge(|p| &mut p.bar_use, &other.bar_use, false);
        merge(|p| &mut p.section_use, &other.section_use, false);
        merge(|p| &mut p.column_use, &other.column_use, false);
        merge(|p| &mut p.bond_use, &other.bond_use, false);
        merge(|p| &mut p.missed, &other.missed, false);
    }

    /// Puts the profile's totals and peaks into a report.
    pub(super) fn summary(&self, report: &mut Report) {
        let peak = |column: &[f64]| column.iter().copied().fold(0.0, f64::max);
        report.number("layers", self.len() as f64);
        report.number("height_mm", self.z_mm.last().copied().unwrap_or(0.0));
        report.number("time_s", self.clock_s.last().copied().unwrap_or(0.0));
        report.number("peak_section_mm2", peak(&self.section_mm2));
        report.number("peak_peel_n", peak(&self.peel_n));
        report.number("peak_suction_n", peak(&self.suction_n));
        report.number("peak_tip_use", peak(&self.tip_use));
        report.number("peak_bar_use", peak(&self.bar_use));
        report.number("peak_column_use", peak(&self.column_use));
        report.number("peak_section_use", peak(&self.section_use));
        report.number("peak_bond_use", peak(&self.bond_use));
    }
}
