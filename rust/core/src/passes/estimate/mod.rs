//! Estimate: what a plate takes: time, resin, money, and the work after the print.
//!
//! Time and resin follow from the layers and the setup; what people in the trade guess (losses,
//! washing, curing, change-over) is an option with a default, and the answer says which is which.

mod resin;
mod sheet;

pub use sheet::{CAUTIONS, Emptying, Mark, OpenHole, Plugging, Sheet};

use crate::codes::FindingCode;
use crate::context::Context;
use crate::error::Result;
use crate::finding::{Done, Finding, Moment, Report, Severity};
use crate::mechanics::time;
use crate::options::{Options, options};
use crate::part::{PlugBar, Role};
use crate::pass::Pass;
use crate::plate::{Placed, Plate};
use crate::setup::Setup;
use resin::Drawn;
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet};

options! {
    /// Options of the pass. Every default is common practice without a source: measure your own.
    ///
    /// ```
    /// use vatwright::{Context, Part, Pass, Setup, mesh::shapes::cuboid, passes::{Estimate, Pack}};
    /// # let ctx = Context::new(Setup::default());
    /// let plates = Pack::default().apply(vec![Part::new(cuboid(10.0, 10.0, 5.0)?)], &ctx)?.value;
    /// let cost = Estimate::default().apply(&plates[0], &ctx)?.value;
    /// assert_eq!(cost.layers, 100);
    /// # Ok::<(), vatwright::Error>(())
    /// ```
    pub struct Estimate at "estimate" {
        /// Pitch at which the layers are drawn for volumes, mm.
        pitch_mm: f64 = 0.1, in 0.005..=2.0 "mm", larger "quicker and coarser volumes";
        /// Thickness of the liquid that leaves with the part's whole surface and is washed off, mm.
        cling_mm: f64 = 0.05, in 0.0..=5.0 "mm", larger "more resin washed off";
        /// Resin lost when vat and plate are cleaned after a plate, ml.
        vat_loss_ml: f64 = 5.0, in 0.0..=1e4 "ml", larger "dearer plates";
        /// Least resin in the vat for the film to stay covered, ml.
        vat_reserve_ml: f64 = 50.0, in 0.0..=1e5 "ml", larger "earlier refills";
        /// Time in the wash, s.
        wash_s: f64 = 300.0, in 0.0..=1e5 "s", larger "cleaner parts; longer work";
        /// Time in the wash for clear parts, s: long washing hazes them.
        clear_wash_s: f64 = 60.0, in 0.0..=1e5 "s", larger "cleaner parts; haze";
        /// Time in the cure, s.
        cure_s: f64 = 600.0, in 0.0..=1e6 "s", larger "harder parts; longer work";
        /// Names of clear parts.
        clear: BTreeSet<String> = BTreeSet::new();
        /// Power of washing and curing, W.
        post_power_w: f64 = 50.0, in 0.0..=1e5 "W", larger "more energy";
        /// Price of a kilowatt-hour, in the user's currency.
        price_per_kwh: f64 = 0.3, in 0.0..=1e6 "", larger "dearer plates";
        /// Hands-on time between two plates, s: scraping, cleaning, filling, levelling.
        change_over_s: f64 = 900.0, in 0.0..=1e6 "s", larger "fewer, fuller plates pay";
        /// Length of a night, h.
        night_h: f64 = 12.0, in 0.0..=1000.0 "h", larger "fewer plates are called long";
    }
}

/// A moment at which somebody has to fill the vat.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Refill {
    /// The layer before which the vat is filled.
    pub layer: u32,
    /// Time since the start, s.
    pub time_s: f64,
    /// Resin to pour in, ml.
    pub resin_ml: f64,
}

/// Where a part stands on its plate.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct OnPlate {
    /// Name of the part.
    pub part: String,
    /// Where its origin lands, mm from the plate's left edge.
    pub x_mm: f64,
    /// Where its origin lands, mm from the plate's front edge.
    pub y_mm: f64,
    /// Rotation about z, degrees, counter-clockwise seen from +z.
    pub turn_deg: f64,
    /// Its height above the plate, mm.
    pub height_mm: f64,
    /// What it carries, if it is a bar of plugs.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bar: Option<PlugBar>,
}

