//! From a part to the surfaces of its cavities.

use super::Hollow;
use super::roof::{Roof, Roofed};
use super::wall::{Deeper, Walls};
use crate::context::Context;
use crate::error::{Error, Result};
use crate::mesh::decimate::decimate;
use crate::mesh::distance::{Tree, skin};
use crate::mesh::edges::Edges;
use crate::mesh::iso::surface;
use crate::mesh::measure::volume_mm3;
use crate::mesh::shells::Shells;
use crate::mesh::{Bounds, Mesh, Point};
use crate::part::Part;

/// Growth of the cell when the grid would not fit.
const COARSER: f64 = 1.26;

/// What hollow found.
pub(super) struct Cavities {
    /// Closed surfaces facing into the cavities, largest first.
    pub(super) meshes: Vec<Mesh>,
    /// Their volume together.
    pub(super) volume_mm3: f64,
    /// What their roofs took from them, mm³.
    pub(super) filled_mm3: f64,
    /// How many were too small.
    pub(super) dropped: usize,
    /// A place on solid that would float within a cavity.
    pub(super) loose: Option<Point>,
    pub(super) cell_mm: f64,
    pub(super) walls: Walls,
    pub(super) bounds: Bounds,
    /// All triangles of the body, and those that bound its material.
    pub(super) body: Tree,
    pub(super) skin: Option<Tree>,
}

impl Cavities {
    pub(super) fn find(options: &Hollow, part: &Part, ctx: &Context) -> Result<Cavities> {
        let body = Tree::of(&part.body);
        ctx.checkpoint(0.02)?;
        let pieces = skin(&part.body, &body, options.cell_mm(), &ctx.stage("skin", 0.02, 0.2).job)?;
        let mut found = Cavities {
            meshes: Vec::new(),
            volume_mm3: 0.0,
            filled_mm3: 0.0,
            dropped: 0,
            loose: None,
            cell_mm: options.cell_mm(),
            walls: Walls::default(),
            bounds: part.body.bounds(),
            body,
            skin: pieces.map(Tree::new),
        };
        let raw = found.raw_surface(options, &ctx.stage("cavity", 0.2, 0.4))?;
        let raw = found.roofed(raw, options, part, &ctx.stage("roof", 0.4, 0.6))?;
        let mut kept = Vec::new();
        for shell in parts(&raw) {
            let volume = volume_mm3(&shell);
            // A loose shell surrounds its void by the wall, so it holds at least a ball of that
            // radius; a bubble of less than a cell can come out inside out, and is dropped.
            if volume < -options.wall_mm.powi(3) {
                found.loose = shell.vertices().first().copied();
                return Ok(found);
            }
            if volume < options.least_cavity_mm3 {
                found.dropped += 1;
            } else {
                kept.push((volume, shell));
            }
        }
        kept.sort_by(|a, b| b.0.total_cmp(&a.0));
        let mut finished = Vec::new();
        let count = kept.len() as f64;
        for (i, (_, shell)) in kept.into_iter().enumerate() {
            let ctx = ctx.stage(
                "finish",
                0.6 + 0.4 * i as f64 / count,
                0.6 + 0.4 * (i + 1) as f64 / count,
            );
            let fewer = if options.tolerance_mm > 0.0 {
                decimate(shell, options.tolerance_mm, &ctx.stage("thin out", 0.0, 0.5).job)?
            } else {
                shell
            };
            finished.push(found.deeper(options.wall_mm).secure(
                fewer,
                2.0 * found.cell_mm,
                &ctx,
            )?);
        }
        found.collect(finished, &part.name);
        Ok(found)
    }

    /// The field whose surface is the cavity's.
    pub(super) fn deeper(&self, wall_mm: f64) -> Deeper<'_> {
        Deeper { body: &self.body, skin: self.skin.as_ref().unwrap_or(&self.body), wall_mm }
    }

    /// The surface at the asked depth, on the finest grid that fits.
    fn raw_surface(&mut self, options: &Hollow, ctx: &Context) -> Result<Mesh> {
        loop {
            let field = self.deeper(options.wall_mm);
            let tried = surface(&field, &self.bounds, self.cell_mm, options.max_cells, &ctx.job);
            match tried {
                Err(Error::Limit { .. }) if self.cell_mm * COARSER <= options.wall_mm / 2.0 => {
                    self.cell_mm *= COARSER;
                }
                other => return other,
            }
        }
    }

    /// The same below a roof that carries itself at the part's pose.
    fn roofed(&mut self, raw: Mesh, options: &Hollow, part: &Part, ctx: &Context) -> Result<Mesh> {
        let job = ctx.stage("layers", 0.0, 0.5).job;
        let over = || Roof::over(&raw, &part.pose, self.cell_mm, &job);
        let roof = if options.roof { over()? } else { None };
        let Some(roof) = roof else { return Ok(raw) };
        let field = Roofed { deep: self.deeper(options.wall_mm), roof: &roof };
        let ctx = ctx.stage("surface", 0.5, 1.0);
        let mesh = surface(&field, &self.bounds, self.cell_mm, options.max_cells, &ctx.job)?;
        self.filled_mm3 = roof.filled_mm3;
        Ok(mesh)
    }

    /// Turns the surfaces to face into the cavities and sums up.
    fn collect(&mut self, finished: Vec<(Mesh, Walls)>, name: &str) {
        let mut area = 0.0;
        for (i, (mesh, walls)) in finished.into_iter().enumerate() {
            let own = (0..mesh.triangles().len()).map(|t| mesh.area_normal(t).norm() / 2.0);
            let own: f64 = own.sum();
            let sum = &mut self.walls;
            sum.least_mm = if i == 0 { walls.least_mm } else { sum.least_mm.min(walls.least_mm) };
            sum.mean_mm = (sum.mean_mm * area + walls.mean_mm * own) / (area + own);
            sum.p99_mm = sum.p99_mm.max(walls.p99_mm);
            area += own;
            self.volume_mm3 += volume_mm3(&mesh);
            self.meshes.push(mesh.flipped().renamed(format!("{name} cavity {}", i + 1)));
        }
    }
}

/// The shells of a mesh as meshes of their own, in the order of their first facet.
fn parts(mesh: &Mesh) -> impl Iterator<Item = Mesh> {
    let shells = Shells::of(mesh.triangles(), &Edges::of(mesh.vertices().len(), mesh.triangles()));
    (0..shells.count()).map(move |s| mesh.piece(shells.facets(s)).renamed("cavity"))
}
