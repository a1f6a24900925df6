//! All numbers of one workshop: machine, resin, exposure and the limits a user sets.
//!
//! Every mechanical constant is an input, since published measurements of one resin batch differ
//! several-fold between laboratories (Kolibaba et al. 2024, Addit. Manuf. 84:104082). The page
//! `docs/mechanics` says for each default whether it is published, from memory or common
//! practice, and how to measure it.

use crate::error::{Error, Result};
use crate::format::{FORMAT, Format};
use crate::options::{Options, commented, options, remedy, renamed, table};
use serde::Deserialize;
use std::path::Path;

mod intervals;

pub use intervals::Intervals;
pub(crate) use intervals::{drawn, names};

macro_rules! built_in {
    ($($name:literal),*) => {
        /// Names that [`Setup::load`] knows without a file.
        pub const BUILT_IN: &[&str] = &[$($name),*];
        fn built_in(name: &str) -> Option<&'static str> {
            match name {
                $($name => Some(include_str!(concat!("setup/presets/", $name, ".toml"))),)*
                _ => None,
            }
        }
    };
}
built_in!("desk-50um", "desk-35um", "bench-50um", "fine-25um");

options! {
    /// The printer: what it can reach, how it moves, what its film does.
    pub struct Machine at "machine" {
        /// Usable plate size along x, mm.
        width_mm: f64 = 130.0, in 1.0..=2000.0 "mm", larger "more room";
        /// Usable plate size along y, mm.
        depth_mm: f64 = 80.0, in 1.0..=2000.0 "mm", larger "more room";
        /// Usable height, mm.
        height_mm: f64 = 160.0, in 1.0..=2000.0 "mm", larger "more room";
        /// Edge of one panel pixel, mm.
        pixel_mm: f64 = 0.05, in 0.005..=1.0 "mm", larger "coarser outlines; quicker checks";
        /// Travel away from the film after each layer, mm.
        lift_mm: f64 = 5.0,
            in 0.1..=50.0 "mm",
            larger "surer separation and resin flow; more time a layer";
        /// Speed of that travel, mm/s.
        lift_speed_mm_s: f64 = 1.0,
            in 0.01..=50.0 "mm/s",
            larger "quicker layers; more peel and more suction";
        /// Speed of the way back, mm/s.
        return_speed_mm_s: f64 = 2.5,
            in 0.01..=50.0 "mm/s",
            larger "quicker layers; more press on the way back";
        /// Pause between the way back and the light, in which resin flows out of the gap, s.
        settle_s: f64 = 0.5,
            in 0.0..=600.0 "s",
            larger "less resin left in the gap, truer layers; more time";
        /// Other pauses in a layer's cycle, s.
        pause_s: f64 = 0.5, in 0.0..=600.0 "s", larger "more time";
        /// Resin the vat may hold, ml.
        vat_ml: f64 = 250.0, in 1.0..=1e5 "ml", larger "fewer refills";
        /// Mean separation stress of a compact section of `separation_area_mm2` at
        /// `separation_speed_mm_s`, kPa.
        separation_kpa: f64 = 20.0,
            in 0.1..=101.325 "kPa",
            larger "more peel in every layer: more and thicker tips";
        /// Section for which `separation_kpa` holds, mm².
        separation_area_mm2: f64 = 100.0,
            in 1.0..=1e5 "mm²",
            larger "more peel in every layer, where the area exponent is below 1";
        /// Power of the section's area with which peel rises: 1 for a mean stress that is the same
        /// for all, less where large sections let go bit by bit.
        separation_area_exponent: f64 = 0.7,
            in 0.1..=1.0 "",
            larger "more peel of sections larger than the reference, less of smaller ones";
        /// Lift speed at which `separation_kpa` was measured, mm/s.
        separation_speed_mm_s: f64 = 1.0,
            in 0.01..=50.0 "mm/s",
            larger "less peel at the same lift speed";
        /// Power of lift speed (and of compactness) with which peel rises: 0.5 for a film that
        /// gives, 1 for a rigid one, 0 where it does not matter.
        separation_speed_exponent: f64 = 0.38,
            in 0.0..=1.0 "",
            larger "peel rises faster with lift speed; slender sections pull less";
        /// Force aside over pull while a layer lets go: films that give way from one side drag.
        side_share: f64 = 0.05,
            in 0.0..=1.0 "",
            larger "more bending in tall supports: thicker ones, more braces";
        /// Deflection of film and frame under pull, mm/N.
        film_compliance_mm_n: f64 = 0.02,
            in 0.0..=10.0 "mm/N",
            larger "the film follows farther before it lets go";
        /// Stiffness of plate, arm and screw against the film, N/mm.
        frame_stiffness_n_mm: f64 = 400.0,
            in 0.1..=1e6 "N/mm",
            larger "less spring-back of the machine itself";
        /// Mean electrical power while printing, W.
        power_w: f64 = 60.0, in 0.0..=1e5 "W", larger "more energy";
        /// What an hour of the machine costs, in the user's currency.
        price_per_hour: f64 = 0.5, in 0.0..=1e6 "", larger "dearer plates";
    }
}