/// Where a number of a [`Cost`] comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Origin {
    /// Follows from the layers and the setup's numbers.
    Computed,
    /// Rests on options of this pass whose defaults are common practice.
    Assumed,
}

/// Money, in the user's currency.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Prices {
    /// Resin, losses included.
    pub resin: f64,
    /// Machine hours.
    pub machine: f64,
    /// Electricity.
    pub energy: f64,
}

impl Prices {
    /// The sum.
    pub fn total(&self) -> f64 {
        self.resin + self.machine + self.energy
    }
}

/// What a plate will take.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Cost {
    /// Name of the plate.
    pub plate: String,
    /// Name of the setup that prints it.
    #[serde(default)]
    pub printer: String,
    /// What stands where, in the order of the numbers in the plate's picture.
    #[serde(default)]
    pub placed: Vec<OnPlate>,
    /// Plugs on their bars among them.
    #[serde(default)]
    pub plugs: u32,
    /// Layers of the tallest part; the plate needs no more.
    pub layers: u32,
    /// Printing time, s.
    pub time_s: f64,
    /// Time of the over-exposed first layers within it, s.
    pub first_layers_s: f64,
    /// Light per ordinary layer, s.
    pub exposure_s: f64,
    /// Motion and pauses per layer, s.
    pub motion_s: f64,
    /// Solid area of each layer, mm².
    pub layer_mm2: Vec<f64>,
    /// Liquid resin that becomes solid, by role, ml. Where roles overlap, the resin counts for
    /// the first of body, lattice, support, raft.
    pub resin_ml: BTreeMap<Role, f64>,
    /// Liquid resin washed off the parts, ml.
    pub wash_loss_ml: f64,
    /// Liquid resin lost with vat and plate, ml.
    pub vat_loss_ml: f64,
    /// Liquid resin that stays in cavities, ml: all of one without a vent, and of the others what
    /// their vents hold back until the washing gets it out.
    pub trapped_ml: f64,
    /// Of that the resin shut into cavities without a vent, ml.
    #[serde(default)]
    pub sealed_ml: f64,
    /// All of it, ml.
    pub resin_total_ml: f64,
    /// Mass of what is printed once cured, g.
    pub mass_g: f64,
    /// When to fill the vat; it is full at the start.
    pub refills: Vec<Refill>,
    /// When to look.
    pub moments: Vec<Moment>,
    /// Electricity of printing, washing and curing, kWh.
    pub energy_kwh: f64,
    /// Time in the wash, the longest of its parts, s.
    pub wash_s: f64,
    /// Time in the cure, s.
    pub cure_s: f64,
    /// Hands-on time between this plate and the next, s.
    #[serde(default)]
    pub change_over_s: f64,
    /// Such plates in a night when somebody changes them over.
    pub plates_per_night: u32,
    /// Money.
    pub prices: Prices,
    /// What to do with each part after the print.
    pub sheets: Vec<Sheet>,
    /// Where the numbers above come from, by field name.
    pub origin: BTreeMap<String, Origin>,
}

impl Pass<&Plate> for Estimate {
    type Out = Cost;

