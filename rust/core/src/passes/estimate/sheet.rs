//! The after-print sheet: what the hands have to do with each part, and what they must mind.

use super::Estimate;
use super::resin::Drawn;
use crate::mesh::Point;
use crate::part::{Part, VentHole};
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

/// Less retained resin than this is no news, ml: a drop.
const WORTH_SAYING_ML: f64 = 0.05;

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

/// A stopper and the hole it closes.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Plugging {
    /// Name of the stopper; its number stands before it on the bar.
    pub plug: String,
    /// Diameter of its hole, mm.
    pub diameter_mm: f64,
    /// Where the hole is on the part as it stands on the plate.
    pub at: Point,
    /// The side of the part, as it stands, on which the hole is: front, right, back, left, top,
    /// underside.
    #[serde(default)]
    pub side: String,
}

/// A hole for which there is no stopper.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct OpenHole {
    /// Diameter, mm.
    pub diameter_mm: f64,
    /// Where it is on the part as it stands on the plate.
    pub at: Point,
    /// The side, as in [`Plugging::side`].
    pub side: String,
}

/// A cavity to empty and to close again.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Emptying {
    /// Its number, from 1.
    pub cavity: u32,
    /// Its volume, ml.
    pub volume_ml: f64,
    /// Time to let it drain, s; `None`: it does not by itself, or nobody knows.
    pub drain_s: Option<f64>,
    /// Liquid resin that stays in it, ml.
    pub retained_ml: f64,
    /// Whether it has no hole.
    pub shut: bool,
    /// What goes into its holes once it is clean and dry.
    pub plugs: Vec<Plugging>,
    /// Its holes without a stopper.
    #[serde(default)]
    pub open: Vec<OpenHole>,
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
    /// Time to let one drain, s; 0 without a cavity. `None`: a cavity does not drain by itself,
    /// or nobody knows how long it takes.
    pub drain_s: Option<f64>,
    /// Liquid resin that stays in the cavities of one, ml.
    #[serde(default)]
    pub retained_ml: f64,
    /// Its cavities, as the vent pass found them.
    #[serde(default)]
    pub cavities: Vec<Emptying>,
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
            drain_s: drain_s(part),
            retained_ml: drawn.sealed_ml + drawn.retained_ml,
            cavities: emptying(part),
            wash_s,
            plugs: part.vents.iter().filter(|v| v.plug.is_some()).count() as u32,
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
        if drawn.sealed_ml > 0.0 {
            steps.push(format!(
                "A cavity without a vent holds {:.1} ml of liquid resin: do not cure it shut; \
                 drill it and drain it.",
                drawn.sealed_ml
            ));
        }
        match self.drain_s {
            Some(0.0) => steps.push("Let it drip off over the vat.".into()),
            Some(s) => steps.push(format!(
                "Turn a vent to the lowest place and let it drain {:.0} min, until nothing drips.",
                minutes(s)
            )),
            None if drawn.part.vents.is_empty() => {}
            None => steps.push(
                "Turn each vent to the lowest place in turn and let it drain until nothing drips, \
                 then blow or rinse the cavity through a vent: how long it takes is not known."
                    .into(),
            ),
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
        let lone = |c: &Emptying| {
            drawn.part.vents.iter().filter(|v| v.cavity == c.cavity).count() == 1
                && c.drain_s.is_none_or(|s| s > 0.0)
        };
        if self.cavities.iter().any(lone) {
            steps.push(
                "A cavity with one hole can lock itself with air: blow or rinse it through the \
                 hole until nothing more comes out."
                    .into(),
            );
        }
        if drawn.part.vents.is_empty() {
            steps.push("Let it dry until no solvent is left.".into());
        } else {
            let stays = match drawn.retained_ml {
                ml if ml >= WORTH_SAYING_ML => format!(": {ml:.2} ml of resin stay by themselves"),
                _ => String::new(),
            };
            steps.push(format!(
                "Rinse the cavity through a vent{stays}; then let it dry inside and out."
            ));
        }
        let stands = drawn.part.supports.is_some() || drawn.part.raft.is_some();
        if stands && drawn.part.bar.is_none() {
            steps.push("Take off supports and raft while the part is still green.".into());
        }
        let holes = |of: fn(&Emptying) -> Vec<String>| -> Vec<String> {
            self.cavities.iter().flat_map(of).collect()
        };
        let plugs = holes(|c| c.plugs.iter().map(Plugging::in_words).collect());
        if !plugs.is_empty() {
            let all = plugs.join("; ");
            steps.push(format!(
                "Glue in the plugs, narrow end first, once the inside is clean and dry: {all}."
            ));
        }
        let open = holes(|c| c.open.iter().map(|o| hole(o.diameter_mm, &o.side, &o.at)).collect());
        if !open.is_empty() {
            let all = open.join("; ");
            steps.push(format!(
                "No plug comes for {all}: leave it open, or fill it with resin, a little at a time, \
                 and cure each time, once the inside is clean and dry. Goggles; never look into the \
                 light."
            ));
        }
        if let Some(bar) = &drawn.part.bar {
            let all = bar.plugs.join(", ");
            steps.push(format!(
                "Cut off the plugs, each behind its number, at the neck: {all}. They close the holes \
                 of {} and are cured there; its sheet says which is whose.",
                bar.part
            ));
            return steps;
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

impl Plugging {
    fn in_words(&self) -> String {
        format!("{} into {}", self.plug, hole(self.diameter_mm, &self.side, &self.at))
    }
}

fn hole(diameter_mm: f64, side: &str, at: &Point) -> String {
    format!("the hole of {diameter_mm:.1} mm on its {side}, {:.1} mm above the plate", at.z)
}

/// The side of a part to which a hole opens.
fn side(part: &Part, hole: &VentHole) -> &'static str {
    let out = part.pose.rotation * -hole.inward;
    let along = [["right", "left"], ["back", "front"], ["top", "underside"]];
    let most = out.iamax();
    along[most][usize::from(out[most] < 0.0)]
}

/// The longest that a cavity drains, as the vent pass found it.
fn drain_s(part: &Part) -> Option<f64> {
    let unknown = |cavity: u32| cavity == 0 || cavity as usize > part.drainage.len();
    if !part.cavities.is_empty() || part.vents.iter().any(|v| unknown(v.cavity)) {
        return None;
    }
    part.drainage.iter().try_fold(0.0, |longest: f64, d| d.drain_s.map(|s| longest.max(s)))
}

fn emptying(part: &Part) -> Vec<Emptying> {
    let of = |(i, d): (usize, &crate::part::Drainage)| Emptying {
        cavity: i as u32 + 1,
        volume_ml: d.volume_ml,
        drain_s: d.drain_s,
        retained_ml: d.retained_ml,
        shut: part.is_shut(i),
        plugs: plugs(part, i as u32 + 1),
        open: open(part, i as u32 + 1),
    };
    part.drainage.iter().enumerate().map(of).collect()
}

fn plugs(part: &Part, cavity: u32) -> Vec<Plugging> {
    let of = |v: &VentHole| {
        let plug = part.plugs.get(v.plug? as usize)?.name().into();
        let OpenHole { diameter_mm, at, side } = opening(part, v);
        Some(Plugging { plug, diameter_mm, at, side })
    };
    part.vents.iter().filter(|v| v.cavity == cavity).filter_map(of).collect()
}

fn open(part: &Part, cavity: u32) -> Vec<OpenHole> {
    let bare = |v: &&VentHole| v.cavity == cavity && v.plug.is_none() && !v.inner;
    part.vents.iter().filter(bare).map(|v| opening(part, v)).collect()
}

/// A hole where it is on the part as it stands.
fn opening(part: &Part, v: &VentHole) -> OpenHole {
    OpenHole { diameter_mm: v.diameter_mm, at: part.pose * v.mouth, side: side(part, v).into() }
}
