//! Limbs: how far the part's own arms, blades and slopes bend between what holds them and the
//! layer that is being pulled.
//!
//! Sections one upon the other are a beam. A force F along z on a section at c bends it by
//! F·Σ(c−cⱼ)ᵀ Iⱼ⁻¹ (c−cⱼ)·Δs/E over the sections below, down to those that tips, plate or raft
//! hold (unit load on a cantilever, any strength-of-materials book). Where the beam leans, its
//! true cross-section is smaller than the layer's: for a lean g, the shift over the rise, I is
//! smaller by (1+g²)^(3/2) and Δs longer by (1+g²)^(1/2), both ways alike (the safe side).

use crate::layers::{Region, Survey};
use nalgebra::{Matrix2, Vector2};

/// What touches a region below with less than this part of the largest carrier's area is a spur
/// that carries nothing.
const CARRIER: f64 = 0.1;

/// A section's place in its beam: sums over the sections below it, for one newton.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Limb {
    /// Σw, Σwc and Σcᵀwc with w = I⁻¹·Δs/E, 1/(N·mm), 1/N and mm/N.
    w: Matrix2<f64>,
    wc: Vector2<f64>,
    cwc: f64,
}

impl Limb {
    /// The limb on which a region stands. Of several carriers the stiffest counts, and where the
    /// region lies between them none of them bends: they are legs.
    pub(super) fn of(region: u32, survey: &Survey, limbs: &[Limb], modulus_mpa: f64) -> Limb {
        let this = &survey.regions[region as usize];
        let below: Vec<u32> = survey.below(region).collect();
        let area = |b: &u32| survey.regions[*b as usize].area_mm2;
        let largest = below.iter().map(area).fold(0.0, f64::max);
        let carriers = || below.iter().filter(|b| area(b) >= CARRIER * largest);
        let between = |i: usize| {
            let at = || carriers().map(|&b| survey.regions[b as usize].centroid_mm[i]);
            let c = this.centroid_mm[i];
            at().fold(f64::INFINITY, f64::min) <= c && c <= at().fold(f64::NEG_INFINITY, f64::max)
        };
        if carriers().count() > 1 && between(0) && between(1) {
            return Limb::default();
        }
        carriers()
            .map(|&b| {
                let below = &survey.regions[b as usize];
                limbs[b as usize].grown(below, this, survey.grid.layer_mm, modulus_mpa)
            })
            .min_by(|a, b| a.bend_mm_n(this).total_cmp(&b.bend_mm_n(this)))
            .unwrap_or_default()
    }

    /// This limb with the section `below` added, on which `this` stands.
    fn grown(&self, below: &Region, this: &Region, layer_mm: f64, modulus_mpa: f64) -> Limb {
        let [xx, yy, xy] = below.moments_mm4;
        let Some(inverse) = Matrix2::new(xx, xy, xy, yy).try_inverse() else { return *self };
        let lean_2 = lean(below, this, layer_mm).norm_squared();
        let w = inverse * (layer_mm * (1.0 + lean_2).powi(2) / modulus_mpa);
        let c = Vector2::from(below.centroid_mm);
        Limb { w: self.w + w, wc: self.wc + w * c, cwc: self.cwc + c.dot(&(w * c)) }
    }

    /// How far a region on this limb gives way, mm a newton.
    pub(super) fn bend_mm_n(&self, region: &Region) -> f64 {
        let c = Vector2::from(region.centroid_mm);
        (c.dot(&(self.w * c)) - 2.0 * c.dot(&self.wc) + self.cwc).max(0.0)
    }
}

/// How far a beam leans, shift over rise: both sides of a leaning section move the same way; one
/// that only grows or shrinks on one side does not lean.
fn lean(below: &Region, this: &Region, layer_mm: f64) -> Vector2<f64> {
    let along = |i: usize| {
        let low = this.min_mm[i] - below.min_mm[i];
        let high = this.max_mm[i] - below.max_mm[i];
        if low * high <= 0.0 { 0.0 } else { low.signum() * low.abs().min(high.abs()) }
    };
    Vector2::new(along(0), along(1)) / layer_mm
}