options! {
    /// The resin, liquid, green (before post-cure) and cured.
    pub struct Resin at "resin" {
        /// Density of the liquid, g/cm³.
        liquid_g_cm3: f64 = 1.10, in 0.5..=3.0 "g/cm³", larger "less liquid for the same solid";
        /// Density once cured, g/cm³.
        cured_g_cm3: f64 = 1.18,
            in 0.5..=3.0 "g/cm³",
            larger "more shrinkage: more liquid for the same solid, heavier parts";
        /// Dynamic viscosity, Pa·s.
        viscosity_pa_s: f64 = 0.3,
            in 1e-3..=100.0 "Pa·s",
            larger "slower draining, more suction, longer settling";
        /// Surface tension, mN/m.
        surface_tension_mn_m: f64 = 33.0,
            in 1.0..=100.0 "mN/m",
            larger "more resin held in narrow holes";
        /// Penetration depth Dp of the working curve, mm.
        penetration_mm: f64 = 0.12, in 0.005..=5.0 "mm", larger "deeper cure; more print-through";
        /// Critical dose Ec of the working curve, mJ/cm².
        critical_mj_cm2: f64 = 6.0,
            in 0.01..=1000.0 "mJ/cm²",
            larger "shallower cure; less spread at edges";
        /// Young's modulus of green material, MPa.
        green_modulus_mpa: f64 = 1000.0, in 0.1..=1e5 "MPa", larger "less spring-back and sag";
        /// Tensile strength of green material, MPa.
        green_strength_mpa: f64 = 20.0, in 0.01..=1e3 "MPa", larger "fewer and thinner tips";
        /// Poisson's ratio.
        poisson: f64 = 0.4, in 0.0..=0.499 "", larger "stiffer plates, a little";
        /// Strength and stiffness of the newest layers relative to green material, 0–1.
        newest_factor: f64 = 0.4,
            in 0.01..=1.0 "",
            larger "young layers bear more: longer overhangs";
        /// Tensile bond between first layers and plate, kPa.
        plate_bond_kpa: f64 = 150.0, in 0.1..=1e4 "kPa", larger "smaller bases hold";
        /// Price of a litre, in the user's currency.
        price_per_litre: f64 = 40.0, in 0.0..=1e6 "", larger "dearer parts";
    }
}

options! {
    /// How layers are exposed.
    pub struct Exposure at "exposure" {
        /// Thickness of a layer, mm.
        layer_mm: f64 = 0.05,
            in 0.005..=0.5 "mm",
            larger "fewer layers and less time; coarser steps";
        /// Light on per layer, s.
        exposure_s: f64 = 3.0,
            in 0.01..=600.0 "s",
            larger "deeper cure and stronger green parts; wider edges, more time";
        /// Number of over-exposed layers next to the plate.
        first_layers: u32 = 5,
            in 0.0..=100.0 "layers",
            larger "a surer hold on the plate; more flare at the foot, more time";
        /// Light on for each of them, s.
        first_exposure_s: f64 = 30.0,
            in 0.01..=600.0 "s",
            larger "a surer hold on the plate; more flare at the foot, more time";
        /// Irradiance at the film, mW/cm².
        irradiance_mw_cm2: f64 = 4.0,
            in 0.01..=1000.0 "mW/cm²",
            larger "deeper cure in the same time; wider edges";
        /// Standard deviation of the blur at a pixel's edge, mm: the core, without the tails.
        edge_blur_mm: f64 = 0.025, in 0.0..=1.0 "mm", larger "more flare and closed gaps";
        /// Half width at half height of the blur's heavy tails, mm.
        edge_tail_mm: f64 = 0.1,
            in 0.0..=2.0 "mm",
            larger "over-exposed layers flare farther; less at each edge";
        /// Part of the light that is in the tails, 0–1.
        edge_tail_share: f64 = 0.25,
            in 0.0..=1.0 "",
            larger "more flare of over-exposed layers and closed gaps";
    }
}

options! {
    /// What the user asks every plate to keep.
    pub struct Limits at "limits" {
        /// Strength over load for tips, necks and first layers.
        safety: f64 = 2.0,
            in 1.0..=20.0 "",
            larger "more and thicker tips, larger bases; fewer surprises";
        /// The same for tips and bars once any one tip has failed.
        lost_tip_safety: f64 = 1.0,
            in 0.1..=20.0 "",
            larger "more tips under pieces that few tips hold";
        /// Share of the setup's `intervals` for which all shall hold.
        confidence: f64 = 0.9,
            in 0.0..=1.0 "",
            larger "more tips, thicker columns, where constants are known badly";
        /// Pressure difference across a cavity's wall while lifting, kPa.
        vent_pressure_kpa: f64 = 5.0,
            in 0.01..=101.325 "kPa",
            larger "fewer and smaller vents; more suction";
        /// Time a vented cavity may take to drain, s.
        drain_s: f64 = 600.0, in 0.1..=1e6 "s", larger "fewer and smaller drains; longer waiting";
        /// Part of a layer's thickness that spring-back may take, 0–1.
        missed_layer: f64 = 0.05,
            in 1e-4..=1.0 "",
            larger "slenderer supports pass; coarser first layers after each lift";
        /// Deflection of a flat or bridge under peel, mm.
        sag_mm: f64 = 0.1, in 1e-4..=10.0 "mm", larger "wider flats pass; less flat ones";
        /// Voids smaller than this are noise of overlapping shells, mm³.
        noise_mm3: f64 = 0.05, in 0.0..=1e3 "mm³", larger "more small voids are passed over";
    }
}

