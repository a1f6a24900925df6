//! The picture of a plate from above: what lies where, how high it is, and how big a hand is
//! needed. Plain SVG, so that it goes into reports and pages without any library.

use crate::part::{Part, Role};
use crate::passes::pack::{Point2, Shadow, shadow};
use crate::plate::Plate;
use std::fmt::Write;

/// Low to high: from deep water to sand.
const LOW: [f64; 3] = [38.0, 84.0, 124.0];
const HIGH: [f64; 3] = [232.0, 196.0, 120.0];

impl Plate {
    /// The plate from above as an SVG document in millimetres, origin front left. Shadows are
    /// exact; colour and number tell the height, a title names the part.
    pub fn picture_svg(&self) -> String {
        const RIM: f64 = 6.0;
        let (w, d) = (self.width_mm, self.depth_mm);
        let top = self.height_mm();
        let mut out = String::new();
        let _ = write!(
            out,
            "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{0:.1}mm\" height=\"{1:.1}mm\" \
             viewBox=\"{2} {2} {0:.1} {1:.1}\" font-family=\"sans-serif\">\n\
             <rect width=\"{w}\" height=\"{d}\" rx=\"1.5\" fill=\"#f4f1ea\" stroke=\"#3a3f44\" \
             stroke-width=\"0.4\"/>\n",
            w + 2.0 * RIM,
            d + 2.0 * RIM + 5.0,
            -RIM,
        );
        ruler(&mut out, w, d);
        // y grows towards the back of the plate, which is up in the picture.
        let mut known: Vec<(&Part, Shadow, f64)> = Vec::new();
        for p in &self.placed {
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
                    for (i, q) in ring.iter().map(place).enumerate() {
                        let word = if i == 0 { 'M' } else { 'L' };
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
                 <text x=\"{:.2}\" y=\"{:.2}\" font-size=\"2.6\" text-anchor=\"middle\" \
                 fill=\"{}\">{height:.0}</text></g>",
                escaped(&part.name),
                colour(share),
                label.0[0],
                label.0[1] + 0.9,
                if share > 0.6 { "#3a3f44" } else { "#f4f1ea" },
            );
        }
        let _ = write!(
            out,
            "<text x=\"0\" y=\"{:.1}\" font-size=\"3\" fill=\"#3a3f44\">{}: {} parts, {top:.1} mm \
             high</text>\n</svg>\n",
            d + 7.5,
            escaped(&self.name),
            self.placed.len(),
        );
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

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}
