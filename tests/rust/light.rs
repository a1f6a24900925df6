//! Light and dose: closed forms against quadrature, tables and worked values; layers as they will
//! be against direct convolution.

use approx::assert_relative_eq;
use std::f64::consts::PI;
use vatwright::mechanics::light::EdgeBlur;

const CORE: EdgeBlur = EdgeBlur { sigma_mm: 0.03, gamma_mm: 0.0, tail_share: 0.0 };
const TAILS: EdgeBlur = EdgeBlur { sigma_mm: 0.0, gamma_mm: 0.025, tail_share: 1.0 };
const MIX: EdgeBlur = EdgeBlur { sigma_mm: 0.03, gamma_mm: 0.05, tail_share: 0.4 };

/// Light that falls on the origin from all lit places, summed over the plane in polar steps.
fn quadrature(blur: EdgeBlur, lit: impl Fn(f64, f64) -> bool) -> f64 {
    let (s, g, t) = (blur.sigma_mm, blur.gamma_mm, blur.tail_share);
    let point = |r: f64| {
        let core = (-0.5 * (r / s).powi(2)).exp() / (2.0 * PI * s * s);
        let tails = g / (2.0 * PI * (r * r + g * g).powf(1.5));
        (if t < 1.0 { (1.0 - t) * core } else { 0.0 }) + (if t > 0.0 { t * tails } else { 0.0 })
    };
    const N: u32 = 1000;
    let scale = s.max(g);
    let mut sum = 0.0;
    for i in 0..N {
        let u = (f64::from(i) + 0.5) / f64::from(N);
        let r = scale * u / (1.0 - u); // to infinity
        let ring = point(r) * r * scale / (1.0 - u).powi(2) / f64::from(N);
        let inside = (0..N).filter(|j| {
            let (sin, cos) = (2.0 * PI * (f64::from(*j) + 0.5) / f64::from(N)).sin_cos();
            lit(r * cos, r * sin)
        });
        sum += ring * 2.0 * PI * inside.count() as f64 / f64::from(N);
    }
    sum
}

#[test]
fn shares_agree_with_quadrature() {
    assert_eq!(EdgeBlur::gaussian(0.03), CORE);
    assert_eq!(EdgeBlur::lorentzian(0.025), TAILS);
    let near = |found: f64, summed: f64, what: &str| {
        assert!((found - summed).abs() < 2e-3, "{what}: {found}, summed {summed}");
    };
    for blur in [CORE, TAILS, MIX] {
        for x in [-0.04, 0.0, 0.02, 0.15] {
            near(blur.edge(x), quadrature(blur, |a, _| a < -x), "edge");
            near(blur.slot(x, 0.1), quadrature(blur, |a, _| (a + x).abs() < 0.05), "slot");
            let y = 0.01 - 0.5 * x;
            near(blur.corner(x, y), quadrature(blur, |a, b| a < -x && b < -y), "corner");
        }
        near(blur.disc(0.06), quadrature(blur, |a, b| a.hypot(b) < 0.06), "disc");
    }
}

#[test]
fn shares_agree_with_tables() {
    // Normal distribution, any statistical table: P(z > 1) = 0.158655, P(|z| < 1) = 0.682689.
    assert_relative_eq!(CORE.edge(0.03), 0.158_655, epsilon = 1e-6);
    assert_relative_eq!(CORE.slot(0.0, 0.06), 0.682_689, epsilon = 1e-6);
    // Rayleigh distribution (from memory): 39.3469 % within one standard deviation.
    assert_relative_eq!(CORE.disc(0.03), 0.393_469, epsilon = 1e-6);
    // Cauchy distribution (from memory): its quartiles lie at the half width.
    assert_relative_eq!(TAILS.edge(0.025), 0.25, epsilon = 1e-12);
    assert_relative_eq!(TAILS.slot(0.0, 0.05), 0.5, epsilon = 1e-12);
    // Seen from a cube's middle each of its six faces takes a sixth of all directions, which is a
    // third of the half space that the tails' share is a part of.
    let a = 0.025;
    let face =
        TAILS.corner(-a, -a) - TAILS.corner(-a, a) - TAILS.corner(a, -a) + TAILS.corner(a, a);
    assert_relative_eq!(face, 1.0 / 3.0, epsilon = 1e-12);
    // A cone of half angle 60° takes half of the half space (Archimedes' hat box).
    assert_relative_eq!(TAILS.disc(a * 3f64.sqrt()), 0.5, epsilon = 1e-12);
    // Without blur an edge is a step.
    let sharp = EdgeBlur::gaussian(0.0);
    assert_eq!([sharp.edge(-1e-9), sharp.edge(0.0), sharp.edge(1e-9)], [1.0, 0.5, 0.0]);
    assert_eq!([sharp.disc(0.1), EdgeBlur::lorentzian(0.0).disc(0.1)], [1.0, 1.0]);
}

