//! The evidence: what every mode of failure reads, computed once.

use super::adhesion::{self, Bond};
use super::island::Floats;
use super::overhang_span::{self, Ledge};
use super::profile::Profile;
use super::stand::{self, Standing};
use super::thickness::Lines;
use crate::context::Context;
use crate::error::Result;
use crate::layers::{Cup, Grid, Layer, Layers, Region, SUBPIXEL, Scan, Survey};
use crate::mechanics::peel::{Model, Pull, Run, compactness, torsion_mm4};
use crate::mechanics::{suction, time};
use crate::part::{Part, Role};
use crate::setup::Setup;
use rayon::prelude::*;

/// Layers, survey and loads of one part.
#[derive(Debug)]
pub struct Evidence<'a> {
    /// The part.
    pub part: &'a Part,
    /// How the work runs, and the workshop's numbers.
    pub ctx: &'a Context,
    /// Everything that will be printed.
    pub printed: Layers,
    /// What hangs together in `printed`.
    pub survey: Survey,
    /// Body and lattice alone, where supports or a raft make that something else.
    bare: Option<(Layers, Survey)>,
    /// What the film does to each region of [`Evidence::body_survey`].
    pub loads: Vec<Load>,
    /// Numbers by layer.
    pub profile: Profile,
    pub(super) floats: Floats,
    pub(super) ledges: Vec<Ledge>,
    pub(super) lines: Lines,
    pub(super) standing: Standing,
    pub(super) bond: Bond,
}

/// What the film does to a region.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Load {
    /// Its peel and where that acts.
    pub peel: Pull,
    /// The pull of sealed voids that it surrounds, an upper bound.
    pub suction: Pull,
    /// Its torsion constant, mm⁴: how it resists being squeezed or pulled through resin.
    pub torsion_mm4: f64,
}

/// Roles that make up the body's own section.
const BODY: [Role; 2] = [Role::Body, Role::Lattice];

impl<'a> Evidence<'a> {
    /// Scans the part at the printer's pixel and reads what the modes need.
    ///
    /// # Errors
    /// As [`inspect`](super::inspect).
    pub fn gather(part: &'a Part, ctx: &'a Context) -> Result<Evidence<'a>> {
        let (layer_mm, pixel_mm) = (ctx.setup.exposure.layer_mm, ctx.setup.machine.pixel_mm);
        // Each step tells the listener its name, so that its share of the time can be seen.
        let step = |name: &str, at: f64| ctx.stage(name, at, at).checkpoint(0.0);
        step("scan", 0.0)?;
        let surfaces = part.surfaces(&Role::ALL);
        let grid = Grid::around(&surfaces, layer_mm, pixel_mm)?;
        let printed = Scan::new(&surfaces, grid).layers(&ctx.job)?;
        step("survey", 0.3)?;
        let survey = Survey::of(&printed, &ctx.job)?;
        let bare = if part.supports.is_some() || part.raft.is_some() {
            let body = Scan::new(&part.surfaces(&BODY), grid).layers(&ctx.job)?;
            let survey = Survey::of(&body, &ctx.job)?;
            Some((body, survey))
        } else {
            None
        };
        let mut evidence = Evidence {
            part,
            ctx,
            floats: Floats::of(&survey),
            printed,
            survey,
            bare,
            loads: Vec::new(),
            profile: Profile::default(),
            ledges: Vec::new(),
            lines: Lines::default(),
            standing: Standing::default(),
            bond: Bond::default(),
        };
        step("loads", 0.5)?;
        evidence.loads = loads(evidence.body_survey(), evidence.body(), evidence.voids(), ctx)?;
        step("standing", 0.7)?;
        evidence.standing = stand::sweep(&evidence)?;
        evidence.bond = adhesion::bond(&evidence);
        evidence.profile = profile(&evidence);
        step("ledges", 0.8)?;
        evidence.ledges = overhang_span::find(&evidence)?;
        step("lines", 0.9)?;
        evidence.lines = Lines::of(&evidence)?;
        Ok(evidence)
    }

    /// The workshop's numbers.
    pub fn setup(&self) -> &Setup {
        &self.ctx.setup
    }

    /// Where layers, rows and pixels lie.
    pub fn grid(&self) -> &Grid {
        &self.survey.grid
    }

    /// Body and lattice without supports and raft.
    pub fn body(&self) -> &Layers {
        self.bare.as_ref().map_or(&self.printed, |b| &b.0)
    }

    /// What hangs together in [`Evidence::body`].
    pub fn body_survey(&self) -> &Survey {
        self.bare.as_ref().map_or(&self.survey, |b| &b.1)
    }

    /// Voids that count: larger than the noise of overlapping shells, and not mere openings in
    /// the raft, into which the film bends (common practice, no source).
    pub fn voids(&self) -> impl Iterator<Item = &Cup> {
        let raft_mm = self.part.raft.as_ref().map_or(0.0, |r| r.plan.top_mm());
        let raft_layers = (raft_mm / self.grid().layer_mm).round() as u32;
        self.survey.cups.iter().filter(move |c| {
            c.volume_mm3 >= self.setup().limits.noise_mm3
                && c.opens_at.is_none_or(|k| k > raft_layers)
        })
    }
}

