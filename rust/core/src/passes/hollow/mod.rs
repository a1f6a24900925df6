//! Hollow: a cavity at constant wall, and if wanted a lattice in it.

mod cavity;
mod lattice;
mod roof;
mod wall;

pub use lattice::Lattice;

use crate::codes::FindingCode;
use crate::context::Context;
use crate::error::{Error, Result, check_range};
use crate::finding::{Done, Finding, Report, Severity};
use crate::mesh::measure::volume_mm3;
use crate::part::Part;
use crate::pass::Pass;
use cavity::Cavities;
use serde::{Deserialize, Serialize};
use std::sync::Arc;

/// Hollows a part: removes everything deeper than `wall_mm` below its outer surface. The outer
/// surface itself is not touched. The wall is measured as true distance, so it may come out
/// thicker (in reentrant corners of the cavity, by up to a cell where it is coarse), but not
/// thinner than asked by more than [`Hollow::SAFE_MM`].
///
/// On the side of the film a cavity ends in a roof that carries itself at the part's present pose,
/// since nothing could be held from inside: turn the part first. A cavity that would save hardly
/// more than its two holes, its plugs and the resin that stays in it cost is left solid.
///
/// The cavity is sealed: run [`Vent`](super::Vent) next.
///
/// # Errors
/// [`Error::Value`] for an option out of its range, [`Error::Pass`] for a part that already has
/// cavities or whose model holds a sealed void of its own that would be cut loose,
/// [`Error::Limit`] when `max_cells` would force a cell coarser than half the wall.
///
/// ```
/// use vatwright::{Context, Part, Pass, Setup, mesh::shapes::cuboid, passes::Hollow};
/// # let mut setup = Setup::default();
/// # (setup.exposure.layer_mm, setup.machine.pixel_mm) = (0.1, 0.1); // quick to run
/// let ctx = Context::new(setup);
/// let part = Part::new(cuboid(12.0, 12.0, 12.0)?);
/// let done = Hollow { wall_mm: 2.0, ..Hollow::default() }.apply(part, &ctx)?;
/// assert_eq!(done.value.cavities.len(), 1);
/// # Ok::<(), vatwright::Error>(())
/// ```
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Hollow {
    /// Least thickness of the wall, mm.
    pub wall_mm: f64,
    /// Cell of the grid that the cavity is found on, mm; none: an eighth of the wall.
    pub cell_mm: Option<f64>,
    /// Root mean square distance to which the cavity's flat places are thinned out, mm.
    pub tolerance_mm: f64,
    /// Cavities smaller than this stay solid, mm³: what may stay in a vented one, its plugs and the
    /// care they take are worth about as much (common practice, no source).
    pub least_cavity_mm3: f64,
    /// The part stays solid when less than this share of its resin would be saved.
    pub least_saved: f64,
    /// Whether cavities end in a roof that carries itself.
    pub roof: bool,
    /// Most grid nodes to store (20 bytes each); beyond it the cell grows, and the report says so.
    pub max_cells: u64,
    /// Struts inside the cavities.
    pub lattice: Option<Lattice>,
}

impl Default for Hollow {
    fn default() -> Hollow {
        Hollow {
            wall_mm: 2.0,
            cell_mm: None,
            tolerance_mm: 0.001,
            least_cavity_mm3: 300.0,
            least_saved: 0.1,
            roof: true,
            max_cells: 30_000_000,
            lattice: None,
        }
    }
}

impl Hollow {
    /// How far below the asked wall the finished one may lie between the places where it is
    /// measured, mm: a tenth of the finest layer step in use.
    pub const SAFE_MM: f64 = 2e-3;

    /// Checks the options against their ranges.
    ///
    /// # Errors
    /// [`Error::Value`] naming the first that is out of its range.
    pub fn validate(&self) -> Result<()> {
        check_range("hollow.wall_mm", self.wall_mm, 0.3, 20.0, "mm")?;
        let least_cell = self.wall_mm / 100.0;
        check_range("hollow.cell_mm", self.cell_mm(), least_cell, self.wall_mm / 2.0, "mm")?;
        check_range("hollow.tolerance_mm", self.tolerance_mm, 0.0, 0.1, "mm")?;
        check_range("hollow.least_cavity_mm3", self.least_cavity_mm3, 0.0, 1e9, "mm³")?;
        check_range("hollow.least_saved", self.least_saved, 0.0, 1.0, "")?;
        check_range("hollow.max_cells", self.max_cells as f64, 1e5, 1e8, "")?;
        self.lattice.as_ref().map_or(Ok(()), Lattice::validate)
    }

