//! What a pose costs, term by term, from the same analyses the final check uses.

use super::begun;
use super::stand_in::StandIn;
use crate::context::Context;
use crate::error::Result;
use crate::layers::{Cup, Grid, Scan, Surface, Survey, overhangs};
use crate::mechanics::peel::Model;
use crate::mechanics::{optics, time};
use crate::mesh::{Mesh, Vector};
use crate::part::Part;
use crate::passes::{Support, Vent};
use crate::setup::Setup;
use serde::{Deserialize, Serialize};

/// The terms of one pose. Less is better in each.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Terms {
    /// Height over the plate without supports, mm.
    pub height_mm: f64,
    /// Printing time of that height, s.
    pub time_s: f64,
    /// Largest section, mm².
    pub peak_section_mm2: f64,
    /// Largest peel of a layer, N.
    pub peak_peel_n: f64,
    /// Mean peel over all layers, N.
    pub mean_peel_n: f64,
    /// Largest area sealed against the film in one layer, mm².
    pub cup_mm2: f64,
    /// Volume of voids that never open at this pose, mm³.
    pub pocket_mm3: f64,
    /// Regions that begin in mid-air.
    pub islands: f64,
    /// Area that must be held from below, mm².
    pub overhang_mm2: f64,
    /// Tips expected: one an island, as many as undersides ask for by the reach of a tip, and no fewer
    /// than the largest peel asks for.
    pub marks: f64,
    /// Widest area that begins in one layer of the setup, mm²: it sags until it is thick. Counts the
    /// first layer, since a part lifted onto supports begins there.
    pub flat_mm2: f64,
    /// Keep-clean area that faces the plate and will carry tips, mm².
    pub clean_contact_mm2: f64,
    /// Mean height of steps on keep-clean facets, mm; 0 without any. Slopes are taken to run along
    /// a row or column of pixels; only then is the quiet angle quiet.
    pub clean_step_mm: f64,
    /// Mean height of steps on all facets, mm.
    pub step_mm: f64,
    /// Volume between the surface and the stairs of its layers, mm³.
    pub stair_mm3: f64,
    /// Distance of the centre of mass from the middle of the lowest 2 mm, seen from above, mm.
    pub lean_mm: f64,
    /// Vent holes that cups and pockets of the model would need.
    pub holes: f64,
    /// Area that faces the plate and will carry tips, each facet times how much it is looked at,
    /// mm².
    pub seen_scars_mm2: f64,
    /// Mean height of steps, each facet times how much it is looked at, mm.
    pub seen_step_mm: f64,
    /// How far the part is from standing on its base or leaning back on it by 15–45°, from 0 to 1.5
    /// (common practice, no source); 0 where what is up is unknown, less for plain parts.
    pub upright: f64,
    /// Share of the part's volume that is too thin for the layers and pixels it was judged at.
    pub unseen: f64,
}

/// Names of the terms, in the order of [`Terms::values`].
pub const TERMS: [&str; 21] = [
    "height_mm",
    "time_s",
    "peak_section_mm2",
    "peak_peel_n",
    "mean_peel_n",
    "cup_mm2",
    "pocket_mm3",
    "islands",
    "overhang_mm2",
    "marks",
    "flat_mm2",
    "clean_contact_mm2",
    "clean_step_mm",
    "step_mm",
    "stair_mm3",
    "lean_mm",
    "holes",
    "seen_scars_mm2",
    "seen_step_mm",
    "upright",
    "unseen",
];

impl Terms {
    /// All terms in the order of [`TERMS`].
    pub fn values(&self) -> [f64; 21] {
        [
            self.height_mm,
            self.time_s,
            self.peak_section_mm2,
            self.peak_peel_n,
            self.mean_peel_n,
            self.cup_mm2,
            self.pocket_mm3,
            self.islands,
            self.overhang_mm2,
            self.marks,
            self.flat_mm2,
            self.clean_contact_mm2,
            self.clean_step_mm,
            self.step_mm,
            self.stair_mm3,
            self.lean_mm,
            self.holes,
            self.seen_scars_mm2,
            self.seen_step_mm,
            self.upright,
            self.unseen,
        ]
    }
}

