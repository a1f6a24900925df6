//! All numbers of one workshop: machine, resin, exposure and the limits a user sets.
//!
//! Every mechanical constant is an input, since published measurements of one resin batch differ
//! several-fold between laboratories (Kolibaba et al. 2024, Addit. Manuf. 84:104082). The page
//! `docs/mechanics` says for each default whether it is published, from memory or common
//! practice, and how to measure it.

use crate::error::{Error, Result, check_range};
use serde::{Deserialize, Serialize};
use std::path::Path;

macro_rules! built_in {
    ($($name:literal),*) => {
        /// Names that [`Setup::load`] knows without a file.
        pub const BUILT_IN: &[&str] = &[$($name),*];
        fn built_in(name: &str) -> Option<&'static str> {
            match name {
                $($name => Some(include_str!(concat!("setups/", $name, ".toml"))),)*
                _ => None,
            }
        }
    };
}
built_in!("desk-50um", "desk-35um", "bench-50um", "fine-25um");

/// The printer: what it can reach, how it moves, what its film does.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Machine {
    /// Usable plate size along x, mm.
    pub width_mm: f64,
    /// Usable plate size along y, mm.
    pub depth_mm: f64,
    /// Usable height, mm.
    pub height_mm: f64,
    /// Edge of one panel pixel, mm.
    pub pixel_mm: f64,
    /// Travel away from the film after each layer, mm.
    pub lift_mm: f64,
    /// Speed of that travel, mm/s.
    pub lift_speed_mm_s: f64,
    /// Speed of the way back, mm/s.
    pub return_speed_mm_s: f64,
    /// Pause between the way back and the light, in which resin flows out of the gap, s.
    pub settle_s: f64,
    /// Other pauses in a layer's cycle, s.
    pub pause_s: f64,
    /// Resin the vat may hold, ml.
    pub vat_ml: f64,
    /// Mean separation stress of a compact section at `separation_speed_mm_s`, kPa.
    pub separation_kpa: f64,
    /// Lift speed at which `separation_kpa` was measured, mm/s.
    pub separation_speed_mm_s: f64,
    /// Power of lift speed (and of compactness) with which that stress rises: 0.5 for a film that
    /// gives, 1 for a rigid one, 0 where it does not matter.
    pub separation_exponent: f64,
    /// Deflection of film and frame under pull, mm/N.
    pub film_compliance_mm_n: f64,
    /// Stiffness of plate, arm and screw against the film, N/mm.
    pub frame_stiffness_n_mm: f64,
    /// Mean electrical power while printing, W.
    pub power_w: f64,
    /// What an hour of the machine costs, in the user's currency.
    pub price_per_hour: f64,
}

impl Default for Machine {
    fn default() -> Machine {
        Machine {
            width_mm: 130.0,
            depth_mm: 80.0,
            height_mm: 160.0,
            pixel_mm: 0.05,
            lift_mm: 5.0,
            lift_speed_mm_s: 1.0,
            return_speed_mm_s: 2.5,
            settle_s: 0.5,
            pause_s: 0.5,
            vat_ml: 250.0,
            separation_kpa: 20.0,
            separation_speed_mm_s: 1.0,
            separation_exponent: 0.5,
            film_compliance_mm_n: 0.02,
            frame_stiffness_n_mm: 400.0,
            power_w: 60.0,
            price_per_hour: 0.5,
        }
    }
}

/// The resin, liquid, green (before post-cure) and cured.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Resin {
    /// Density of the liquid, g/cm³.
    pub liquid_g_cm3: f64,
    /// Density once cured, g/cm³.
    pub cured_g_cm3: f64,
    /// Dynamic viscosity, Pa·s.
    pub viscosity_pa_s: f64,
    /// Surface tension, mN/m.
    pub surface_tension_mn_m: f64,
    /// Penetration depth Dp of the working curve, mm.
    pub penetration_mm: f64,
    /// Critical dose Ec of the working curve, mJ/cm².
    pub critical_mj_cm2: f64,
    /// Young's modulus of green material, MPa.
    pub green_modulus_mpa: f64,
    /// Tensile strength of green material, MPa.
    pub green_strength_mpa: f64,
    /// Poisson's ratio.
    pub poisson: f64,
    /// Strength and stiffness of the newest layers relative to green material, 0–1.
    pub newest_factor: f64,
    /// Tensile bond between first layers and plate, kPa.
    pub plate_bond_kpa: f64,
    /// Price of a litre, in the user's currency.
    pub price_per_litre: f64,
}

