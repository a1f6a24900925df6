//! How much of each role is in each layer: every different part is drawn once, its copies follow.

use crate::context::Context;
use crate::error::Result;
use crate::layers::{Grid, Scan, Surface, layers_to};
use crate::mesh::measure;
use crate::part::{Part, Role};
use crate::plate::Plate;
use crate::setup::Setup;
use std::collections::BTreeMap;

/// One part of a plate and what its layers hold.
pub(super) struct Drawn<'a> {
    pub(super) part: &'a Part,
    pub(super) copies: u32,
    /// Solid area of each layer, everything printed counted once, mm².
    pub(super) layer_mm2: Vec<f64>,
    /// Volume each role adds to those before it, mm³.
    pub(super) role_mm3: BTreeMap<Role, f64>,
    /// First layer that holds some of the body.
    pub(super) body_starts: Option<u32>,
    /// Surface that comes out wet, mm².
    pub(super) surface_mm2: f64,
    /// Resin shut into cavities that have no vent, ml.
    pub(super) sealed_ml: f64,
    /// Resin that vented cavities hold back, ml.
    pub(super) retained_ml: f64,
}

/// Draws every different part of a plate, in the order of their first place.
pub(super) fn draw<'a>(
    plate: &'a Plate,
    setup: &Setup,
    pitch_mm: f64,
    ctx: &Context,
) -> Result<Vec<Drawn<'a>>> {
    let mut different: Vec<(&Part, u32)> = Vec::new();
    for placed in &plate.placed {
        let part = &*placed.part;
        match different.iter_mut().find(|(p, _)| std::ptr::eq(*p, part) || p.shares_geometry(part))
        {
            Some((_, copies)) => *copies += 1,
            None => different.push((part, 1)),
        }
    }
    let n = different.len().max(1) as f64;
    different
        .into_iter()
        .enumerate()
        .map(|(i, (part, copies))| {
            let ctx = ctx.stage(&part.name, i as f64 / n, (i + 1) as f64 / n);
            one(part, copies, setup.exposure.layer_mm, pitch_mm, &ctx)
        })
        .collect()
}

fn one<'a>(
    part: &'a Part,
    copies: u32,
    layer_mm: f64,
    pitch_mm: f64,
    ctx: &Context,
) -> Result<Drawn<'a>> {
    let everything = part.surfaces(&Role::ALL);
    let grid = Grid::around(&everything, layer_mm, pitch_mm)?;
    let mut role_mm3 = BTreeMap::new();
    let mut body_starts = None;
    let mut layer_mm2 = vec![0.0; layers_to(part.bounds().max.z, layer_mm) as usize];
    let (mut before, mut shown) = (0.0, 0);
    for n in 1..=Role::ALL.len() {
        let roles = &Role::ALL[..n];
        let surfaces = part.surfaces(roles);
        // A role without geometry adds nothing.
        if surfaces.len() == shown {
            continue;
        }
        shown = surfaces.len();
        let areas = areas(&surfaces, grid, ctx)?;
        let volume = areas.iter().sum::<f64>() * layer_mm;
        if n == 1 {
            body_starts = areas.iter().position(|a| *a > 0.0).map(|k| k as u32);
        }
        role_mm3.insert(Role::ALL[n - 1], volume - before);
        before = volume;
        layer_mm2 = areas;
    }
    let area = |mesh| measure::measure(mesh).area_mm2;
    // What hollow left closed, and what vent could not open.
    let closed: f64 = part.cavities.iter().map(|c| measure::volume_mm3(c).abs() * 1e-3).sum();
    let held = |shut: bool| -> f64 {
        let of = part.drainage.iter().enumerate().filter(|(i, _)| part.is_shut(*i) == shut);
        of.map(|(_, d)| d.retained_ml).sum()
    };
    Ok(Drawn {
        part,
        copies,
        layer_mm2,
        role_mm3,
        body_starts,
        surface_mm2: everything.iter().map(|s| area(s.mesh)).sum(),
        sealed_ml: closed + held(true),
        retained_ml: held(false),
    })
}

fn areas(surfaces: &[Surface<'_>], grid: Grid, ctx: &Context) -> Result<Vec<f64>> {
    /// Memory of a block of layers; enough for many layers of any part.
    const BLOCK: usize = 32 << 20;
    let mut out = Vec::with_capacity(grid.layers as usize);
    Scan::new(surfaces, grid).for_each_block(BLOCK, &ctx.job, |block| {
        out.extend(block.layers.iter().map(|l| l.area_mm2(&grid)));
        Ok(())
    })?;
    Ok(out)
}