/// Surfaces at least this steep, from the horizontal plane, print without supports (common
/// practice: 30–45°, no source). A little under 45°, so that the faces of a part that stands on
/// a right-angled edge do not flicker.
const SELF_SUPPORTING_DEG: f64 = 42.0;

/// Mean turning of a surface from which on its upright matters in full: figures have more, plates
/// and brackets less.
const TURNS: f64 = 0.3;

/// Steps that are seen at once: a millimetre of 50 µm layers (common practice, no source).
const PATCH_STEPS: f64 = 20.0;

/// Facets as areas by direction; facets that face alike are summed.
struct Facing(Vec<Vector>);

impl Facing {
    /// Twice-area normals of the facets, each times its weight.
    fn of(mesh: &Mesh, weight: impl Fn(usize) -> f64) -> Facing {
        // Cells of about 2° keep the sums short; a cell holds the vector sum of its facets.
        const CELLS: usize = 64;
        let mut sums = vec![Vector::zeros(); CELLS * CELLS];
        for i in 0..mesh.triangles().len() {
            let n = mesh.area_normal(i) * weight(i);
            let l1 = n.x.abs() + n.y.abs() + n.z.abs();
            if l1 > 0.0 {
                // Octahedral map of the direction onto a square.
                let (mut u, mut v) = (n.x / l1, n.y / l1);
                if n.z < 0.0 {
                    (u, v) = ((1.0 - v.abs()).copysign(u), (1.0 - u.abs()).copysign(v));
                }
                let cell = |w: f64| ((w + 1.0) / 2.0 * (CELLS - 1) as f64).round() as usize;
                sums[cell(v) * CELLS + cell(u)] += n;
            }
        }
        sums.retain(|n| *n != Vector::zeros());
        Facing(sums)
    }

    /// Sum over facets of area times `f(n_z)`, and the area, mm².
    fn sum(&self, up: &Vector, f: impl Fn(f64) -> f64) -> (f64, f64) {
        self.0.iter().fold((0.0, 0.0), |(sum, area), n| {
            let a = n.norm();
            (sum + 0.5 * a * f(n.dot(up) / a), area + 0.5 * a)
        })
    }
}

/// What every direction of a part is judged by.
pub(super) struct Judge<'a> {
    ctx: &'a Context,
    all: Facing,
    clean: Facing,
    seen: Facing,
    /// The model's upright and front in the directions' coordinates, and how much its upright
    /// matters.
    upright: Option<(Vector, Option<Vector>, f64)>,
    /// The solid's own, mm³.
    volume_mm3: f64,
}