impl Default for Resin {
    fn default() -> Resin {
        Resin {
            liquid_g_cm3: 1.10,
            cured_g_cm3: 1.18,
            viscosity_pa_s: 0.3,
            surface_tension_mn_m: 33.0,
            penetration_mm: 0.12,
            critical_mj_cm2: 6.0,
            green_modulus_mpa: 1000.0,
            green_strength_mpa: 20.0,
            poisson: 0.4,
            newest_factor: 0.4,
            plate_bond_kpa: 150.0,
            price_per_litre: 40.0,
        }
    }
}

/// How layers are exposed.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Exposure {
    /// Thickness of a layer, mm.
    pub layer_mm: f64,
    /// Light on per layer, s.
    pub exposure_s: f64,
    /// Number of over-exposed layers next to the plate.
    pub first_layers: u32,
    /// Light on for each of them, s.
    pub first_exposure_s: f64,
    /// Irradiance at the film, mW/cm².
    pub irradiance_mw_cm2: f64,
    /// Standard deviation of the blur at a pixel's edge, mm.
    pub edge_blur_mm: f64,
}

impl Default for Exposure {
    fn default() -> Exposure {
        Exposure {
            layer_mm: 0.05,
            exposure_s: 3.0,
            first_layers: 5,
            first_exposure_s: 30.0,
            irradiance_mw_cm2: 4.0,
            edge_blur_mm: 0.025,
        }
    }
}

/// What the user asks every plate to keep.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Limits {
    /// Strength over load for tips, necks and first layers.
    pub safety: f64,
    /// Pressure difference across a cavity's wall while lifting, kPa.
    pub vent_pressure_kpa: f64,
    /// Time a vented cavity may take to drain, s.
    pub drain_s: f64,
    /// Part of a layer's thickness that spring-back may take, 0–1.
    pub missed_layer: f64,
    /// Deflection of a flat or bridge under peel, mm.
    pub sag_mm: f64,
    /// Voids smaller than this are noise of overlapping shells, mm³.
    pub noise_mm3: f64,
}

impl Default for Limits {
    fn default() -> Limits {
        Limits {
            safety: 2.0,
            vent_pressure_kpa: 5.0,
            drain_s: 600.0,
            missed_layer: 0.05,
            sag_mm: 0.1,
            noise_mm3: 0.05,
        }
    }
}

/// Machine, resin, exposure and limits under one name.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Setup {
    /// Name shown in reports.
    pub name: String,
    /// The printer.
    pub machine: Machine,
    /// The resin.
    pub resin: Resin,
    /// How layers are exposed.
    pub exposure: Exposure,
    /// What the user asks for.
    pub limits: Limits,
}