    fn name(&self) -> &'static str {
        "estimate"
    }

    /// Estimates a plate with the context's setup.
    fn apply(&self, plate: &Plate, ctx: &Context) -> Result<Done<Cost>> {
        self.check_ranges()?;
        let setup = &*ctx.setup;
        let drawn = resin::draw(plate, setup, self.pitch_mm, ctx)?;
        let layers = drawn.iter().map(|d| d.layer_mm2.len() as u32).max().unwrap_or(0);
        let mut layer_mm2 = vec![0.0; layers as usize];
        let mut resin_ml: BTreeMap<Role, f64> = BTreeMap::new();
        let (mut surface_mm2, mut solid_mm3) = (0.0, 0.0);
        let (mut trapped_ml, mut sealed_ml) = (0.0, 0.0);
        let swell = setup.resin.cured_g_cm3 / setup.resin.liquid_g_cm3;
        for d in &drawn {
            let copies = f64::from(d.copies);
            layer_mm2.iter_mut().zip(&d.layer_mm2).for_each(|(a, b)| *a += copies * b);
            for (&role, mm3) in &d.role_mm3 {
                *resin_ml.entry(role).or_default() += copies * mm3 * swell / 1000.0;
                solid_mm3 += copies * mm3;
            }
            surface_mm2 += copies * d.surface_mm2;
            sealed_ml += copies * d.sealed_ml;
            trapped_ml += copies * (d.sealed_ml + d.retained_ml);
        }
        let wash_loss_ml = surface_mm2 * self.cling_mm / 1000.0;
        let time_s = time::print_of(setup, layers);
        let first = layers.min(setup.exposure.first_layers);
        let wash = |d: &Drawn<'_>| {
            if self.clear.contains(&d.part.name) { self.clear_wash_s } else { self.wash_s }
        };
        let wash_s = drawn.iter().map(wash).fold(0.0, f64::max);
        let cure_s = if drawn.is_empty() { 0.0 } else { self.cure_s };
        let energy_kwh =
            (time_s * setup.machine.power_w + (wash_s + cure_s) * self.post_power_w) / 3.6e6;
        let vat_loss_ml = if drawn.is_empty() { 0.0 } else { self.vat_loss_ml };
        let resin_total_ml =
            resin_ml.values().sum::<f64>() + wash_loss_ml + vat_loss_ml + trapped_ml;
        let night_s = self.night_h * 3600.0 + self.change_over_s;
        let plates_per_night =
            if layers == 0 { 0 } else { (night_s / (time_s + self.change_over_s)) as u32 };
        let cost = Cost {
            plate: plate.name.clone(),
            printer: plate.printer.clone(),
            placed: plate.placed.iter().map(standing).collect(),
            plugs: plate.placed.iter().filter_map(|p| p.part.bar.as_ref()).map(count).sum(),
            change_over_s: self.change_over_s,
            layers,
            time_s,
            first_layers_s: time::print_of(setup, first),
            exposure_s: setup.exposure.exposure_s,
            motion_s: time::motion_of(setup),
            refills: self.refills(setup, &layer_mm2, swell),
            moments: moments(setup, &drawn, &layer_mm2),
            layer_mm2,
            wash_loss_ml,
            vat_loss_ml,
            trapped_ml,
            sealed_ml,
            resin_total_ml,
            mass_g: solid_mm3 * setup.resin.cured_g_cm3 / 1000.0,
            energy_kwh,
            wash_s,
            cure_s,
            plates_per_night,
            prices: Prices {
                resin: resin_total_ml / 1000.0 * setup.resin.price_per_litre,
                machine: time_s / 3600.0 * setup.machine.price_per_hour,
                energy: energy_kwh * self.price_per_kwh,
            },
            resin_ml,
            sheets: drawn.iter().map(|d| Sheet::of(d, self, setup)).collect(),
            origin: origins(),
        };
        let mut report = report(&cost, self);
        // A number is plain data; only a cost that holds none could not be told.
        report.data.extend(serde_json::to_value(&cost).ok().map(|v| ("cost".into(), v)));
        Ok(Done { value: cost, report })
    }
}

impl Estimate {
    /// Fills the vat whenever the next layer would leave less than the reserve.
    fn refills(&self, setup: &Setup, layer_mm2: &[f64], swell: f64) -> Vec<Refill> {
        let full = setup.machine.vat_ml;
        // A vat smaller than the reserve could never be used; half of it may be, then.
        let reserve = self.vat_reserve_ml.min(full / 2.0);
        let mut level = full;
        let mut out = Vec::new();
        for (k, area) in layer_mm2.iter().enumerate() {
            let takes = area * setup.exposure.layer_mm * swell / 1000.0;
            if level - takes < reserve {
                let layer = k as u32;
                let time_s = time::print_of(setup, layer);
                out.push(Refill { layer, time_s, resin_ml: full - level });
                level = full;
            }
            level -= takes;
        }
        out
    }
}

