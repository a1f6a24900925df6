//! Appearance: how much each facet is looked at, so that marks, holes and steps go where nobody
//! looks.
//!
//! A facet's weight is how much of it is seen from around and above in the model's own upright,
//! times how much the surface turns there. Views that see much detail count more than others
//! (the preferred viewpoint of Zhang et al. 2015, 10.1145/2816795.2818121), so that a figure's
//! face outweighs its back. What is up is told, found from a static base (Fu et al. 2008, from
//! memory), or unknown; then every view counts by what it sees.

mod detail;
mod upright;
mod views;

pub use upright::{Up, Upright};

use crate::error::{Error, Result};
use crate::job::Job;
use crate::mesh::frame::principal_frame;
use crate::mesh::{Mesh, Vector};
use nalgebra::{Rotation3, Unit, UnitQuaternion};
use rayon::prelude::*;
use serde::{Deserialize, Serialize};
use views::Views;

/// How much each facet of a body is looked at.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Appearance {
    /// One weight a facet, from 0 (hidden) to 1 (looked at).
    pub weights: Vec<f32>,
    /// What is up, if it is known; body coordinates.
    pub upright: Option<Upright>,
    /// The side that a viewer stands on, level, a unit vector in body coordinates: −y of a model
    /// with z up and z of one with y up (common practice, no source), else the side that shows
    /// clearly more than the others.
    pub front: Option<Vector>,
    /// Mean over the surface of how much it turns, 0 (plain) to 1.
    pub turns: f64,
}

/// What a plain place weighs beside one as detailed as the model has them.
const PLAIN: f64 = 0.3;
/// Share of the surface that is more detailed than what counts in full, and that is seen more than
/// what weighs 1.
const TOP_SHARE: f64 = 0.05;
/// Views that see less than the best one count less, by this power of what they see.
const PREFERENCE: i32 = 2;
/// A front stands out when it shows at least this much more than the mean of all sides.
const FRONT: f64 = 0.02;

impl Appearance {
    /// Weighs every facet of a closed mesh.
    ///
    /// # Errors
    /// [`Error::Value`] for an up that is the zero vector, [`Error::Cancelled`].
    pub fn of(mesh: &Mesh, up: Up, job: &Job) -> Result<Appearance> {
        let upright = Upright::find(mesh, up)?;
        let (principal, middle) = principal_frame(mesh);
        job.checkpoint(0.1)?;
        // Directions that turn with the model: its upright first, its own axes for the rest.
        let frame = upright.as_ref().map_or(principal, |u| {
            let level = [Vector::x(), Vector::y()].map(|axis| {
                let axis = principal.inverse() * axis;
                axis - u.up * u.up.dot(&axis)
            });
            let [a, b] = level;
            let x = if a.norm() > b.norm() { a.normalize() } else { b.normalize() };
            let turn = Rotation3::from_basis_unchecked(&[x, u.up.cross(&x), u.up]);
            UnitQuaternion::from_rotation_matrix(&turn).inverse()
        });
        let facets = Facets::of(mesh, &frame, &middle);
        let detail = detail::turns(&facets, job)?;
        job.checkpoint(0.4)?;
        let views = Views::of(mesh, &frame, &middle, &facets, job)?;
        let worth: Vec<f64> = detail
            .iter()
            .zip(&facets.areas)
            .map(|(d, a)| (PLAIN + (1.0 - PLAIN) * d) * a)
            .collect();
        let shown = views.shown(&facets, &worth);
        let known = upright.is_some();
        let best = shown.iter().copied().fold(0.0, f64::max);
        let importance: Vec<f64> = views
            .directions
            .iter()
            .zip(&shown)
            .map(|(d, s)| views::custom(d, known) * (s / best.max(1e-300)).powi(PREFERENCE))
            .collect();
        let by_custom = upright.as_ref().and_then(Upright::front);
        let shows_most = || Some(frame.inverse() * views.front(&shown)?);
        let front = by_custom.or_else(|| known.then(shows_most).flatten());
        let mut weights: Vec<f64> = (0..facets.areas.len())
            .into_par_iter()
            .map(|i| (PLAIN + (1.0 - PLAIN) * detail[i]) * views.seen(&facets, i, &importance))
            .collect();
        let full = quantile(&weights, &facets.areas, 1.0 - TOP_SHARE);
        weights.iter_mut().for_each(|w| *w = if full > 0.0 { (*w / full).min(1.0) } else { 0.0 });
        let weights = weights.into_iter().map(|w| w as f32).collect();
        let area: f64 = facets.areas.iter().sum();
        let turning: f64 = detail.iter().zip(&facets.areas).map(|(d, a)| d * a).sum();
        let turns = turning / area.max(f64::MIN_POSITIVE);
        Ok(Appearance { weights, upright, front, turns })
    }

