//! Print: what the light leaves of a part: where each facet comes to lie, what closes and what is
//! lost, before anything is printed.
//!
//! The dose is followed through all layers ([`Dose`]) and read along the normals of many spots of
//! the body. Not in it: the panel's pixel steps, resin that flows in between layers (print-through
//! is an upper bound), shrinkage, warping, and layers missed by spring-back.

mod face;

use crate::codes::FindingCode;
use crate::context::Context;
use crate::error::Result;
use crate::finding::{Done, Finding, Report, Severity};
use crate::light::{self, Dose, Lies, Light, Spot};
use crate::mechanics::{cure, optics};
use crate::options::{Options, options};
use crate::part::{Part, Role};
use crate::pass::Pass;
use crate::plate::Plate;
use crate::setup::Setup;
use serde::{Deserialize, Serialize};

options! {
    /// Predicts what the light leaves of a part: where each facet comes to lie, what closes and what
    /// is lost.
    ///
    /// ```
    /// use vatwright::{Context, Part, Pass, Setup, mesh::shapes::cuboid, passes::Print};
    /// let ctx = Context::new(Setup::default());
    /// let print = Print { pitch_mm: Some(0.1), ..Print::default() };
    /// let done = print.apply(&Part::new(cuboid(3.0, 3.0, 1.0)?), &ctx)?;
    /// assert!(done.value.flare_mm > 0.1); // over-exposed first layers
    /// # Ok::<(), vatwright::Error>(())
    /// ```
    pub struct Print at "print" {
        /// Pitch on which the light is followed, mm; by default the panel's pixel, or half of it where
        /// the blur's core is narrower than a pixel.
        pitch_mm: Option<f64> = None, in 0.005..=1.0 "mm", larger "quicker and coarser";
        /// Distance between the spots at which the surface is judged, mm.
        apart_mm: f64 = 0.5, in 0.05..=10.0 "mm", larger "quicker and coarser";
        /// Area that closes or is lost below which nothing is said of it, mm².
        least_mm2: f64 = 0.05, in 0.0..=100.0 "mm²", larger "fewer findings";
    }
}

/// What the light leaves of a part.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Printed {
    /// Name of the part.
    pub part: String,
    /// Where each facet of the body comes to lie, mm outside the model, the mean over the facet; 0
    /// where it lies inside other material, closes, is lost, or lies on the plate.
    pub deviation_mm: Vec<f64>,
    /// Mean of its size over the surface, mm.
    pub mean_mm: f64,
    /// Its greatest size, mm.
    pub greatest_mm: f64,
    /// How far the first layers grow sideways at most, mm.
    pub flare_mm: f64,
    /// How far cured resin reaches beyond faces that look towards the plate at most, mm.
    pub through_mm: f64,
    /// Surface before which voids cure shut, mm².
    pub closed_mm2: f64,
    /// Surface behind which nothing cures, mm².
    pub lost_mm2: f64,
    /// Volume of all layers as drawn, raft and supports included, mm³; of a compensated part as it
    /// was asked for.
    pub drawn_mm3: f64,
    /// Volume of all layers as they will be, mm³.
    pub cured_mm3: f64,
    /// Diameter of the thinnest upright pin that cures, mm.
    pub least_pin_mm: f64,
    /// Diameter of the narrowest upright bore that stays open, mm.
    pub least_bore_mm: f64,
    /// How far the worst keep-clean face is bent, root mean square, mm: the quadratic that fits its
    /// deviations, less its shift and tilt; 0 without such a face.
    pub form_mm: f64,
    /// Steps on the worst keep-clean face, root mean square, mm: of layers as followed, of pixels as
    /// a saw-tooth; 0 without such a face.
    pub roughness_mm: f64,
}

/// A body's spots and what becomes of them.
pub(crate) struct Followed {
    pub(crate) spots: Vec<Spot>,
    pub(crate) lies: Vec<Lies>,
    /// How far each was followed, mm.
    pub(crate) reach_mm: f64,
    pub(crate) asked_mm3: f64,
    pub(crate) cured_mm3: f64,
}

impl Print {
    fn pitch(&self, setup: &Setup) -> f64 {
        let pixel = setup.machine.pixel_mm;
        let fine = setup.exposure.edge_blur_mm < pixel;
        self.pitch_mm.unwrap_or(if fine { 0.5 * pixel } else { pixel })
    }

    fn printed(&self, part: &Part, ctx: &Context) -> Result<Done<Printed>> {
        let seen = self.see(part, self.spots(part, &ctx.setup), ctx)?;
        Ok(self.told(part, &seen, &ctx.setup))
    }

    /// Spots of the body as it was asked for.
    pub(crate) fn spots(&self, part: &Part, setup: &Setup) -> Vec<Spot> {
        let x = &setup.exposure;
        let asked = part.asked.as_deref().unwrap_or(&part.body);
        light::spots(asked, &part.pose, self.apart_mm, x.first_layers, x.layer_mm)
    }