fn standing(p: &Placed) -> OnPlate {
    OnPlate {
        part: p.part.name.clone(),
        x_mm: p.x_mm,
        y_mm: p.y_mm,
        turn_deg: p.turn_deg,
        height_mm: p.part.bounds().max.z,
        bar: p.part.bar.clone(),
    }
}

fn count(bar: &PlugBar) -> u32 {
    bar.plugs.len() as u32
}

/// The ends of the first layers, the start of the body on its supports, the largest section.
fn moments(setup: &Setup, drawn: &[Drawn<'_>], layer_mm2: &[f64]) -> Vec<Moment> {
    let layers = layer_mm2.len() as u32;
    let mut out = Vec::new();
    let mut add = |layer: u32, why: &str| {
        if layer < layers {
            out.push(Moment { layer, time_s: time::print_of(setup, layer + 1), why: why.into() });
        }
    };
    if setup.exposure.first_layers > 0 {
        add(
            setup.exposure.first_layers - 1,
            "first layers done: does everything hold on the plate",
        );
    }
    if let Some(k) = drawn.iter().filter_map(|d| d.body_starts).filter(|k| *k > 0).max() {
        add(k, "every body has begun: do the supports hold it");
    }
    let largest = (0..layer_mm2.len()).rev().max_by(|&a, &b| layer_mm2[a].total_cmp(&layer_mm2[b]));
    if let Some(k) = largest {
        add(k as u32, "largest section: the strongest pull is here");
    }
    out.sort_by_key(|m| m.layer);
    out
}

fn origins() -> BTreeMap<String, Origin> {
    let computed = ["layers", "time_s", "first_layers_s", "layer_mm2", "resin_ml", "mass_g"];
    let assumed = [
        "wash_loss_ml",
        "vat_loss_ml",
        "trapped_ml",
        "sealed_ml",
        "resin_total_ml",
        "refills",
        "energy_kwh",
        "wash_s",
        "cure_s",
        "plates_per_night",
        "prices",
        "sheets",
    ];
    let all = computed.map(|n| (n.into(), Origin::Computed)).into_iter();
    all.chain(assumed.map(|n| (n.into(), Origin::Assumed))).collect()
}

fn report(cost: &Cost, options: &Estimate) -> Report {
    let mut report = Report::new("estimate", &cost.plate);
    for (name, value) in [
        ("layers", f64::from(cost.layers)),
        ("time_s", cost.time_s),
        ("resin_total_ml", cost.resin_total_ml),
        ("mass_g", cost.mass_g),
        ("energy_kwh", cost.energy_kwh),
        ("price", cost.prices.total()),
        ("refills", cost.refills.len() as f64),
        ("trapped_ml", cost.trapped_ml),
        ("plugs", f64::from(cost.plugs)),
    ] {
        report.number(name, value);
    }
    for (role, ml) in &cost.resin_ml {
        report.number(&format!("resin_{}_ml", role.word()), *ml);
    }
    report.words.insert(
        "basis".into(),
        "time, solid resin and mass are computed from layers and setup; losses, washing, curing \
         and change-over are this pass's options, whose defaults are common practice; \
         acceleration of the lift is left out"
            .into(),
    );
    if cost.sealed_ml > 0.0 {
        report.findings.push(
            Finding::new(
                FindingCode::TrappedResin,
                Severity::Warning,
                &cost.plate,
                "cavities without a vent keep liquid resin for good",
            )
            .measured(cost.sealed_ml, 0.0, "ml")
            .remedy("vent them"),
        );
    }
    if let Some(first) = cost.refills.first() {
        report.findings.push(
            Finding::new(
                FindingCode::Refill,
                Severity::Note,
                &cost.plate,
                "the vat must be filled on the way",
            )
            .at_layers(first.layer, first.layer)
            .measured(cost.refills.len() as f64, 0.0, "times"),
        );
    }
    if cost.time_s > options.night_h * 3600.0 {
        report.findings.push(
            Finding::new(
                FindingCode::LongPlate,
                Severity::Note,
                &cost.plate,
                "it takes longer than a night",
            )
            .measured(cost.time_s / 3600.0, options.night_h, "h"),
        );
    }
    report
}