/// A value printed to so many decimals must be met to half of the last one.
fn assert_um(value_mm: f64, printed_um: f64, decimals: i32) {
    let half = 0.5 * 10f64.powi(-decimals);
    assert!((1e3 * value_mm - printed_um).abs() <= half * 1.0001, "{value_mm} mm, {printed_um} µm");
}

#[test]
fn first_layers_grow_with_the_dose() {
    // Derived.
    let core = EdgeBlur::gaussian(0.025);
    assert_um(core.growth_mm(12.0, 6.0), 0.0, 2);
    assert_um(core.growth_mm(24.0, 6.0), 16.86, 2);
    assert_um(core.growth_mm(120.0, 6.0), 41.12, 2);
    assert!(core.growth_mm(9.0, 6.0) < 0.0);
    assert_eq!(core.growth_mm(5.0, 6.0), f64::NEG_INFINITY);
    // Quantile of the normal distribution, any statistical table: P(z < 4.753424) = 1 − 10⁻⁶.
    let wide = EdgeBlur::gaussian(1.0).growth_mm(6e6, 6.0);
    assert_relative_eq!(wide, 4.753_424, epsilon = 1e-6);
    // γ·cot(πEc/E): 158 µm at 20, inside the 100–400 µm that are seen (common practice).
    assert_um(TAILS.growth_mm(120.0, 6.0), 158.0, 0);
    assert_um(TAILS.growth_mm(12.0, 6.0), 0.0, 2);
    assert_um(TAILS.growth_mm(24.0, 6.0), 25.0, 2);
    assert_eq!(TAILS.growth_mm(5.0, 6.0), f64::NEG_INFINITY);
    for dose in [7.0, 12.0, 30.0, 120.0, 6e4] {
        let x = MIX.growth_mm(dose, 6.0);
        assert_relative_eq!(MIX.edge(x), 6.0 / dose, max_relative = 1e-9);
    }
}

#[test]
fn gaps_close_and_ribs_vanish_where_their_middle_says() {
    for blur in [CORE, TAILS, MIX] {
        for dose in [14.0, 40.0, 120.0] {
            let gap = blur.closed_gap_mm(dose, 6.0);
            assert_relative_eq!(dose * (1.0 - blur.slot(0.0, gap)), 6.0, max_relative = 1e-9);
            let rib = blur.least_rib_mm(dose, 6.0);
            assert_relative_eq!(dose * blur.slot(0.0, rib), 6.0, max_relative = 1e-9);
        }
        assert_eq!(blur.least_rib_mm(6.0, 6.0), f64::INFINITY);
        // Light from both sides closes more than two edges that grow alone.
        assert!(blur.closed_gap_mm(40.0, 6.0) > 2.0 * blur.growth_mm(40.0, 6.0));
    }
}

#[test]
fn a_sum_of_normals_stands_for_the_tails() {
    assert_eq!(CORE.gaussians(), [(0.03, 1.0)]);
    for blur in [TAILS, MIX] {
        let sum = blur.gaussians();
        assert!(sum.is_sorted_by(|a, b| a.0 <= b.0) && sum.iter().all(|g| g.1 > 0.0));
        assert_relative_eq!(sum.iter().map(|g| g.1).sum::<f64>(), 1.0, epsilon = 1e-12);
        for i in -400..=400 {
            let x = 0.01 * f64::from(i); // out to 80 half widths and more
            let edge: f64 = sum.iter().map(|g| g.1 * EdgeBlur::gaussian(g.0).edge(x)).sum();
            assert!((edge - blur.edge(x)).abs() < 2e-3, "{x}: {edge} for {}", blur.edge(x));
        }
    }
}