    /// What becomes of spots under the light through a part's layers.
    pub(crate) fn see(&self, part: &Part, spots: Vec<Spot>, ctx: &Context) -> Result<Followed> {
        let (setup, light) = (&*ctx.setup, Light::of(&ctx.setup));
        let layer_mm = setup.exposure.layer_mm;
        let (drawn, asked) = (part.surfaces(&Role::ALL), part.asked_surfaces());
        let dose = Dose::against(asked.as_deref(), &drawn, light, layer_mm, self.pitch(setup))?;
        let through = through_mm(&light, layer_mm);
        let reach_mm = light.reach_mm(layer_mm).max(through) + 2.0 * dose.grid().pitch_mm;
        let (mut asked_mm3, mut cured_mm3) = (0.0, 0.0);
        let lies = light::lies(&spots, &dose, reach_mm, &ctx.job, |field| {
            asked_mm3 += field.asked_mm2() * layer_mm;
            cured_mm3 += field.cured().area_mm2(field.grid) * layer_mm;
        })?;
        Ok(Followed { spots, lies, reach_mm, asked_mm3, cured_mm3 })
    }

    /// What there is to tell of spots that were followed.
    pub(crate) fn told(&self, part: &Part, seen: &Followed, setup: &Setup) -> Done<Printed> {
        let first_mm = f64::from(setup.exposure.first_layers) * setup.exposure.layer_mm;
        let (pin, bore) = least_round(&Light::of(setup), setup.exposure.layer_mm);
        let mut out = Printed {
            part: part.name.clone(),
            drawn_mm3: seen.asked_mm3,
            cured_mm3: seen.cured_mm3,
            least_pin_mm: pin,
            least_bore_mm: bore,
            ..Printed::default()
        };
        let mut facets = vec![(0.0, 0.0); part.body.triangles().len()];
        let (mut area, mut worst) = (0.0, None);
        let mut gone: [Option<&Spot>; 2] = [None; 2];
        for (spot, lies) in seen.spots.iter().zip(&seen.lies) {
            match lies {
                Lies::At(off) => {
                    let facet = &mut facets[spot.facet as usize];
                    *facet = (facet.0 + off * spot.area_mm2, facet.1 + spot.area_mm2);
                    area += spot.area_mm2;
                    out.mean_mm += off.abs() * spot.area_mm2;
                    if off.abs() > out.greatest_mm {
                        (out.greatest_mm, worst) = (off.abs(), Some(spot));
                    }
                    if spot.at.z < first_mm && spot.normal.z.abs() < 0.7 {
                        out.flare_mm = out.flare_mm.max(*off);
                    }
                    if spot.normal.z < -0.7 {
                        out.through_mm = out.through_mm.max(*off);
                    }
                }
                Lies::Hidden => {}
                Lies::Closed => {
                    out.closed_mm2 += spot.area_mm2;
                    gone[0] = gone[0].or(Some(spot));
                }
                Lies::Lost => {
                    out.lost_mm2 += spot.area_mm2;
                    gone[1] = gone[1].or(Some(spot));
                }
            }
        }
        out.mean_mm = if area > 0.0 { out.mean_mm / area } else { 0.0 };
        out.deviation_mm =
            facets.into_iter().map(|(sum, of)| if of > 0.0 { sum / of } else { 0.0 }).collect();
        let face = face::errors(part, seen, setup.machine.pixel_mm);
        if let Some(face) = &face {
            (out.form_mm, out.roughness_mm) = (face.form_mm, face.roughness_mm);
        }
        let mut report = self.report(&out, part.asked.is_some(), worst, gone, setup);
        if face.is_some() {
            tell_face(&out, &mut report);
        }
        Done { value: out, report }
    }

    fn report(
        &self,
        out: &Printed,
        compensated: bool,
        worst: Option<&Spot>,
        [closed, lost]: [Option<&Spot>; 2],
        setup: &Setup,
    ) -> Report {
        let mut report = Report::new("print", &out.part);
        for (name, value) in [
            ("mean_mm", out.mean_mm),
            ("greatest_mm", out.greatest_mm),
            ("flare_mm", out.flare_mm),
            ("through_mm", out.through_mm),
            ("volume_error_mm3", out.cured_mm3 - out.drawn_mm3),
            ("least_pin_mm", out.least_pin_mm),
            ("least_bore_mm", out.least_bore_mm),
        ] {
            report.number(name, value);
        }
        let severity = |value: f64, limit: f64| {
            if value > limit { Severity::Warning } else { Severity::Note }
        };
        let (pixel, layer) = (setup.machine.pixel_mm, setup.exposure.layer_mm);
        let finding = |code, severity, message: String, spot: Option<&Spot>| {
            let f = Finding::new(code, severity, &out.part, message);
            match spot {
                Some(s) => f.at(s.at),
                None => f,
            }
        };
        let first = if compensated { "" } else { "compensate the part, " };
        if out.flare_mm > 0.0 {
            let message = format!("the first layers grow by {:.3} mm a side", out.flare_mm);
            let last = setup.exposure.first_layers.max(1) - 1;
            report.findings.push(
                finding(FindingCode::FirstLayerFlare, severity(out.flare_mm, pixel), message, None)
                    .at_layers(0, last)
                    .measured(out.flare_mm, pixel, "mm")
                    .remedy(format!("{first}stand it on a raft, or draw its foot in")),
            );
        }
        if out.through_mm > 0.0 {
            let message =
                format!("undersides come to lie {:.3} mm too near to the plate", out.through_mm);
            report.findings.push(
                finding(FindingCode::CureThrough, severity(out.through_mm, layer), message, worst)
                    .measured(out.through_mm, layer, "mm")
                    .remedy(format!("{first}expose less, or use a resin that absorbs more")),
            );
        }
        if out.closed_mm2 > self.least_mm2 {
            let message = format!("light closes the void before {:.2} mm²", out.closed_mm2);
            report.findings.push(
                finding(FindingCode::Gap, Severity::Warning, message, closed)
                    .measured(out.closed_mm2, self.least_mm2, "mm²")
                    .remedy(
                        "widen the gap, or stand it upright so that no layer shines through it",
                    ),
            );
        }
        if out.lost_mm2 > self.least_mm2 {
            let message = format!("nothing cures behind {:.2} mm² of surface", out.lost_mm2);
            report.findings.push(
                finding(FindingCode::Thin, Severity::Fault, message, lost)
                    .measured(out.lost_mm2, self.least_mm2, "mm²")
                    .remedy("thicken it, or turn it so that it lies across more pixels or layers"),
            );
        }
        report
    }
}

