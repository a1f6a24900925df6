//! Plugs on their way to a plate: those of a part stand on a bar, each behind its number.
//!
//! A plug stands with its narrow end down on a neck, so that the face that people will see comes out
//! clean and what is left of the cut goes into the hole. Numbers run through all parts, so that a
//! plug that lies about tells by itself where it belongs.

use crate::context::Context;
use crate::error::Result;
use crate::mesh::{Mesh, Point, Pose, Solid, Vector, shapes};
use crate::part::{Part, PlugBar};
use crate::passes::raft::Raft;
use nalgebra::{Translation3, UnitQuaternion};
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet};
use std::f64::consts::PI;
use std::sync::Arc;

/// Where the plugs of vents are printed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum PlugPlace {
    /// On the plate of their part; on another where the part leaves no room.
    #[default]
    Beside,
    /// On plates of their own.
    Apart,
    /// Nowhere: the holes stay open, or are filled by hand.
    None,
}

/// What goes onto plates together.
#[derive(Default)]
pub(super) struct Lot {
    pub(super) parts: Vec<Part>,
    /// For each bar that must stay with a part, the part's index.
    pub(super) beside: Vec<Option<usize>>,
}

impl Lot {
    fn add(&mut self, part: Part, beside: Option<usize>) {
        self.parts.push(part);
        self.beside.push(beside);
    }
}

/// The parts with their plugs as lots, one to be packed after the other.
pub(super) fn lots(place: PlugPlace, parts: Vec<Part>, ctx: &Context) -> Result<Vec<Lot>> {
    let mut taken: BTreeSet<String> = parts.iter().map(|p| p.name.clone()).collect();
    let (mut lot, mut apart) = (Lot::default(), Lot::default());
    // Copies that were given one by one have the same numbers: their plugs are alike.
    let mut known: BTreeMap<String, Vec<(Part, Part, Part)>> = BTreeMap::new();
    let mut next = 1;
    for mut part in parts {
        if part.plugs.is_empty() {
            lot.add(part, None);
            continue;
        }
        if place == PlugPlace::None {
            part.plugs.clear();
            part.vents.iter_mut().for_each(|v| v.plug = None);
            lot.add(part, None);
            continue;
        }
        let alike = known.entry(part.name.clone()).or_default();
        let found = alike.iter().find(|k| k.0.shares_geometry(&part) && k.0.plugs == part.plugs);
        let (numbered, bar) = match found {
            Some((_, numbered, bar)) => (numbered.clone(), bar.clone()),
            None => {
                let numbered = numbered(&part, next)?;
                let bar = bar(&numbered, next, free_name(&part.name, &mut taken), ctx)?;
                next += part.plugs.len();
                alike.push((part, numbered.clone(), bar.clone()));
                (numbered, bar)
            }
        };
        let owner = lot.parts.len();
        lot.add(numbered, None);
        match place {
            PlugPlace::Apart => apart.add(bar, None),
            _ => lot.add(bar, Some(owner)),
        }
    }
    Ok([lot, apart].into_iter().filter(|l| !l.parts.is_empty()).collect())
}

fn free_name(part: &str, taken: &mut BTreeSet<String>) -> String {
    let name = format!("{part} plugs");
    let mut free = name.clone();
    for n in 2.. {
        if taken.insert(free.clone()) {
            break;
        }
        free = format!("{name} {n}");
    }
    free
}

/// The part with its plugs numbered from `first` on.
fn numbered(part: &Part, first: usize) -> Result<Part> {
    let rename = |(i, plug): (usize, &Solid)| {
        Solid::try_from(plug.mesh().clone().renamed(format!("plug {}", first + i)))
    };
    let plugs = part.plugs.iter().enumerate().map(rename).collect::<Result<_>>()?;
    Ok(Part { plugs, ..part.clone() })
}

/// Most plugs in a row.
const ROW: usize = 6;
/// Widths of plugs are rounded up to multiples of this, mm.
const OUTLINE_MM: f64 = 0.5;
/// Free space between plugs and numbers, for cutters, mm.
const APART_MM: f64 = 1.2;
/// Height of a neck, mm: cutters go between plug and bar.
const NECK_MM: f64 = 1.2;
/// Diameter of a neck over that of the plug's narrow end (common practice, no source), and its
/// least, mm.
const NECK_SHARE: f64 = 0.35;
const LEAST_NECK_MM: f64 = 0.8;
/// How far pieces reach into each other, mm.
const INTO_MM: f64 = 0.05;
/// Sides of necks.
const SIDES: usize = 24;

/// The bar with the plugs of a part.
fn bar(part: &Part, first: usize, name: String, ctx: &Context) -> Result<Part> {
    let plugs = &part.plugs;
    let most = (first + plugs.len() - 1).to_string().len();
    let widest = plugs.iter().map(|p| p.bounds().size().x).fold(0.0, f64::max);
    // Bars of like plugs have the same outline, and share what packing makes of it.
    let widest = (widest / OUTLINE_MM).ceil() * OUTLINE_MM;
    let wide = widest.max(label_mm(most));
    let (across, along) = (wide + APART_MM, widest + DIGIT_MM[1] + 2.0 * APART_MM);
    let (columns, rows) = (plugs.len().min(ROW), plugs.len().div_ceil(ROW));
    let mut pieces = Vec::new();
    for (i, plug) in plugs.iter().enumerate() {
        let (x, y) = (across * (i % ROW) as f64, -along * (i / ROW) as f64);
        pieces.extend(standing(plug, x, y)?);
        let label = (first + i).to_string();
        let left = x - 0.5 * label_mm(label.len());
        pieces.extend(digits(&label, left, y - 0.5 * widest - APART_MM - DIGIT_MM[1])?);
    }
    let mut out = Part::new(Solid::try_from(Mesh::concat(&name, &pieces))?);
    let (right, back) = (across * (columns - 1) as f64 + 0.5 * wide, 0.5 * widest);
    let front = -along * (rows - 1) as f64 - 0.5 * widest - APART_MM - DIGIT_MM[1];
    let corner = |x: f64, y: f64| {
        let p = out.pose * Point::new(x, y, 0.0);
        [p.x, p.y]
    };
    let left = -0.5 * wide;
    let corners =
        [corner(left, front), corner(right, front), corner(right, back), corner(left, back)];
    let raft = Raft { lift_mm: 0.0, margin_mm: 1.0, ..Raft::default() };
    out.raft = Some(Arc::new(raft.lay(&corners, &[], ctx)?.0));
    out.settle(raft.hang_mm());
    let plugs = plugs.iter().map(|p| p.name().to_string()).collect();
    out.bar = Some(PlugBar { part: part.name.clone(), plugs });
    Ok(out)
}