options! {
    /// Machine, resin, exposure and limits under one name.
    pub struct Setup at "setup" {
        /// Name shown in reports.
        name: String = String::new();
        /// The printer.
        machine: Machine = Machine::default(), of Machine;
        /// The resin.
        resin: Resin = Resin::default(), of Resin;
        /// How layers are exposed.
        exposure: Exposure = Exposure::default(), of Exposure;
        /// What the user asks for.
        limits: Limits = Limits::default(), of Limits;
        /// Between what bounds constants may truly lie, by group: in the table `intervals.resin`,
        /// `green_strength_mpa = [14.0, 28.0]`. What has none counts as known.
        intervals: Intervals = Intervals::new();
    }
}

/// A setup as it stands in a file.
#[derive(Default, Deserialize)]
#[serde(default, deny_unknown_fields)]
struct SetupFile {
    format: Format,
    name: String,
    machine: Machine,
    resin: Resin,
    exposure: Exposure,
    limits: Limits,
    intervals: Intervals,
}

impl Setup {
    /// A built-in setup by name, or the TOML file at that path. Numbers the file leaves out keep
    /// their defaults.
    ///
    /// # Errors
    /// [`Error::Io`] when it is neither, [`Error::Config`] when the file cannot be understood,
    /// [`Error::Value`] when a number is out of range.
    ///
    /// ```
    /// use vatwright::Setup;
    /// assert_eq!(Setup::load("desk-50um")?.exposure.layer_mm, 0.05);
    /// assert_eq!(Setup::load("no such").unwrap_err().code(), "config");
    /// # Ok::<(), vatwright::Error>(())
    /// ```
    pub fn load(name_or_path: impl AsRef<Path>) -> Result<Setup> {
        let path = name_or_path.as_ref();
        if let Some(text) = path.to_str().and_then(built_in) {
            let text = format!("{text}\n{}", include_str!("setup/presets/intervals.toml"));
            return Setup::from_toml(&text, &path.display().to_string());
        }
        let text = std::fs::read_to_string(path).map_err(|source| {
            if source.kind() == std::io::ErrorKind::NotFound {
                return Error::Config {
                    place: path.display().to_string(),
                    problem: "neither a file nor a built-in setup".into(),
                    remedy: format!("use a TOML file or one of: {}", BUILT_IN.join(", ")),
                };
            }
            Error::Io { path: path.into(), action: "read", source }
        })?;
        Setup::from_toml(&text, &path.display().to_string())
    }

    /// Reads a setup from TOML text; `place` names it in messages.
    ///
    /// # Errors
    /// As [`Setup::load`].
    ///
    /// ```
    /// use vatwright::Setup;
    /// let setup = Setup::from_toml("[resin]\nviscosity_pa_s = 0.8", "thick")?;
    /// assert_eq!(setup.resin.viscosity_pa_s, 0.8);
    /// let wrong = Setup::from_toml("[exposure]\nlayer_mm = 3", "thick").unwrap_err();
    /// assert!(wrong.to_string().contains("exposure.layer_mm = 3 is outside"));
    /// # Ok::<(), vatwright::Error>(())
    /// ```
    pub fn from_toml(text: &str, place: &str) -> Result<Setup> {
        let file: SetupFile = toml::from_str(&renamed(text)).map_err(|e| {
            let problem = e.to_string();
            let remedy = remedy(&problem, "compare with a built-in setup");
            Error::Config { place: place.into(), remedy, problem }
        })?;
        let SetupFile { format: _, name, machine, resin, exposure, limits, intervals } = file;
        let mut setup = Setup { name, machine, resin, exposure, limits, intervals };
        if setup.name.is_empty() {
            let stem = Path::new(place).file_stem().map(|s| s.to_string_lossy().into_owned());
            setup.name = stem.unwrap_or_default();
        }
        setup.validate()?;
        Ok(setup)
    }

    /// The setup as TOML, every number included, with a comment above each.
    pub fn to_toml(&self) -> String {
        let mut out = format!("format = {FORMAT}\n\n");
        commented(&mut out, "", &table(self), Setup::OPTIONS);
        out
    }

    /// Checks every number against the range in which the formulas make sense.
    ///
    /// # Errors
    /// [`Error::Value`] naming the first number out of range.
    pub fn validate(&self) -> Result<()> {
        self.machine.check_ranges()?;
        self.resin.check_ranges()?;
        self.exposure.check_ranges()?;
        self.limits.check_ranges()?;
        intervals::check(self)
    }
}
