//! A place for a tip: where the part's underside is, whether it may be touched, how the neck
//! leaves it, and what the column below can stand on.

use super::enclosed::Enclosed;
use super::needs::pixel_at;
use super::probe::{Hit, Probe};
use super::ways::Ways;
use super::{Support, geometry};
use crate::layers::{Grid, Layer, Layers};
use crate::mesh::{Point, Vector};
use crate::part::Part;

/// A pixel of a layer.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Pixel {
    pub(super) row: u32,
    pub(super) column: u32,
}

impl Pixel {
    pub(super) fn is_in(self, layer: &Layer) -> bool {
        layer.row(self.row).iter().any(|s| {
            let (a, b) = s.pixels();
            (a..b).contains(&self.column)
        })
    }
}

/// A tip with its neck and what its column stands on.
#[derive(Clone, Debug)]
pub(super) struct Site {
    pub(super) hit: Hit,
    /// Layer and pixel of the part that it touches.
    pub(super) layer: u32,
    pub(super) pixel: Pixel,
    /// The neck's wide end.
    pub(super) head: Point,
    pub(super) stand: Stand,
}

impl Site {
    /// Where its column stands on the part, if it does.
    pub(super) fn ground(&self) -> Option<&Hit> {
        match &self.stand {
            Stand::Base => None,
            Stand::Part { hit, .. } => Some(hit),
        }
    }

    /// Whether its neck is so upright that the pull hardly bends it.
    pub(super) fn is_upright(&self) -> bool {
        const LEAN: f64 = 0.3; // aside over down: 17°
        let neck = self.hit.place - self.head;
        neck.x.hypot(neck.y) <= LEAN * neck.z
    }

    /// Where it touches, seen from above.
    pub(super) fn xy(&self) -> [f64; 2] {
        [self.hit.place.x, self.hit.place.y]
    }
}

/// What a column stands on.
#[derive(Clone, Debug)]
pub(super) enum Stand {
    /// The raft or the plate; [`Ways::down`] knows the way.
    Base,
    /// The part, with a neck up to `node`; without one both necks meet in the head.
    Part { hit: Hit, node: Option<Point> },
}

/// Why a place cannot take a tip.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Refusal {
    /// The surface there is to stay clean.
    KeepClean,
    /// It lies in a closed cavity, out of which no support could be taken.
    Enclosed,
    /// There is no room for neck or column.
    NoWay,
}

/// Judges places.
pub(super) struct Sites<'a> {
    pub(super) part: &'a Part,
    pub(super) layers: &'a Layers,
    pub(super) probe: &'a Probe,
    pub(super) enclosed: Option<&'a Enclosed>,
    pub(super) ways: &'a Ways,
    pub(super) options: &'a Support,
}