    /// The same with other weights, one a facet; values beyond 0..=1 are cut off there.
    ///
    /// # Errors
    /// [`Error::Value`] for a weight that is not a number.
    pub fn with_weights(&self, weights: Vec<f32>) -> Result<Appearance> {
        if let Some(i) = weights.iter().position(|w| w.is_nan()) {
            return Err(Error::Value {
                place: format!("appearance.weights[{i}]"),
                value: "not a number".into(),
                expected: "0..=1".into(),
            });
        }
        let weights = weights.into_iter().map(|w| w.clamp(0.0, 1.0)).collect();
        Ok(Appearance { weights, ..self.clone() })
    }

    /// The weight of a facet; 1 where none was given, since what is unknown is spared.
    pub fn weight(&self, facet: usize) -> f64 {
        self.weights.get(facet).map_or(1.0, |w| f64::from(*w))
    }

    /// The weight beyond which lies the most visible tenth of the surface, or less of it where
    /// many facets weigh the same.
    pub fn tenth(&self, mesh: &Mesh) -> f64 {
        self.beyond(mesh, 0.1)
    }

    /// The weight beyond which lies that share of the surface, the most visible, or less of it where
    /// many facets weigh the same.
    pub(crate) fn beyond(&self, mesh: &Mesh, share: f64) -> f64 {
        let weights: Vec<f64> = (0..mesh.triangles().len()).map(|i| self.weight(i)).collect();
        let areas: Vec<f64> =
            (0..weights.len()).map(|i| 0.5 * mesh.area_normal(i).norm()).collect();
        quantile(&weights, &areas, 1.0 - share)
    }

    /// What is up and how that is known, in words.
    pub fn words(&self) -> String {
        self.upright.as_ref().map_or_else(
            || "what is up is unknown: it does not clearly stand on the model's z or y".into(),
            Upright::words,
        )
    }
}

/// What is asked of every facet, in coordinates that turn with the model.
struct Facets {
    centres: Vec<[f32; 3]>,
    normals: Vec<[f32; 3]>,
    /// mm².
    areas: Vec<f64>,
}

impl Facets {
    fn of(mesh: &Mesh, frame: &UnitQuaternion<f64>, middle: &Vector) -> Facets {
        let turn = frame.to_rotation_matrix();
        let all: Vec<([f32; 3], [f32; 3], f64)> = (0..mesh.triangles().len())
            .into_par_iter()
            .map(|i| {
                let [a, b, c] = mesh.corners(i);
                let centre = turn * ((a.coords + b.coords + c.coords) / 3.0 - middle);
                let normal = turn * (b - a).cross(&(c - a));
                let length = normal.norm();
                let normal = if length > 0.0 { normal / length } else { Vector::zeros() };
                (centre.map(|v| v as f32).into(), normal.map(|v| v as f32).into(), 0.5 * length)
            })
            .collect();
        Facets {
            centres: all.iter().map(|f| f.0).collect(),
            normals: all.iter().map(|f| f.1).collect(),
            areas: all.iter().map(|f| f.2).collect(),
        }
    }
}

/// The value that a share of the area does not exceed.
fn quantile(values: &[f64], areas: &[f64], share: f64) -> f64 {
    const BINS: usize = 4096;
    let most = values.iter().copied().fold(0.0, f64::max);
    if most <= 0.0 {
        return 0.0;
    }
    let bin = |v: f64| ((v / most * BINS as f64) as usize).min(BINS - 1);
    let mut held = vec![0.0; BINS];
    values.iter().zip(areas).for_each(|(v, a)| held[bin(*v)] += a);
    let total: f64 = held.iter().sum();
    let mut sum = 0.0;
    let first = held.iter().position(|a| {
        sum += a;
        sum >= share * total
    });
    (first.unwrap_or(BINS - 1) + 1) as f64 / BINS as f64 * most
}

/// The unit vector of a told direction.
fn unit(v: Vector) -> Result<Vector> {
    Unit::try_new(v, 1e-9).map(Unit::into_inner).ok_or_else(|| Error::Value {
        place: "appearance.up".into(),
        value: "the zero vector".into(),
        expected: "any direction".into(),
    })
}