impl Setup {
    /// A built-in setup by name, or the TOML file at that path. Numbers the file leaves out keep
    /// their defaults.
    ///
    /// # Errors
    /// [`Error::Io`] when it is neither, [`Error::Config`] when the file cannot be understood,
    /// [`Error::Value`] when a number is out of range.
    pub fn load(name_or_path: impl AsRef<Path>) -> Result<Setup> {
        let path = name_or_path.as_ref();
        if let Some(text) = path.to_str().and_then(built_in) {
            return Setup::from_toml(text, &path.display().to_string());
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
    pub fn from_toml(text: &str, place: &str) -> Result<Setup> {
        let mut setup: Setup = toml::from_str(text).map_err(|e| Error::Config {
            place: place.into(),
            problem: e.to_string(),
            remedy: "compare with a built-in setup".into(),
        })?;
        if setup.name.is_empty() {
            let stem = Path::new(place).file_stem().map(|s| s.to_string_lossy().into_owned());
            setup.name = stem.unwrap_or_default();
        }
        setup.validate()?;
        Ok(setup)
    }

    /// The setup as TOML, every number included.
    pub fn to_toml(&self) -> String {
        toml::to_string(self).expect("a setup holds only numbers and words")
    }

    /// Checks every number against the range in which the formulas make sense.
    ///
    /// # Errors
    /// [`Error::Value`] naming the first number out of range.
    pub fn validate(&self) -> Result<()> {
        let (m, r, e, l) = (&self.machine, &self.resin, &self.exposure, &self.limits);
        for (place, value, lo, hi, unit) in [
            ("machine.width_mm", m.width_mm, 1.0, 2000.0, "mm"),
            ("machine.depth_mm", m.depth_mm, 1.0, 2000.0, "mm"),
            ("machine.height_mm", m.height_mm, 1.0, 2000.0, "mm"),
            ("machine.pixel_mm", m.pixel_mm, 0.005, 1.0, "mm"),
            ("machine.lift_mm", m.lift_mm, 0.1, 50.0, "mm"),
            ("machine.lift_speed_mm_s", m.lift_speed_mm_s, 0.01, 50.0, "mm/s"),
            ("machine.return_speed_mm_s", m.return_speed_mm_s, 0.01, 50.0, "mm/s"),
            ("machine.settle_s", m.settle_s, 0.0, 600.0, "s"),
            ("machine.pause_s", m.pause_s, 0.0, 600.0, "s"),
            ("machine.vat_ml", m.vat_ml, 1.0, 1e5, "ml"),
            ("machine.separation_kpa", m.separation_kpa, 0.1, 101.325, "kPa"),
            ("machine.separation_speed_mm_s", m.separation_speed_mm_s, 0.01, 50.0, "mm/s"),
            ("machine.separation_exponent", m.separation_exponent, 0.0, 1.0, ""),
            ("machine.film_compliance_mm_n", m.film_compliance_mm_n, 0.0, 10.0, "mm/N"),
            ("machine.frame_stiffness_n_mm", m.frame_stiffness_n_mm, 0.1, 1e6, "N/mm"),
            ("machine.power_w", m.power_w, 0.0, 1e5, "W"),
            ("machine.price_per_hour", m.price_per_hour, 0.0, 1e6, ""),
            ("resin.liquid_g_cm3", r.liquid_g_cm3, 0.5, 3.0, "g/cm³"),
            ("resin.cured_g_cm3", r.cured_g_cm3, 0.5, 3.0, "g/cm³"),
            ("resin.viscosity_pa_s", r.viscosity_pa_s, 1e-3, 100.0, "Pa·s"),
            ("resin.surface_tension_mn_m", r.surface_tension_mn_m, 1.0, 100.0, "mN/m"),
            ("resin.penetration_mm", r.penetration_mm, 0.005, 5.0, "mm"),
            ("resin.critical_mj_cm2", r.critical_mj_cm2, 0.01, 1000.0, "mJ/cm²"),
            ("resin.green_modulus_mpa", r.green_modulus_mpa, 0.1, 1e5, "MPa"),
            ("resin.green_strength_mpa", r.green_strength_mpa, 0.01, 1e3, "MPa"),
            ("resin.poisson", r.poisson, 0.0, 0.499, ""),
            ("resin.newest_factor", r.newest_factor, 0.01, 1.0, ""),
            ("resin.plate_bond_kpa", r.plate_bond_kpa, 0.1, 1e4, "kPa"),
            ("resin.price_per_litre", r.price_per_litre, 0.0, 1e6, ""),
            ("exposure.layer_mm", e.layer_mm, 0.005, 0.5, "mm"),
            ("exposure.exposure_s", e.exposure_s, 0.01, 600.0, "s"),
            ("exposure.first_layers", f64::from(e.first_layers), 0.0, 100.0, "layers"),
            ("exposure.first_exposure_s", e.first_exposure_s, 0.01, 600.0, "s"),
            ("exposure.irradiance_mw_cm2", e.irradiance_mw_cm2, 0.01, 1000.0, "mW/cm²"),
            ("exposure.edge_blur_mm", e.edge_blur_mm, 0.0, 1.0, "mm"),
            ("limits.safety", l.safety, 1.0, 20.0, ""),
            ("limits.vent_pressure_kpa", l.vent_pressure_kpa, 0.01, 101.325, "kPa"),
            ("limits.drain_s", l.drain_s, 0.1, 1e6, "s"),
            ("limits.missed_layer", l.missed_layer, 1e-4, 1.0, ""),
            ("limits.sag_mm", l.sag_mm, 1e-4, 10.0, "mm"),
            ("limits.noise_mm3", l.noise_mm3, 0.0, 1e3, "mm³"),
        ] {
            check_range(place, value, lo, hi, unit)?;
        }
        Ok(())
    }
}
