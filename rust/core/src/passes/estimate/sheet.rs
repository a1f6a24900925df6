//! The after-print sheet: what the hands have to do with each part, and what they must mind.

use super::Estimate;
use super::resin::Drawn;
use crate::mechanics::flow::{Bore, Liquid, drain_s, retention_mm};
use crate::mesh::{Point, measure};
use crate::setup::Setup;
use serde::{Deserialize, Serialize};

/// Cautions for everybody who handles resin, parts or solvent; the resin's own safety data sheet
/// goes before them.
pub const CAUTIONS: [&str; 8] = [
    "The resin's own safety data sheet and local rules come first.",
    "Liquid resin sensitises the skin for good: nitrile gloves and goggles until the part is \
     cured; wash off with soap and water, never with solvent.",
    "Moving air while resin or solvent is open.",
    "No ignition source near alcohol; its vapour burns.",
    "Nothing uncured down a drain; cure resin, wipes and sludge in light before disposal.",
    "Never look into the printer's or the curing lamp's light (365–405 nm).",
    "Resin shut into a hollow can leak or burst the part.",
    "Not for food, skin, medical, eye-protection or load-bearing use unless certified; a clear \
     lens gathers sunlight and can start a fire.",
];

/// Where a support leaves a mark. Coordinates are the part's own plate coordinates.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Mark {
    /// Place of the contact, mm.
    pub at: Point,
    /// Diameter, mm.
    pub diameter_mm: f64,
    /// On a surface that was to be kept clean.
    pub keep_clean: bool,
}

/// What to do with one part after the print.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Sheet {
    /// Name of the part.
    pub part: String,
    /// How many of it are on the plate.
    pub copies: u32,
    /// Liquid resin that one takes, supports and raft included, losses not, ml.
    pub resin_ml: f64,
    /// Mass of one once cured and freed of supports and raft, g.
    pub mass_g: f64,
    /// Time to let one drain, s; 0 without a cavity, infinite is written as `None`.
    pub drain_s: Option<f64>,
    /// Time in the wash, s.
    pub wash_s: f64,
    /// Plugs to glue in.
    pub plugs: u32,
    /// Places to sand.
    pub marks: Vec<Mark>,
    /// The steps in words, in order.
    pub steps: Vec<String>,
}

impl Sheet {
    pub(super) fn of(drawn: &Drawn<'_>, options: &Estimate, setup: &Setup) -> Sheet {
        let part = drawn.part;
        let clear = options.clear.contains(&part.name);
        let wash_s = if clear { options.clear_wash_s } else { options.wash_s };
        let marks: Vec<Mark> = part
            .supports
            .iter()
            .flat_map(|s| &s.tips)
            .map(|t| Mark {
                at: t.contact,
                diameter_mm: t.diameter_mm,
                keep_clean: t.facet.is_some_and(|f| part.is_keep_clean(f as usize)),
            })
            .collect();
        let swell = setup.resin.cured_g_cm3 / setup.resin.liquid_g_cm3;
        let kept = |role: &crate::part::Role| {
            matches!(role, crate::part::Role::Body | crate::part::Role::Lattice)
        };
        let own: f64 = drawn.role_mm3.iter().filter(|(r, _)| kept(r)).map(|(_, v)| v).sum();
        let mut sheet = Sheet {
            part: part.name.clone(),
            copies: drawn.copies,
            resin_ml: drawn.role_mm3.values().sum::<f64>() * swell / 1000.0,
            mass_g: own * setup.resin.cured_g_cm3 / 1000.0,
            drain_s: drain(drawn, setup),
            wash_s,
            plugs: part.plugs.len() as u32,
            marks,
            steps: Vec::new(),
        };
        sheet.steps = sheet.in_words(drawn, options, clear);
        sheet
    }

    fn in_words(&self, drawn: &Drawn<'_>, options: &Estimate, clear: bool) -> Vec<String> {
        let mut steps = vec![
            "Put on nitrile gloves and goggles; read the resin's safety data sheet.".to_string(),
        ];
        let minutes = |s: f64| (s / 60.0).ceil();
        match self.drain_s {
            _ if drawn.trapped_mm3 > 0.0 => steps.push(format!(
                "A cavity without a vent holds {:.1} ml of liquid resin: do not cure it shut; \
                 drill it and drain it.",
                drawn.trapped_mm3 / 1000.0
            )),
            Some(0.0) => steps.push("Let it drip off over the vat.".into()),
            Some(s) => steps.push(format!(
                "Turn a vent to the lowest place and let it drain {:.0} min, until nothing drips.",
                minutes(s).max(1.0)
            )),
            None => steps
                .push("Its vents hold resin back: blow or rinse the cavity through a vent.".into()),
        }
        steps.push(if clear {
            format!(
                "Clear part: wash {:.0} s at most and dry at once, or only drip and cure, which \
                 keeps the gloss; long washing hazes it.",
                self.wash_s
            )
        } else {
            format!(
                "Wash {:.0} min: fine detail and paint need a clean surface.",
                minutes(self.wash_s)
            )
        });
        if drawn.part.vents.is_empty() {
            steps.push("Let it dry until no solvent is left.".into());
        } else {
            steps.push("Rinse the cavity through a vent, then let it dry inside and out.".into());
        }
        if drawn.part.supports.is_some() || drawn.part.raft.is_some() {
            steps.push("Take off supports and raft while the part is still green.".into());
        }
        if self.plugs > 0 {
            steps.push(format!("Glue in {} plug(s) once the inside is dry.", self.plugs));
        }
        steps.push(format!("Cure {:.0} min, turning it.", minutes(options.cure_s)));
        if !self.marks.is_empty() {
            let clean = self.marks.iter().filter(|m| m.keep_clean).count();
            let on_clean = if clean > 0 {
                format!(", {clean} of them on surfaces that were to stay clean")
            } else {
                String::new()
            };
            steps.push(format!(
                "Sand {} support marks{on_clean}; wet, so that no dust flies.",
                self.marks.len()
            ));
        }
        steps
    }
}

/// Time until the widest vent has emptied the cavities down to what it holds back, s; `None`
/// when it holds back everything. Volume over height stands for the area.
fn drain(drawn: &Drawn<'_>, setup: &Setup) -> Option<f64> {
    let part = drawn.part;
    let widest = part.vents.iter().max_by(|a, b| a.diameter_mm.total_cmp(&b.diameter_mm));
    let Some(vent) = widest else { return Some(0.0) };
    let liquid = Liquid::from(&setup.resin);
    let bore = Bore { diameter_mm: vent.diameter_mm, length_mm: vent.length_mm };
    let mut longest = 0.0f64;
    for cavity in &part.cavities {
        let b = cavity.bounds_at(&part.pose);
        let height = b.size().z;
        if height <= 0.0 {
            continue;
        }
        let area = measure::volume_mm3(cavity).abs() / height;
        // What capillarity holds, and a tenth of a millimetre more: the last film takes for ever.
        let held = (retention_mm(vent.diameter_mm, liquid) - vent.length_mm).max(0.0) + 0.1;
        if held >= height {
            return None;
        }
        longest = longest.max(drain_s(area, height, held, bore, liquid, true));
    }
    longest.is_finite().then_some(longest)
}
