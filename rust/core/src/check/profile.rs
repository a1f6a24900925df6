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
    /// Peel and suction at which film and machine give way by the whole lift, N.
    #[serde(default)]
    pub pull_limit_n: f64,
}

/// A profile as few steps as a curve needs, each the greatest of its layers: nothing that is beyond a
/// limit is lost.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ProfileSteps {
    /// Number of layers.
    pub layers: u32,
    /// Layers in a step; the last may have fewer.
    pub each: u32,
    /// Peel and suction together, N.
    pub pull_n: Vec<f64>,
    /// Suction alone, N.
    pub suction_n: Vec<f64>,
    /// [`Profile::pull_limit_n`].
    pub pull_limit_n: f64,
    /// [`Profile::tip_use`].
    pub tip_use: Vec<f64>,
    /// [`Profile::bar_use`].
    pub bar_use: Vec<f64>,
    /// [`Profile::column_use`].
    pub column_use: Vec<f64>,
    /// [`Profile::section_use`].
    pub section_use: Vec<f64>,
    /// [`Profile::bond_use`].
    pub bond_use: Vec<f64>,
}

/// Most steps of a curve.
const STEPS: usize = 240;

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

    /// The profile in steps.
    pub fn steps(&self) -> ProfileSteps {
        let each = self.len().div_ceil(STEPS).max(1);
        // Four digits are more than anybody reads off a curve.
        let short = |v: f64| format!("{v:.3e}").parse().unwrap_or(v);
        let greatest = |of: &[f64]| short(of.iter().copied().fold(0.0, f64::max));
        let of = |column: &[f64]| column.chunks(each).map(greatest).collect();
        let pull: Vec<f64> = (0..self.len() as u32).map(|k| self.pull_n(k)).collect();
        ProfileSteps {
            layers: self.len() as u32,
            each: each as u32,
            pull_n: of(&pull),
            suction_n: of(&self.suction_n),
            pull_limit_n: short(self.pull_limit_n),
            tip_use: of(&self.tip_use),
            bar_use: of(&self.bar_use),
            column_use: of(&self.column_use),
            section_use: of(&self.section_use),
            bond_use: of(&self.bond_use),
        }
    }

    /// Adds copies of a part: areas and forces add up, uses are those of the worst.
    pub(super) fn add(&mut self, other: &Profile, copies: f64) {
        if other.len() > self.len() {
            (self.z_mm, self.clock_s) = (other.z_mm.clone(), other.clock_s.clone());
        }
        self.pull_limit_n = other.pull_limit_n;
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