/// A plug, narrow end down, on its neck at a place.
fn standing(plug: &Solid, x: f64, y: f64) -> Result<Vec<Mesh>> {
    let (b, middle) = (plug.bounds(), plug.bounds().center());
    let top = plug.vertices().iter().filter(|v| b.max.z - v.z < 1e-9);
    let narrow = top.map(|v| (v.x - middle.x).hypot(v.y - middle.y)).fold(0.0, f64::max);
    let neck = (0.5 * LEAST_NECK_MM).max(NECK_SHARE * narrow).min(narrow);
    // A cone of 45° carries what is wider than the neck.
    let widens = narrow - neck;
    let low = NECK_MM + widens - INTO_MM;
    let at = |z: f64| Pose::translation(x, y, z);
    let mut out = vec![shapes::cylinder(neck, NECK_MM + INTO_MM, SIDES)?.transformed(&at(0.0))];
    if widens > INTO_MM {
        out.push(shapes::frustum(neck, narrow, widens, SIDES)?.transformed(&at(NECK_MM)));
    }
    let over = UnitQuaternion::from_axis_angle(&Vector::x_axis(), PI);
    let turned = Pose::from_parts(Translation3::new(x, y, low.max(NECK_MM)), over);
    let home = Pose::translation(-middle.x, -middle.y, -b.max.z);
    out.push(plug.transformed(&(turned * home)));
    Ok(out)
}

/// Width and height of a digit, mm; the width of its strokes, how far they stand out, and the space
/// after a digit.
const DIGIT_MM: [f64; 2] = [1.8, 3.2];
const STROKE_MM: f64 = 0.5;
const RISE_MM: f64 = 0.6;
const SPACE_MM: f64 = 0.8;

/// For each digit its strokes: top, upper right, lower right, bottom, lower left, upper left, middle.
const STROKES: [[u8; 7]; 10] = [
    [1, 1, 1, 1, 1, 1, 0],
    [0, 1, 1, 0, 0, 0, 0],
    [1, 1, 0, 1, 1, 0, 1],
    [1, 1, 1, 1, 0, 0, 1],
    [0, 1, 1, 0, 0, 1, 1],
    [1, 0, 1, 1, 0, 1, 1],
    [1, 0, 1, 1, 1, 1, 1],
    [1, 1, 1, 0, 0, 0, 0],
    [1, 1, 1, 1, 1, 1, 1],
    [1, 1, 1, 1, 0, 1, 1],
];

/// Width of so many digits, mm.
fn label_mm(digits: usize) -> f64 {
    digits as f64 * (DIGIT_MM[0] + SPACE_MM) - SPACE_MM
}

/// A number as strokes, its lower left corner at a place.
fn digits(label: &str, x: f64, y: f64) -> Result<Vec<Mesh>> {
    let [w, h] = DIGIT_MM;
    let (side, half) = (w - STROKE_MM, 0.5 * (h + STROKE_MM));
    let (middle, top) = (h - half, h - STROKE_MM);
    let flat = |at: [f64; 2]| (at, [w, STROKE_MM]);
    let upright = |at: [f64; 2]| (at, [STROKE_MM, half]);
    let strokes = [
        flat([0.0, top]),
        upright([side, middle]),
        upright([side, 0.0]),
        flat([0.0, 0.0]),
        upright([0.0, 0.0]),
        upright([0.0, middle]),
        flat([0.0, middle]),
    ];
    let mut out = Vec::new();
    for (i, digit) in label.chars().filter_map(|c| c.to_digit(10)).enumerate() {
        let left = x + i as f64 * (w + SPACE_MM);
        for (&on, (at, size)) in STROKES[digit as usize].iter().zip(strokes) {
            if on == 1 {
                let stroke = shapes::cuboid(size[0], size[1], RISE_MM)?;
                out.push(stroke.transformed(&Pose::translation(left + at[0], y + at[1], 0.0)));
            }
        }
    }
    Ok(out)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Strokes of the digits on a display of seven (their usual number; from memory).
    #[test]
    fn digits_have_their_strokes() {
        for (digit, strokes) in [6, 2, 5, 5, 4, 5, 6, 3, 7, 6].into_iter().enumerate() {
            assert_eq!(digits(&digit.to_string(), 0.0, 0.0).unwrap().len(), strokes, "{digit}");
        }
        let all = Mesh::concat("label", &digits("108", 2.0, 3.0).unwrap()).bounds();
        assert!((all.max.x - 2.0 - label_mm(3)).abs() < 1e-12);
        assert_eq!([all.min.y, all.max.y - 3.0, all.max.z], [3.0, DIGIT_MM[1], RISE_MM]);
    }
}
