//! Repair: from whatever a file holds to a solid, in three strengths.

use super::Pass;
use crate::codes::FindingCode;
use crate::context::Context;
use crate::error::{Error, Result, check_range};
use crate::finding::{Done, Finding, Severity};
use crate::job::Job;
use crate::mesh::decimate::decimate;
use crate::mesh::distance::{Tree, skin};
use crate::mesh::health::{self, Fill, RepairOptions, Repaired};
use crate::mesh::rebuild::{self, Sheets};
use crate::mesh::{Mesh, Solid};
use crate::part::Part;
use serde::{Deserialize, Serialize};
use std::sync::Arc;

/// How far repair goes.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Strength {
    /// What needs no guess: see [`health::repair`]. Other defects are refused.
    Mend,
    /// Mends, and closes wide holes too, as [`Repair::fill`] says. Each is told.
    #[default]
    Fill,
    /// Mends and closes all holes; where that leads to no solid, leaves something out, or leads to
    /// one that passes through itself, makes a new surface instead.
    Rebuild,
}

/// Options of the pass. On a mesh it makes a solid, as every file goes through before the first
/// step of a recipe; a part's body is one already, and only `rebuild` has work to do there.
///
/// # Errors
/// [`Error::NotSolid`] with all that is left, where, and what to do; [`Error::Value`] for an option
/// out of its range; [`Error::Limit`] for more cells or open edges than are allowed.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Repair {
    /// How far it goes.
    pub strength: Strength,
    /// Which holes wider than `hole_mm` the strength `fill` closes.
    pub fill: Fill,
    /// Vertices at open edges are merged when closer than this, mm.
    pub weld_mm: f64,
    /// Holes up to this width are closed without a word, mm.
    pub hole_mm: f64,
    /// Cell of the grid on which a new surface is made, mm: detail finer than that is lost. None: a
    /// three-hundredth of the longest side.
    pub cell_mm: Option<f64>,
    /// Thickness of the wall that `rebuild` makes of open sheets, mm. None: their holes are closed
    /// instead, and what is left open is lost.
    pub sheet_mm: Option<f64>,
    /// Most grid nodes to store (20 bytes each).
    pub max_cells: u64,
}

impl Default for Repair {
    fn default() -> Repair {
        let RepairOptions { weld_mm, hole_mm, .. } = RepairOptions::default();
        Repair {
            strength: Strength::Fill,
            fill: Fill::Planar,
            weld_mm,
            hole_mm,
            cell_mm: None,
            sheet_mm: None,
            max_cells: 30_000_000,
        }
    }
}

/// Share of the longest side that a cell takes, and least cell, mm.
const CELL: (f64, f64) = (1.0 / 300.0, 0.02);
/// Root mean square distance to which a new surface is thinned out, mm.
const THIN_MM: f64 = 1e-3;

impl Repair {
    /// Checks the options against their ranges.
    ///
    /// # Errors
    /// [`Error::Value`] naming the first that is out of its range.
    pub fn validate(&self) -> Result<()> {
        check_range("repair.weld_mm", self.weld_mm, 0.0, 1.0, "mm")?;
        check_range("repair.hole_mm", self.hole_mm, 0.0, 1000.0, "mm")?;
        check_range("repair.cell_mm", self.cell_mm.unwrap_or(1.0), 0.01, 10.0, "mm")?;
        check_range("repair.sheet_mm", self.sheet_mm.unwrap_or(1.0), 0.05, 20.0, "mm")?;
        check_range("repair.max_cells", self.max_cells as f64, 1e5, 1e8, "")
    }

    fn options(&self, fill: Fill) -> RepairOptions {
        RepairOptions { weld_mm: self.weld_mm, hole_mm: self.hole_mm, fill }
    }

    /// Makes a solid of a mesh.
    ///
    /// # Errors
    /// As the pass.
    pub fn mesh(&self, mesh: Mesh, job: &Job) -> Result<Done<Repaired>> {
        self.validate()?;
        job.checkpoint(0.0)?;
        match self.strength {
            Strength::Mend => health::repair(mesh, &self.options(Fill::Small)),
            Strength::Fill => health::repair(mesh, &self.options(self.fill)),
            Strength::Rebuild => self.rebuild(mesh, job),
        }
    }