/// The runs of a connected layer in the form mechanics reads.
pub(super) fn runs(piece: &Layer, grid: &Grid) -> Vec<Run> {
    let sub = grid.pitch_mm / f64::from(SUBPIXEL);
    let at = |row: u32| {
        piece.row(row).iter().map(move |s| Run {
            row: row as i32,
            x0_mm: f64::from(s.x0) * sub,
            x1_mm: f64::from(s.x1) * sub,
        })
    };
    piece.rows().flat_map(at).collect()
}

/// A section this small is compact or so light that its shape does not matter, pixels.
const SMALL_PIXELS: u32 = 16;

/// What the film does to each region of a survey of the body's layers; `voids` are those that count
/// as cups.
pub(crate) fn loads<'v>(
    survey: &Survey,
    body: &Layers,
    voids: impl Iterator<Item = &'v Cup>,
    ctx: &Context,
) -> Result<Vec<Load>> {
    let grid = &body.grid;
    let model = Model::of(&ctx.setup);
    let load = |region: &Region, piece: &Layer| {
        let torsion_mm4 = if region.pixels < SMALL_PIXELS {
            region.area_mm2.powi(2) / std::f64::consts::TAU
        } else {
            torsion_mm4(&runs(piece, grid), grid.pitch_mm)
        };
        let compact = compactness(region.area_mm2, torsion_mm4);
        let [x_mm, y_mm] = region.centroid_mm;
        let peel = Pull { force_n: model.force_n(region.area_mm2, compact), x_mm, y_mm };
        Load { peel, suction: Pull::default(), torsion_mm4 }
    };
    let by_layer = (0..grid.layers)
        .into_par_iter()
        .map(|k| {
            ctx.job.go_on()?;
            let regions = &survey.regions[survey.regions_of(k)];
            let pieces = body.layer(k).pieces(grid);
            Ok(regions.iter().zip(&pieces).map(|(r, p)| load(r, p)).collect::<Vec<_>>())
        })
        .collect::<Result<Vec<_>>>()?;
    let mut loads = by_layer.concat();
    for void in voids {
        for &(k, area_mm2) in &void.sealed {
            let Some(r) = around(survey, k, void.place.x, void.place.y) else { continue };
            let (x_mm, y_mm) = (void.place.x, void.place.y);
            let pull = Pull { force_n: suction::sealed_force_n(area_mm2), x_mm, y_mm };
            loads[r].suction = Pull::sum([loads[r].suction, pull]);
        }
    }
    Ok(loads)
}

/// The region of a layer that surrounds a void at that place: the smallest whose box holds it,
/// else the largest.
fn around(survey: &Survey, layer: u32, x: f64, y: f64) -> Option<usize> {
    let of = |r: &usize| &survey.regions[*r];
    let box_mm2 = |r: &usize| {
        let (a, b) = (of(r).min_mm, of(r).max_mm);
        (b[0] - a[0]) * (b[1] - a[1])
    };
    let holds = |r: &usize| {
        let (a, b) = (of(r).min_mm, of(r).max_mm);
        a[0] <= x && x <= b[0] && a[1] <= y && y <= b[1]
    };
    let regions = survey.regions_of(layer);
    let least = regions.clone().filter(holds).min_by(|a, b| box_mm2(a).total_cmp(&box_mm2(b)));
    least.or_else(|| regions.max_by(|a, b| of(a).area_mm2.total_cmp(&of(b).area_mm2)))
}

fn profile(e: &Evidence<'_>) -> Profile {
    let n = e.grid().layers;
    let mut sealed = vec![0.0; n as usize];
    for &(k, area) in e.voids().flat_map(|c| &c.sealed) {
        sealed[k as usize] += area;
    }
    // Supports and raft count as compact: they are round or on the plate.
    let compact_kpa = Model::of(e.setup()).stress_kpa(1.0);
    let peel = |k: u32| {
        let of_body = e.body_survey().regions_of(k);
        let body_mm2: f64 =
            e.body_survey().regions[of_body.clone()].iter().map(|r| r.area_mm2).sum();
        let body_n: f64 = e.loads[of_body].iter().map(|l| l.peel.force_n).sum();
        let all_mm2: f64 =
            e.survey.regions[e.survey.regions_of(k)].iter().map(|r| r.area_mm2).sum();
        body_n + (all_mm2 - body_mm2).max(0.0) * compact_kpa * 1e-3
    };
    Profile {
        z_mm: (1..=n).map(|k| f64::from(k) * e.grid().layer_mm).collect(),
        clock_s: (1..=n).map(|k| time::print_of(e.setup(), k)).collect(),
        section_mm2: e.survey.sections.iter().map(|s| s.area_mm2).collect(),
        peel_n: (0..n).map(peel).collect(),
        suction_n: sealed.iter().map(|&a| suction::sealed_force_n(a)).collect(),
        sealed_mm2: sealed,
        tip_use: e.standing.tips.iter().map(|w| w.ratio).collect(),
        column_use: e.standing.columns.iter().map(|w| w.ratio).collect(),
        bond_use: if e.bond.tension.is_empty() {
            vec![0.0; n as usize]
        } else {
            e.bond.tension.iter().map(|t| t.0 / e.bond.limit_kpa).collect()
        },
        missed: e.standing.missed.iter().map(|w| w.ratio).collect(),
    }
}
