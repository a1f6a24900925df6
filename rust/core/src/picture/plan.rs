//! The picture of a plate from above: what lies where and how high it is. Plain SVG, so that it goes into reports and pages without any library.

use crate::part::{Part, Role};
use crate::passes::pack::{Point2, Shadow, shadow};
use crate::plate::Plate;
use std::fmt::Write;

/// Low to high: from deep water to sand.
const LOW: [f64; 3] = [38.0, 84.0, 124.0];
const HIGH: [f64; 3] = [232.0, 196.0, 120.0];

/// Width of a column and height of a line of the legend, mm.
const LEGEND_MM: [f64; 2] = [48.0, 4.2];

impl Plate {
    /// The plate from above as an SVG document in millimetres, origin front left. Shadows are
    /// exact, colour tells the height, and each part has a number: its place in
    /// [`Plate::placed`], from 1. A legend under the plate names them unless the page around the
    /// picture does.
    pub fn picture_svg(&self, legend: bool) -> String {
        const RIM: f64 = 6.0;
        let (w, d) = (self.width_mm, self.depth_mm);
        let top = self.height_mm();
        let columns = (((w + RIM) / LEGEND_MM[0]) as usize).max(1);
        let lines = if legend { 1 + self.placed.len().div_ceil(columns) } else { 0 };
        let mut out = String::new();
        let _ = write!(
            out,
            "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{0:.1}mm\" height=\"{1:.1}mm\" \
             viewBox=\"{2} {2} {0:.1} {1:.1}\" font-family=\"sans-serif\">\n\
             <rect width=\"{w}\" height=\"{d}\" rx=\"1.5\" fill=\"#f4f1ea\" stroke=\"#3a3f44\" \
             stroke-width=\"0.4\"/>\n",
            w + 2.0 * RIM,
            d + 2.0 * RIM + lines as f64 * LEGEND_MM[1],
            -RIM,
        );
        ruler(&mut out, w, d);
        // y grows towards the back of the plate, which is up in the picture.
        let mut known: Vec<(&Part, Shadow, f64)> = Vec::new();
        for (i, p) in self.placed.iter().enumerate() {
            let part = &*p.part;
            let at =
                known.iter().position(|(q, ..)| q.shares_geometry(part)).unwrap_or_else(|| {
                    known.push((part, shadow(&part.surfaces(&Role::ALL)), part.bounds().max.z));
                    known.len() - 1
                });
            let (_, shapes, height) = &known[at];
            let (s, c) = p.turn_deg.to_radians().sin_cos();
            let place =
                |q: &Point2| [c * q[0] - s * q[1] + p.x_mm, d - (s * q[0] + c * q[1] + p.y_mm)];
            let mut path = String::new();
            let mut label = ([0.0, 0.0], 0.0);
            for shape in shapes {
                for ring in shape {
                    for (j, q) in ring.iter().map(place).enumerate() {
                        let word = if j == 0 { 'M' } else { 'L' };
                        let _ = write!(path, "{word}{:.2} {:.2}", q[0], q[1]);
                    }
                    path.push('Z');
                }
                let n = shape[0].len() as f64;
                let middle = shape[0]
                    .iter()
                    .map(place)
                    .fold([0.0, 0.0], |m, q| [m[0] + q[0] / n, m[1] + q[1] / n]);
                if n > label.1 {
                    label = (middle, n);
                }
            }
            let share = if top > 0.0 { height / top } else { 0.0 };
            let _ = writeln!(
                out,
                "<g><title>{}, {height:.1} mm</title>\
                 <path d=\"{path}\" fill=\"{}\" fill-rule=\"evenodd\" stroke=\"#3a3f44\" \
                 stroke-width=\"0.15\"/>\
                 <text x=\"{:.2}\" y=\"{:.2}\" font-size=\"3.6\" font-weight=\"bold\" \
                 text-anchor=\"middle\" fill=\"#1d2327\" stroke=\"#f4f1ea\" \
                 stroke-width=\"0.9\" paint-order=\"stroke\">{}</text></g>",
                escaped(&part.name),
                colour(share),
                label.0[0],
                label.0[1] + 1.3,
                i + 1,
            );
        }
        if legend {
            let mut line = |column: usize, row: usize, text: &str| {
                let (x, y) = (column as f64 * LEGEND_MM[0], row as f64 * LEGEND_MM[1]);
                let _ = writeln!(
                    out,
                    "<text x=\"{x:.1}\" y=\"{:.1}\" font-size=\"3\" fill=\"#3a3f44\">{text}</text>",
                    d + 7.5 + y,
                );
            };
            let (name, n) = (isolated(&self.name), self.placed.len());
            line(0, 0, &format!("{name}: {n} parts, {top:.1} mm high"));
            for (i, p) in self.placed.iter().enumerate() {
                let height = p.part.bounds().max.z;
                let text = format!("{} {}, {height:.1} mm", i + 1, isolated(&p.part.name));
                line(i % columns, 1 + i / columns, &text);
            }
        }
        out.push_str("</svg>\n");
        out
    }
}

/// A tick every 10 mm along the front and the left edge.
fn ruler(out: &mut String, w: f64, d: f64) {
    let mut path = String::new();
    for i in 1..(w / 10.0).ceil() as usize {
        let _ = write!(path, "M{} {d}v2", 10 * i);
    }
    for i in 1..(d / 10.0).ceil() as usize {
        let _ = write!(path, "M0 {}h-2", d - 10.0 * i as f64);
    }
    let _ = writeln!(out, "<path d=\"{path}\" stroke=\"#3a3f44\" stroke-width=\"0.2\"/>");
}

fn colour(share: f64) -> String {
    let mix = |k: usize| (LOW[k] + (HIGH[k] - LOW[k]) * share.clamp(0.0, 1.0)).round() as u8;
    format!("#{:02x}{:02x}{:02x}", mix(0), mix(1), mix(2))
}

/// Text for the document; characters that XML cannot hold are replaced, and those that turn the
/// direction of what follows.
fn escaped(text: &str) -> String {
    const TURNS: [char; 11] = [
        '\u{200e}', '\u{200f}', '\u{202a}', '\u{202b}', '\u{202c}', '\u{202d}', '\u{202e}',
        '\u{2066}', '\u{2067}', '\u{2068}', '\u{2069}',
    ];
    let legal = |c: char| {
        let bad = c.is_control() || TURNS.contains(&c) || matches!(c, '\u{fffe}' | '\u{ffff}');
        if bad { '\u{fffd}' } else { c }
    };
    let text: String = text.chars().map(legal).collect();
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}

/// A name that cannot turn the direction of what is written after it (Unicode UAX #9).
fn isolated(text: &str) -> String {
    format!("\u{2068}{}\u{2069}", escaped(text))
}