    fn rebuild(&self, mesh: Mesh, job: &Job) -> Result<Done<Repaired>> {
        let size_mm = mesh.bounds().size().max();
        let cell_mm = self.cell_mm.unwrap_or((size_mm * CELL.0).clamp(CELL.1, 10.0));
        // Sheets that are to become walls must not be closed into lumps.
        let fill = if self.sheet_mm.is_some() { Fill::Small } else { Fill::All };
        if let Ok(done) = health::repair(mesh.clone(), &self.options(fill))
            && done.report.numbers.get("dropped_slivers").is_none_or(|n| *n == 0.0)
            && !overlaps(&done.value.solid, cell_mm, &job.stage("look", 0.0, 0.1))?
        {
            return Ok(done);
        }
        let left = health::mended(mesh, &self.options(fill))?;
        job.checkpoint(0.1)?;
        let sheets = self.sheet_mm.map(|wall_mm| Sheets {
            facets: left.open.iter().map(|&f| left.mesh.corners(f as usize)).collect(),
            wall_mm,
        });
        let name = left.mesh.name().to_string();
        let made = rebuild::rebuild(
            &left.mesh,
            sheets,
            cell_mm,
            self.max_cells,
            &job.stage("build", 0.1, 0.8),
        )?;
        let fewer = decimate(made.mesh, THIN_MM, &job.stage("thin out", 0.8, 1.0))?;
        let solid = Solid::try_from(fewer)?;
        let mut report = left.report;
        report.number("rebuilt_cell_mm", cell_mm);
        report.number("rebuilt_error_mm", made.error_mm);
        let message = format!(
            "the whole surface was made anew on a grid of {cell_mm:.3} mm: finer detail is lost, and \
             it lies up to {:.3} mm from the surface that was there",
            made.error_mm
        );
        report.findings.push(
            Finding::new(FindingCode::Rebuilt, Severity::Warning, &name, message)
                .at(made.farthest)
                .measured(made.error_mm, cell_mm, "mm")
                .remedy("compare it with what was meant; a smaller repair.cell_mm keeps more"),
        );
        let origin = vec![None; solid.triangles().len()];
        Ok(Done { value: Repaired { solid, origin }, report })
    }
}

/// Whether a solid passes through itself.
fn overlaps(solid: &Solid, cell_mm: f64, job: &Job) -> Result<bool> {
    Ok(skin(solid, &Tree::of(solid), cell_mm, job)?.is_some())
}

impl Pass<Mesh> for Repair {
    type Out = Solid;

    fn name(&self) -> &'static str {
        "repair"
    }

    fn validate(&self) -> Result<()> {
        Repair::validate(self)
    }

    fn apply(&self, mesh: Mesh, ctx: &Context) -> Result<Done<Solid>> {
        let Done { value, report } = self.mesh(mesh, &ctx.job)?;
        Ok(Done { value: value.solid, report })
    }
}

impl Pass<Part> for Repair {
    type Out = Part;

    fn name(&self) -> &'static str {
        "repair"
    }

    fn validate(&self) -> Result<()> {
        Repair::validate(self)
    }

    fn apply(&self, mut part: Part, ctx: &Context) -> Result<Done<Part>> {
        self.validate()?;
        part.not_compensated("repair")?;
        let touched = !part.cavities.is_empty() || part.supports.is_some() || part.raft.is_some();
        if touched && self.strength == Strength::Rebuild {
            return Err(Error::Pass {
                pass: "repair",
                part: part.name,
                problem: "other passes have built on its surface".into(),
                remedy: "make repair the first step".into(),
            });
        }
        let same = part.body.triangles().len();
        let Done { value, mut report } = match self.strength {
            Strength::Rebuild => self.mesh(part.body.mesh().clone(), &ctx.job)?,
            _ => health::repair(part.body.mesh().clone(), &self.options(Fill::Small))?,
        };
        let flags: Vec<bool> = (0..same).map(|f| part.is_keep_clean(f)).collect();
        let carried = value.carry(&flags);
        if flags.contains(&true) {
            if !carried.contains(&true) {
                let message = "the keep-clean marks are lost with the old surface";
                report.findings.push(
                    Finding::new(FindingCode::KeepClean, Severity::Warning, &part.name, message)
                        .remedy("mark the facets again"),
                );
            }
            part.keep_clean = Arc::new(carried);
        }
        part.body = value.solid;
        report.part = part.name.clone();
        Ok(Done { value: part, report })
    }
}