/// Two verdicts on a face to look through, by green light and an index of 1.5.
fn tell_face(out: &Printed, report: &mut Report) {
    const WAVE_NM: f64 = 550.0;
    const INDEX: f64 = 1.5;
    let limit = optics::quarter_wave_mm(WAVE_NM, INDEX);
    let scatter = optics::transmitted_scatter(out.roughness_mm, WAVE_NM, INDEX).min(1.0);
    report.number("form_mm", out.form_mm);
    report.number("roughness_mm", out.roughness_mm);
    // From peak to valley a face out of focus is bent √12 times as far (λ/14 of Maréchal for λ/4 of
    // Rayleigh, from memory).
    let form = if 12f64.sqrt() * out.form_mm <= limit { "within" } else { "beyond" };
    report.words.insert("form".into(), format!("{form} a quarter wave ({:.5} mm)", limit));
    let rough = format!(
        "scatters {:.0} % of the light; an optical face needs a coat or polish",
        100.0 * scatter
    );
    report.words.insert("roughness".into(), rough);
}

/// Print-through of a tall part behind an underside, mm.
fn through_mm(light: &Light, layer_mm: f64) -> f64 {
    let (dp, ec) = (light.penetration_mm, light.critical_mj_cm2);
    cure::print_through_mm(f64::INFINITY, layer_mm, light.dose_mj_cm2, dp, ec)
}

/// Diameters of the thinnest upright pin that cures and the narrowest upright bore that stays open
/// in many ordinary layers, mm: where the middle of a lit or a dark disc has the critical dose.
fn least_round(light: &Light, layer_mm: f64) -> (f64, f64) {
    let dose = light.stacked_mj_cm2(layer_mm);
    let share = light.critical_mj_cm2 / dose;
    let until = |reached: &dyn Fn(f64) -> bool| {
        let (mut low, mut high) = (0.0, 20.0);
        for _ in 0..60 {
            let middle = 0.5 * (low + high);
            if reached(middle) { high = middle } else { low = middle }
        }
        2.0 * high
    };
    let pin = if share >= 1.0 { f64::INFINITY } else { until(&|r| light.blur.disc(r) >= share) };
    (pin, until(&|r| 1.0 - light.blur.disc(r) < share))
}

impl Pass<&Part> for Print {
    type Out = Printed;

    fn name(&self) -> &'static str {
        "print"
    }

    fn validate(&self) -> Result<()> {
        self.check_ranges()
    }

    /// Predicts a part with the context's setup.
    fn apply(&self, part: &Part, ctx: &Context) -> Result<Done<Printed>> {
        self.check_ranges()?;
        self.printed(part, ctx)
    }
}

impl Pass<&Plate> for Print {
    type Out = Vec<Printed>;

    fn name(&self) -> &'static str {
        "print"
    }

    fn validate(&self) -> Result<()> {
        self.check_ranges()
    }

    /// Predicts every part of a plate, copies once; what one lights of the other is left out.
    fn apply(&self, plate: &Plate, ctx: &Context) -> Result<Done<Vec<Printed>>> {
        self.check_ranges()?;
        let mut report = Report::new("print", &plate.name);
        let mut out: Vec<Printed> = Vec::new();
        let n = plate.placed.len();
        for (i, placed) in plate.placed.iter().enumerate() {
            let same = plate.placed[..i].iter().position(|p| p.part.shares_geometry(&placed.part));
            if let Some(same) = same {
                out.push(Printed { part: placed.part.name.clone(), ..out[same].clone() });
                continue;
            }
            let ctx = ctx.stage(&placed.part.name, i as f64 / n as f64, (i + 1) as f64 / n as f64);
            let done = self.printed(&placed.part, &ctx)?;
            out.push(done.value);
            report.inner.push(done.report);
        }
        Ok(Done { value: out, report })
    }
}