impl Judge<'_> {
    /// `stand` is the part as it is, in the coordinates that directions will be given in.
    pub(super) fn new<'a>(
        stand: &StandIn,
        part: &Part,
        volume_mm3: f64,
        ctx: &'a Context,
    ) -> Judge<'a> {
        let body = stand.body();
        let upright = part.appearance.as_ref().and_then(|a| {
            let turned = |v: Vector| stand.from_body * v;
            // Who marks facets has said what matters.
            let matters = if part.keep_clean.is_empty() { (a.turns / TURNS).min(1.0) } else { 0.0 };
            a.upright.map(|u| (turned(u.up), a.front.map(turned), matters))
        });
        Judge {
            ctx,
            all: Facing::of(body, |_| 1.0),
            clean: Facing::of(body, |i| f64::from(u8::from(part.is_keep_clean(i)))),
            seen: Facing::of(body, |i| part.weight(i)),
            upright,
            volume_mm3,
        }
    }

    /// The terms of surfaces that stand on the plate; `up` is the build direction in the body's
    /// coordinates. Layers are as thick as pixels are wide.
    pub(super) fn terms(
        &self,
        surfaces: &[Surface<'_>],
        up: &Vector,
        pitch_mm: f64,
    ) -> Result<Terms> {
        // Inner stages report no progress of their own: hundreds of directions run side by side.
        let quiet = self.ctx.quiet();
        let setup = &self.ctx.setup;
        let grid = Grid::around(surfaces, pitch_mm, pitch_mm)?;
        let layers = Scan::new(surfaces, grid).layers(&quiet.job)?;
        let survey = Survey::of(&layers, &quiet.job)?;
        let reach = pitch_mm / SELF_SUPPORTING_DEG.to_radians().tan();
        let over = overhangs(&layers, reach, &quiet.job)?;

        let mut t = Terms { height_mm: grid_height(surfaces), ..Terms::default() };
        let exposure = &setup.exposure;
        let count = (t.height_mm / exposure.layer_mm - 0.5).ceil().max(1.0);
        t.time_s = time::print_of(setup, count as u32);

        let model = Model::of(setup);
        let mut peel_sum = 0.0;
        for (k, section) in survey.sections.iter().enumerate() {
            let regions = &survey.regions[survey.regions_of(k as u32)];
            let peel: f64 = regions
                .iter()
                .map(|r| model.force_n(r.area_mm2, ellipse_compactness(r.moments_mm4, r.area_mm2)))
                .sum();
            peel_sum += peel;
            t.peak_peel_n = t.peak_peel_n.max(peel);
            t.peak_section_mm2 = t.peak_section_mm2.max(section.area_mm2);
            t.cup_mm2 = t.cup_mm2.max(section.sealed_mm2);
        }
        t.mean_peel_n = peel_sum / survey.sections.len().max(1) as f64;
        t.pocket_mm3 = survey.pockets().map(|p| p.volume_mm3).fold(0.0, std::ops::Add::add);
        t.islands = begun::islands(&survey, &over) as f64;
        t.overhang_mm2 = over.iter().flat_map(|o| &o.regions).map(|r| r.area_mm2).sum();
        t.flat_mm2 = begun::widest_mm2(&survey, &over, exposure.layer_mm);
        let support = Support::default();
        let neck_mm2 = std::f64::consts::PI / 4.0 * support.tip_mm * support.tip_mm;
        let tip_n = setup.resin.green_strength_mpa * neck_mm2;
        let (underside, _) = self.all.sum(up, |nz| support.tips_per_mm2(-nz, setup));
        t.marks = t.islands + underside.max(t.peak_peel_n * setup.limits.safety / tip_n);

        let down = -SELF_SUPPORTING_DEG.to_radians().cos();
        (t.clean_contact_mm2, _) = self.clean.sum(up, |nz| f64::from(nz < down));
        let pixel = setup.machine.pixel_mm;
        let theta_deg = |nz: f64| nz.clamp(-1.0, 1.0).acos().to_degrees();
        let step =
            |nz: f64| optics::patch_step_mm(exposure.layer_mm, pixel, theta_deg(nz), PATCH_STEPS);
        let mean = |(sum, area): (f64, f64)| if area > 0.0 { sum / area } else { 0.0 };
        t.clean_step_mm = mean(self.clean.sum(up, step));
        t.step_mm = mean(self.all.sum(up, step));
        let stair = |nz: f64| optics::stair_mm3(exposure.layer_mm, 1.0, theta_deg(nz));
        (t.stair_mm3, _) = self.all.sum(up, stair);
        t.lean_mm = lean_mm(&survey);
        t.holes = holes(&survey, setup);
        (t.seen_scars_mm2, _) = self.seen.sum(up, |nz| f64::from(nz < down));
        t.seen_step_mm = mean(self.seen.sum(up, step));
        t.upright = self
            .upright
            .map_or(0.0, |(own, front, matters)| matters * off_upright(up, &own, front.as_ref()));
        let solid_mm3 = survey.regions.iter().map(|r| r.area_mm2).sum::<f64>() * pitch_mm;
        t.unseen = (1.0 - solid_mm3 / self.volume_mm3.max(f64::MIN_POSITIVE)).clamp(0.0, 1.0);
        Ok(t)
    }
}