    fn cell_mm(&self) -> f64 {
        self.cell_mm.unwrap_or(self.wall_mm / 8.0)
    }

    fn refuse<T>(&self, part: &Part, problem: &str, remedy: &str) -> Result<T> {
        Err(Error::Pass {
            pass: "hollow",
            part: part.name.clone(),
            problem: problem.into(),
            remedy: remedy.into(),
        })
    }
}

impl Pass<Part> for Hollow {
    type Out = Part;

    fn name(&self) -> &'static str {
        "hollow"
    }

    fn validate(&self) -> Result<()> {
        Hollow::validate(self)
    }

    fn apply(&self, mut part: Part, ctx: &Context) -> Result<Done<Part>> {
        self.validate()?;
        if !part.cavities.is_empty() || part.lattice.is_some() {
            return self.refuse(&part, "it is hollow already", "hollow a part once");
        }
        let mut report = Report::new("hollow", &part.name);
        let mut found = Cavities::find(self, &part, ctx)?;
        if let Some(place) = found.loose {
            let p = part.pose * place;
            report.findings.push(
                Finding::new(
                    FindingCode::StaysSolid,
                    Severity::Warning,
                    &part.name,
                    "it stays solid: around its own sealed void a loose shell would remain",
                )
                .at(p)
                .remedy("fill the void or open it to the outside first"),
            );
            return Ok(Done { value: part, report });
        }
        if found.cell_mm > self.cell_mm() * (1.0 + 1e-9) {
            let said = format!(
                "the cell was coarsened from {:.3} to {:.3} mm to stay within max_cells",
                self.cell_mm(),
                found.cell_mm
            );
            report.findings.push(
                Finding::new(FindingCode::CoarseCell, Severity::Note, &part.name, said)
                    .measured(found.cell_mm, self.cell_mm(), "mm")
                    .remedy("raise max_cells, or accept blunter corners in the cavity"),
            );
        }
        let body_mm3 = volume_mm3(&part.body);
        let share = found.volume_mm3 / body_mm3;
        if !found.meshes.is_empty() && share < self.least_saved {
            found.meshes.clear();
            let said = format!(
                "it stays solid: cavities would save {:.1} ml, {:.0} % of its resin, less than their \
                 holes and plugs are worth",
                found.volume_mm3 / 1000.0,
                100.0 * share
            );
            report.findings.push(
                Finding::new(FindingCode::StaysSolid, Severity::Note, &part.name, said)
                    .measured(share, self.least_saved, "")
                    .remedy("lower hollow.least_saved if it should be hollow all the same"),
            );
            found.volume_mm3 = 0.0;
        } else if found.meshes.is_empty() {
            let said = if found.dropped > 0 {
                format!("it stays solid: no cavity reaches {} mm³", self.least_cavity_mm3)
            } else {
                format!("it stays solid: no place lies deeper than {} mm", self.wall_mm)
            };
            report.findings.push(
                Finding::new(FindingCode::StaysSolid, Severity::Note, &part.name, said)
                    .measured(found.volume_mm3, self.least_cavity_mm3, "mm³")
                    .remedy("ask a thinner wall if it should be hollow"),
            );
        }
        report.number("cell_mm", found.cell_mm);
        report.number("cavities", found.meshes.len() as f64);
        report.number("dropped_cavities", found.dropped as f64);
        report.number("roof_ml", found.filled_mm3 / 1000.0);
        report.number("cavity_ml", found.volume_mm3 / 1000.0);
        let mut saved = found.volume_mm3;
        if !found.meshes.is_empty() {
            report.number("least_wall_mm", found.walls.least_mm);
            report.number("mean_wall_mm", found.walls.mean_mm);
            report.number("p99_wall_mm", found.walls.p99_mm);
            if let Some(lattice) = &self.lattice {
                let (mesh, inside_mm3) = lattice.build(&found, &part.pose, self, ctx)?;
                saved -= inside_mm3;
                report.number("lattice_ml", inside_mm3 / 1000.0);
                part.lattice = (!mesh.triangles().is_empty()).then(|| Arc::new(mesh));
            }
        }
        report.number("resin_saved_ml", saved / 1000.0);
        debug_assert!(found.meshes.iter().all(|m| volume_mm3(m) < 0.0));
        part.cavities = found.meshes.into_iter().map(Arc::new).collect();
        Ok(Done { value: part, report })
    }
}