impl Sites<'_> {
    fn grid(&self) -> &Grid {
        &self.layers.grid
    }

    /// The lowest layer of the solid that reaches up through this pixel to `layer`.
    pub(super) fn underside(&self, pixel: Pixel, layer: u32) -> u32 {
        let mut k = layer;
        while k > 0 && pixel.is_in(self.layers.layer(k - 1)) {
            k -= 1;
        }
        k
    }

    /// The layer and pixel of the solid just below a place of the surface.
    pub(super) fn solid_under(&self, hit: &Hit) -> Option<(u32, Pixel)> {
        let (g, pixel) = (self.grid(), pixel_at(&[hit.place.x, hit.place.y], self.grid()));
        let top = g.layer_at(hit.place.z).min(g.layers.saturating_sub(1));
        (0..=top).rev().find(|&k| pixel.is_in(self.layers.layer(k))).map(|k| (k, pixel))
    }

    /// A tip under the underside nearest above or below a place, its column on the base, else on
    /// the part where that is allowed.
    pub(super) fn at(&self, place: &Point) -> Result<Site, Refusal> {
        let (g, pixel) = (self.grid(), pixel_at(&[place.x, place.y], self.grid()));
        let at = |k: u32| pixel.is_in(self.layers.layer(k));
        let undersides = (1..g.layers).filter(|&k| at(k) && !at(k - 1));
        let far = |k: &u32| (f64::from(*k) * g.layer_mm - place.z).abs();
        let nearest = undersides.min_by(|a, b| far(a).total_cmp(&far(b)));
        let layer = nearest.ok_or(Refusal::NoWay)?;
        self.on_base(pixel, layer).or_else(|why| {
            if self.options.land_on_part { self.on_part(pixel, layer) } else { Err(why) }
        })
    }

    /// A tip under this pixel of a layer, its column on the base.
    pub(super) fn on_base(&self, pixel: Pixel, layer: u32) -> Result<Site, Refusal> {
        let (hit, layer) = self.contact(pixel, layer)?;
        for head in self.heads(&hit) {
            if self.ways.is_open(&head) && self.neck_is_clear(&hit, &head) {
                return Ok(Site { hit, layer, pixel, head, stand: Stand::Base });
            }
        }
        Err(Refusal::NoWay)
    }

    /// A tip under this pixel of a layer, its column on the part below: straight down if that may
    /// be, else leaning.
    pub(super) fn on_part(&self, pixel: Pixel, layer: u32) -> Result<Site, Refusal> {
        let (hit, layer) = self.contact(pixel, layer)?;
        let mut why = Refusal::NoWay;
        // In a cleft so narrow that a neck cannot but brush its walls, that is the last resort.
        for brushing in [false, true] {
            for way in self.leanings(&hit) {
                match self.landing(&hit, &way, brushing) {
                    Ok((head, stand)) => return Ok(Site { hit, layer, pixel, head, stand }),
                    Err(refusal) => why = why.min(refusal),
                }
            }
        }
        Err(why)
    }

    /// Head and stand of a column along `way` from a contact to the part.
    fn landing(&self, hit: &Hit, way: &Vector, brushing: bool) -> Result<(Point, Stand), Refusal> {
        const FLATTEST: f64 = 0.5; // a foot meets the surface at 30° at least
        const FAR_MM: f64 = 500.0;
        let o = self.options;
        let from = hit.place + way * (0.1 * self.grid().layer_mm);
        let below = self.probe.ray(from, way, FAR_MM).ok_or(Refusal::NoWay)?;
        if -way.dot(&below.normal) < FLATTEST {
            return Err(Refusal::NoWay);
        }
        if self.is_clean(&below) {
            return Err(Refusal::KeepClean);
        }
        let room = (below.place - hit.place).norm();
        // What it stands on must be thicker than its end is deep, or it would come out below.
        let foot = o.tip(&below, 0);
        let deep = geometry::deep_mm(&foot, &hit.place, o.embed_mm);
        let inside = below.place + way * (0.1 * self.grid().layer_mm);
        if !brushing && self.probe.ray(inside, way, deep + o.tip_mm / 2.0).is_some() {
            return Err(Refusal::NoWay);
        }
        // Where there is no room for a bar between the necks they meet half-way.
        if room < 2.0 * o.neck_mm + 0.5 {
            let at = |t: f64| hit.place + way * (room * t);
            let radius = (o.tip_mm / 2.0).min(room / 4.0);
            return if brushing || self.probe.clear(&at(0.3), &at(0.7), radius) {
                Ok((at(0.5), Stand::Part { hit: below, node: None }))
            } else {
                Err(Refusal::NoWay)
            };
        }
        let (head, node) = (hit.place + way * o.neck_mm, below.place - way * o.neck_mm);
        let necks = self.neck_is_clear(hit, &head) && self.neck_is_clear(&below, &node);
        if necks && self.probe.clear(&head, &node, o.clear_mm()) {
            Ok((head, Stand::Part { hit: below, node: Some(node) }))
        } else {
            Err(Refusal::NoWay)
        }
    }

    /// Where the underside is, if it may be touched.
    fn contact(&self, pixel: Pixel, layer: u32) -> Result<(Hit, u32), Refusal> {
        let g = self.grid();
        let k = self.underside(pixel, layer);
        if k == 0 {
            return Err(Refusal::NoWay);
        }
        let from = g.pixel(pixel.column, pixel.row, k - 1);
        if self.enclosed.is_some_and(|e| e.holds(&from)) {
            return Err(Refusal::Enclosed);
        }
        let hit = self.probe.vertical(from, 1.0, 1.01 * g.layer_mm).ok_or(Refusal::NoWay)?;
        if self.is_clean(&hit) { Err(Refusal::KeepClean) } else { Ok((hit, k)) }
    }

    fn is_clean(&self, hit: &Hit) -> bool {
        let o = self.options;
        !self.part.keep_clean.is_empty()
            && self.probe.touches(&hit.place, o.tip_mm / 2.0, |f| self.part.is_keep_clean(f))
    }

    /// Directions in which a neck may leave, best first: straight down, since the pull is upright and
    /// bends whatever leans; then step by step to the surface's normal, as far as columns may lean;
    /// then aside.
    fn leanings(&self, hit: &Hit) -> Vec<Vector> {
        let least = self.options.column_deg.to_radians();
        let lean =
            |x: f64, y: f64, tilt: f64| Vector::new(x * tilt.cos(), y * tilt.cos(), -tilt.sin());
        let n = hit.normal;
        let flat = n.x.hypot(n.y);
        let mut ways = Vec::with_capacity(12);
        ways.push(-Vector::z());
        if flat > 1e-9 {
            let normal = (-n.z).atan2(flat).max(least);
            let steps =
                [0.25, 0.5, 1.0].map(|t| (1.0 - t) * std::f64::consts::FRAC_PI_2 + t * normal);
            ways.extend(steps.map(|tilt| lean(n.x / flat, n.y / flat, tilt)));
        }
        for i in 0..8 {
            let (y, x) = (std::f64::consts::TAU * f64::from(i) / 8.0).sin_cos();
            ways.push(lean(x, y, least));
        }
        ways
    }

    /// Where the neck's wide end may be, best first: longer where that lets it stand more upright
    /// under a slope, shorter where it is narrow.
    fn heads(&self, hit: &Hit) -> Vec<Point> {
        let ways = self.leanings(hit);
        let full = self.options.neck_mm;
        let upright = ways.iter().take(2).flat_map(|w| [(w, full), (w, 1.5 * full)]);
        let leaning = ways.iter().skip(2).map(|w| (w, full));
        let short = ways.iter().map(|w| (w, 0.7 * full));
        upright.chain(leaning).chain(short).map(|(w, l)| hit.place + w * l).collect()
    }

    /// Whether a neck that widens from contact to head keeps off the part: it gets the full gap at
    /// its head and less towards the contact, where it must come near.
    fn neck_is_clear(&self, hit: &Hit, head: &Point) -> bool {
        let o = self.options;
        let at = |t: f64| hit.place + (head - hit.place) * t;
        let radius = |t: f64| o.tip_mm / 2.0 * (1.0 - t) + o.clear_mm() * t;
        [0.4, 0.55, 0.7, 0.85].iter().all(|&t| self.probe.clear(&at(t), &at(t + 0.15), radius(t)))
    }
}