/// Holes that the vent pass would cut for the cups and pockets it would open.
fn holes(survey: &Survey, setup: &Setup) -> f64 {
    let vent = Vent::default();
    let worth = |c: &&Cup| c.volume_mm3 > setup.limits.noise_mm3.max(vent.least_cavity_mm3);
    let of = |c: &Cup| {
        let widest = c.sealed.iter().map(|s| s.1).fold(0.0, f64::max);
        match c.is_pocket() {
            true => 1 + vent.air_holes(widest, setup),
            false if widest >= vent.cup_mm2 => vent.air_holes(widest, setup),
            false => 0,
        }
    };
    survey.cups.iter().filter(worth).map(|c| f64::from(of(c))).fold(0.0, std::ops::Add::add)
}

/// How far a build direction is from standing or leaning back; see [`Terms::upright`].
fn off_upright(up: &Vector, own: &Vector, front: Option<&Vector>) -> f64 {
    const LEAN_DEG: std::ops::RangeInclusive<f64> = 15.0..=45.0;
    const STANDING: f64 = 0.1;
    const ASIDE: f64 = 0.5;
    let along = up.dot(own).clamp(-1.0, 1.0);
    let tilt_deg = along.acos().to_degrees();
    let tilt = if tilt_deg < *LEAN_DEG.start() {
        STANDING * (1.0 - tilt_deg / LEAN_DEG.start())
    } else {
        (tilt_deg - LEAN_DEG.end()).max(0.0) / (180.0 - LEAN_DEG.end())
    };
    let level = up - own * along;
    let aside = front.map_or(0.0, |f| ASIDE * 0.5 * (level.norm() - level.dot(f)));
    tilt + aside
}

fn grid_height(surfaces: &[Surface<'_>]) -> f64 {
    surfaces.iter().map(|s| s.mesh.bounds_at(&s.pose).max.z).fold(0.0, f64::max)
}

/// Compactness of a section taken as the ellipse of its principal moments: 2ab/(a² + b²), since an
/// ellipse's torsion constant is πa³b³/(a² + b²). The final check solves for the torsion constant;
/// thousands of directions cannot afford it. Exact for ellipses, 13 % high for a square, 38 % for a
/// triangle, 5 % low for a long thin strip, and far too high for sections with holes, through which
/// resin flows in; peel goes with its power n ≤ 1.
fn ellipse_compactness([xx, yy, xy]: [f64; 3], area_mm2: f64) -> f64 {
    let (mean, half) = (0.5 * (xx + yy), (0.5 * (xx - yy)).hypot(xy));
    let (big, small) = (mean + half, (mean - half).max(0.0));
    if big <= 0.0 || area_mm2 <= 0.0 { 1.0 } else { 2.0 * (big * small).sqrt() / (big + small) }
}

fn lean_mm(survey: &Survey) -> f64 {
    let low = (2.0 / survey.grid.layer_mm).ceil() as u32;
    let mean = |below: u32| {
        let inside = survey.regions.iter().take_while(|r| r.layer < below);
        let (m, x, y) = inside.fold((0.0, 0.0, 0.0), |(m, x, y), r| {
            let a = r.area_mm2;
            (m + a, x + a * r.centroid_mm[0], y + a * r.centroid_mm[1])
        });
        (m > 0.0).then(|| [x / m, y / m])
    };
    match (mean(low), mean(u32::MAX)) {
        (Some(foot), Some(all)) => (all[0] - foot[0]).hypot(all[1] - foot[1]),
        _ => 0.0,
    }
}
