//! Closed formulas against worked values. "Derived" numbers were worked by hand from the formula;
//! they prove the code, not the printer. Sources marked "from memory" were not looked up.

use approx::assert_relative_eq;
use proptest::prelude::*;
use std::f64::consts::PI;
use vatwright::mechanics::adhesion::{self, Moments};
use vatwright::mechanics::bar::{self, Ends};
use vatwright::mechanics::flow::{self, Bore, Liquid};
use vatwright::mechanics::light::EdgeBlur;
use vatwright::mechanics::sag::{self, Edge};
use vatwright::mechanics::{cure, springback, suction, time, tips};
use vatwright::{Error, Setup};

/// A value printed to so many decimals must be met to half of the last one.
fn assert_digits(value: f64, printed: f64, decimals: i32) {
    let half = 0.5 * 10f64.powi(-decimals);
    assert!(
        (value - printed).abs() <= half * 1.0001,
        "{value} is not {printed} to {decimals} places"
    );
}

const RESIN: Liquid =
    Liquid { viscosity_pa_s: 0.3, density_g_cm3: 1.1, surface_tension_mn_m: 33.0 };
/// A round section of 10 mm radius.
const DISC_MM2: f64 = 100.0 * PI;

fn bore(diameter_mm: f64) -> Bore {
    Bore { diameter_mm, length_mm: 2.0 }
}

#[test]
fn cure_depth_follows_the_working_curve() {
    // Jacobs 1992 (from memory); numbers derived.
    assert_digits(1e3 * cure::depth_mm(12.0, 0.12, 6.0), 83.18, 2);
    assert_digits(1e3 * (cure::depth_mm(12.0, 0.12, 6.0) - 0.05), 33.18, 2);
    assert_eq!(cure::depth_mm(5.0, 0.12, 6.0), 0.0);
    assert_relative_eq!(cure::dose_for_depth_mj_cm2(0.083_178, 0.12, 6.0), 12.0, epsilon = 1e-4);
    assert_relative_eq!(cure::dose_mj_cm2(4.0, 3.0), 12.0);
}

#[test]
fn print_through_adds_doses() {
    // Derived; compare Limaye & Rosen 2007 (from memory).
    for (layers, um) in [(1.0, 33.18), (2.0, 93.94), (5.0, 146.41), (f64::INFINITY, 162.37)] {
        let d = 1e3 * cure::print_through_mm(layers, 0.05, 12.0, 0.12, 6.0);
        assert_digits(d, um, 2);
    }
    assert_eq!(cure::print_through_mm(1.0, 0.05, 6.0, 0.12, 6.0), 0.0);
}

#[test]
fn vents_cost_pressure() {
    // Hagen–Poiseuille with Sampson's ends; Dagan, Weinbaum & Pfeffer 1982 (from memory).
    let q = flow::flow_mm3_s(DISC_MM2, 1.0);
    for (d, tube, with_ends) in [(1.0, 7.680, 9.942), (2.0, 0.480, 0.763)] {
        assert_digits(flow::tube_kpa(bore(d), q, 0.3), tube, 3);
        assert_digits(flow::pressure_kpa(bore(d), q, 0.3), with_ends, 3);
    }
    assert_digits(flow::diameter_for_pressure_mm(5.0, 2.0, q, 0.3), 1.201, 3);
    // Without the end term the bore would be d·(7.680/5)^¼.
    let bare = (flow::tube_kpa(bore(1.0), q, 0.3) / 5.0).powf(0.25);
    assert_digits(bare, 1.113, 3);
    assert_digits(flow::reynolds(bore(1.113), q, RESIN), 1.3, 1);
    let g = flow::conductance_mm3_s_kpa(bore(1.0), 0.3);
    assert_relative_eq!(suction::vented_kpa(DISC_MM2, 1.0, 2.0 * g), 9.942 / 2.0, epsilon = 1e-3);
}

#[test]
fn cavities_drain_and_hold_back() {
    // Derived.
    for (d, empty_s, to_10_s, decimals) in
        [(2.0, 623.8, 333.3, 1), (3.0, 146.1, 66.4, 1), (4.0, 53.4, 22.6, 1)]
    {
        assert_digits(flow::drain_s(1000.0, 30.0, 0.0, bore(d), RESIN, false), empty_s, decimals);
        assert_digits(flow::drain_s(1000.0, 30.0, 10.0, bore(d), RESIN, true), to_10_s, decimals);
    }
    assert_eq!(flow::drain_s(1000.0, 30.0, 0.0, bore(2.0), RESIN, true), f64::INFINITY);
    for (d, h) in [(1.0, 12.23), (2.0, 6.12), (3.0, 4.08), (4.0, 3.06)] {
        assert_digits(flow::retention_mm(d, RESIN), h, 2);
    }
    // Rayleigh–Taylor limit (from memory).
    assert_digits(flow::air_lock_mm(RESIN), 6.44, 2);
}

#[test]
fn cups_suck() {
    // Derived.
    assert_digits(suction::sealed_force_n(DISC_MM2), 31.83, 2);
    assert_digits(suction::gas_kpa(5.0 * DISC_MM2, 0.5 * DISC_MM2), 9.211, 3);
    assert_digits(suction::gas_force_n(DISC_MM2, 5.0 * DISC_MM2, 0.5), 2.894, 3);
    assert_eq!(suction::gas_force_n(DISC_MM2, 0.0, 0.1), suction::sealed_force_n(DISC_MM2));
    assert_eq!(suction::vented_force_n(DISC_MM2, 1.0, 0.0), suction::sealed_force_n(DISC_MM2));
}

#[test]
fn bars_follow_beam_tables() {
    // Roark / Timoshenko (from memory); numbers derived. E = 1000 MPa, d = 0.8 mm, L = 20 mm.
    let (e, d, l) = (1000.0, 0.8, 20.0);
    let i = bar::inertia_mm4(d);
    assert_digits(bar::axial_n_mm(e, d, l), 25.13, 2);
    assert_digits(i, 0.020106, 6);
    assert_digits(bar::cantilever_n_mm(e, d, l), 0.007540, 6);
    assert_digits(0.01 / bar::cantilever_n_mm(e, d, l), 1.326, 3);
    assert_digits(bar::cantilever_slope(0.01, e, d, l), 0.0995, 4);
    assert_digits(bar::taper_axial_n_mm(e, 0.4, 1.2, 3.0), 125.7, 1);
    assert_digits(bar::inclined_n_mm(e, d, l, 60.0), 18.86, 2);
    for (ends, n) in [
        (Ends::FixedFree, 0.1240),
        (Ends::Pinned, 0.4961),
        (Ends::FixedPinned, 1.0149),
        (Ends::Fixed, 1.9844),
    ] {
        assert_digits(bar::euler_n(e, i, l, ends.effective_length()), n, 4);
    }
    assert_digits(bar::neck_n(20.0, 0.4), 2.513, 3);
    // A 30 × 30 mm flat at 20 kPa pulls 18 N; with safety 2 that is 15 tips.
    assert_eq!(bar::necks_for(18.0, 2.0, bar::neck_n(20.0, 0.4)), 15);
    assert_eq!(bar::necks_for(10.0, 2.0, 2.5), 8);
}

#[test]
fn springs_close_the_gap() {
    // Derived.
    let disc = PI / 2.0 * 1e4;
    let c = springback::damping_n_s_mm(disc, 0.05, 0.3);
    assert_digits(1e3 * c, 113_097.0, 0);
    assert_digits(springback::time_constant_s(c, 377.0), 0.300, 3);
    assert_digits(springback::time_constant_s(c, 10.0), 11.31, 2);
    assert!(
        springback::fraction_left(2.9, 1.0) > 0.05 && springback::fraction_left(3.0, 1.0) < 0.05
    );
    // Stefan 1874 (published).
    assert_digits(springback::squeeze_out_s(disc, 5.0, 1.0, 0.05, 0.3), 0.564, 3);
    assert_relative_eq!(springback::series_stiffness_n_mm(&[400.0, 400.0]), 200.0);
}

#[test]
fn the_gap_left_solves_the_motion() {
    // c(h)·dh/dt = −k(h − h_t) with c ~ h⁻³, integrated in small steps as the slower twin.
    for start in [0.2, 1.0, 6.0] {
        let (mut u, dt) = (1.0 + start, 1e-4);
        for _ in 0..20_000 {
            let f = |u: f64| -u.powi(3) * (u - 1.0);
            let mid = u + 0.5 * dt * f(u);
            u += dt * f(mid);
        }
        assert_relative_eq!(springback::excess_left(start, 2.0, 1.0), u - 1.0, max_relative = 1e-5);
    }
    let from_afar = springback::excess_left(f64::INFINITY, 4.0, 1.0);
    assert_relative_eq!(from_afar, 0.223 * (-4.0f64).exp(), max_relative = 0.02);
    assert_relative_eq!(springback::settle_for_s(from_afar, 1.0), 4.0, max_relative = 1e-9);
    assert_eq!(springback::excess_left(2.0, 0.0, 1.0), 2.0);
    assert_eq!(springback::excess_left(2.0, 1e9, 1.0), 0.0);
}

#[test]
fn plates_sag() {
    // Any plate theory; Timoshenko & Woinowsky-Krieger (from memory); numbers derived.
    let d = sag::rigidity_n_mm(1000.0, 0.05, 0.4);
    assert_digits(d, 0.012401, 6);
    assert_digits(sag::round_mm(20.0, 1.0, d, 0.4, Edge::Clamped), 0.02520, 5);
    assert_digits(sag::round_mm(20.0, 1.0, d, 0.4, Edge::Simple), 0.0972, 4);
    assert_relative_eq!(sag::point_grid_mm(20.0, 1.0, d), 0.00581 * 0.02 / d, max_relative = 2e-3);
    assert_relative_eq!(sag::grid_for_sag_mm(sag::point_grid_mm(20.0, 3.0, d), 20.0, d), 3.0);
    for (b, clamped, simple) in [
        (1.0, 0.00126, 0.00406),
        (1.2, 0.00172, 0.00564),
        (1.5, 0.00220, 0.00772),
        (2.0, 0.00254, 0.01013),
        (f64::INFINITY, 0.00260, 0.01302),
    ] {
        assert_digits(sag::rectangle_alpha(1.0 / b, Edge::Clamped), clamped, 5);
        assert_digits(sag::rectangle_alpha(1.0 / b, Edge::Simple), simple, 5);
    }
    // Roark (published): y = α·q·b⁴/(Et³), ν = 0.3.
    for (ratio, alpha) in [(1.0, 0.0444), (2.0, 0.1110), (f64::INFINITY, 0.1421)] {
        let d = sag::rigidity_n_mm(1.0, 1.0, 0.3);
        let y = sag::rectangle_mm(1000.0, [ratio.min(1e6), 1.0], d, Edge::Simple);
        assert_relative_eq!(y, alpha, max_relative = 4e-3);
    }
    // Navier's series for a simply supported plate, summed.
    for ratio in [1.1, 1.35, 1.8, 2.5, 3.0, 5.0] {
        let mut alpha = 0.0;
        for m in (1..60).step_by(2) {
            for n in (1..60).step_by(2) {
                let (m, n) = (f64::from(m), f64::from(n));
                let sign = if (m + n) as i32 % 4 == 2 { 1.0 } else { -1.0 };
                alpha +=
                    sign * 16.0 / PI.powi(6) / (m * n * (n * n + m * m / (ratio * ratio)).powi(2));
            }
        }
        let ours = sag::rectangle_alpha(1.0 / ratio, Edge::Simple);
        assert_relative_eq!(ours, alpha, max_relative = 0.04);
    }
}

#[test]
fn strips_hang_over_and_bridge() {
    // Derived, σ = 20 MPa, q = 20 kPa, one layer of 0.05 mm.
    assert_digits(sag::longest_overhang_mm(20.0, 0.05, 20.0), 0.913, 3);
    assert_digits(sag::longest_bridge_mm(20.0, 0.05, 20.0), 2.236, 3);
    // Beam tables: qL⁴/8EI and qL⁴/384EI, here per mm of width without the plate's 1 − ν².
    let d = sag::rigidity_n_mm(1000.0, 0.05, 0.0);
    let i = 0.05f64.powi(3) / 12.0;
    assert_relative_eq!(sag::overhang_mm(20.0, 1.0, d), 0.02 / (8.0 * 1000.0 * i));
    assert_relative_eq!(sag::bridge_mm(20.0, 2.0, d), 0.02 * 16.0 / (384.0 * 1000.0 * i));
}

#[test]
fn bonds_carry_eccentric_pull() {
    assert_relative_eq!(adhesion::bond_n(150.0, 100.0), 15.0);
    assert_relative_eq!(adhesion::area_for_mm2(18.0, 2.0, 150.0), 240.0);
    // A rectangle's kern: at b/6 from the middle the far edge is just free and the near one sees
    // twice the mean (any strength-of-materials book).
    let (b, h) = (12.0f64, 6.0f64);
    let base = Moments {
        area_mm2: b * h,
        x_mm: 1.0,
        y_mm: 2.0,
        xx_mm4: h * b.powi(3) / 12.0,
        yy_mm4: b * h.powi(3) / 12.0,
        xy_mm4: 0.0,
    };
    let pull = [1.0 + b / 6.0, 2.0];
    let mean = 1e3 * 7.2 / base.area_mm2;
    assert_relative_eq!(adhesion::tension_kpa(&base, 7.2, pull, [7.0, 4.0]), 2.0 * mean);
    assert_relative_eq!(adhesion::tension_kpa(&base, 7.2, pull, [-5.0, 0.0]), 0.0, epsilon = 1e-9);
}

#[test]
fn tips_share_as_a_bolt_group() {
    // Bolt-group formula (any machine-design handbook, from memory): four tips at (±10, ±5), 4 N at
    // (5, 0): N = 4/4 ± 20·10/(4·10²).
    let square = [[-10.0, -5.0], [10.0, -5.0], [10.0, 5.0], [-10.0, 5.0]];
    let n = tips::loads_n(&square, 4.0, [5.0, 0.0]).unwrap();
    for (have, want) in n.iter().zip([0.5, 1.5, 1.5, 0.5]) {
        assert_relative_eq!(*have, want, epsilon = 1e-12);
    }
    // Two tips carry a pull on their line as a lever does, not one beside it.
    let pair = [[0.0, 0.0], [6.0, 8.0]];
    let n = tips::loads_n(&pair, 5.0, [1.5, 2.0]).unwrap();
    assert_relative_eq!(n[0], 3.75, epsilon = 1e-9);
    assert_relative_eq!(n[1], 1.25, epsilon = 1e-9);
    for (group, at) in [(&pair[..], [3.0, 0.0]), (&pair[..1], [1.0, 0.0]), (&[], [0.0, 0.0])] {
        let error = tips::loads_n(group, 1.0, at).unwrap_err();
        assert!(matches!(error, Error::Structure { .. }), "{error}");
    }
}

#[test]
fn times_of_the_trade() {
    // Common practice, no source: 40 layers of a flat lens take 5–10 min; 5.5 h at 50 µm print 66
    // to 132 mm. The cycle is derived: 3 s + 5 mm at 1 mm/s + 5 mm at 2.5 mm/s + 1 s.
    let setup = Setup::default();
    assert_relative_eq!(time::motion_of(&setup), 8.0);
    assert_digits(time::print_s(40, 3.0, 0, 0.0, 8.0) / 60.0, 7.3, 1);
    assert_digits(time::print_s(1800, 3.0, 0, 0.0, 8.0) / 3600.0, 5.5, 3);
    let lens_min = time::print_of(&setup, 40) / 60.0;
    assert!((5.0..=10.0).contains(&lens_min), "{lens_min} min");
    assert!(time::print_of(&setup, 1320) < 5.5 * 3600.0);
    assert!(time::print_of(&setup, 2640) > 5.5 * 3600.0);
    assert_relative_eq!(time::print_s(3, 3.0, 5, 30.0, 8.0), 3.0 * 38.0);
}

fn tip() -> impl Strategy<Value = [f64; 2]> {
    [-50.0..50.0f64, -50.0..50.0f64]
}

proptest! {
    #[test]
    fn a_wider_vent_never_raises_suction(
        area in 1.0..5000.0f64, speed in 0.1..10.0f64, d in 0.2..8.0f64, more in 1.0..3.0f64,
        length in 0.0..5.0f64, eta in 0.05..2.0f64,
    ) {
        let pull = |d| {
            let bore = Bore { diameter_mm: d, length_mm: length };
            suction::vented_force_n(area, speed, flow::conductance_mm3_s_kpa(bore, eta))
        };
        prop_assert!(pull(d * more) <= pull(d));
        prop_assert!(pull(d) <= suction::sealed_force_n(area));
    }

    #[test]
    fn the_diameter_found_meets_the_pressure(
        limit in 0.05..100.0f64, length in 0.0..10.0f64, q in 0.1..1e5f64, eta in 0.01..10.0f64,
    ) {
        let d = flow::diameter_for_pressure_mm(limit, length, q, eta);
        let p = flow::pressure_kpa(Bore { diameter_mm: d, length_mm: length }, q, eta);
        prop_assert!((p / limit - 1.0).abs() < 1e-6, "{p} for {limit}");
    }

    /// Holds when the pull acts at the centroid of the grown group. Where a new tip drags the
    /// centroid away from the pull, an old tip may well get more: the group is then eccentric.
    #[test]
    fn a_tip_more_never_raises_the_highest_load(
        group in prop::collection::vec(tip(), 1..20), new in tip(), pull in 0.1..50.0f64,
    ) {
        let centre = |g: &[[f64; 2]]| {
            [0, 1].map(|k| g.iter().map(|t| t[k]).sum::<f64>() / g.len() as f64)
        };
        let before = tips::highest_n(&group, pull, centre(&group)).unwrap();
        let mut more = group;
        more.push(new);
        let after = tips::highest_n(&more, pull, centre(&more)).unwrap();
        prop_assert!(after <= before * (1.0 + 1e-9));
    }

    #[test]
    fn tips_balance_force_and_moment(
        group in prop::collection::vec(tip(), 4..20), at in tip(), pull in 0.1..50.0f64,
    ) {
        let n = tips::loads_n(&group, pull, at).unwrap();
        let sum = |f: &dyn Fn(usize) -> f64| (0..n.len()).map(f).sum::<f64>();
        let scale = n.iter().map(|v| v.abs()).sum::<f64>();
        prop_assert!((sum(&|i| n[i]) - pull).abs() < 1e-9 * scale);
        for k in 0..2 {
            prop_assert!((sum(&|i| n[i] * group[i][k]) - pull * at[k]).abs() < 1e-7 * scale);
        }
    }

    #[test]
    fn a_longer_pause_never_leaves_more(
        start in 0.01..100.0f64, pause in 0.0..20.0f64, more in 0.0..20.0f64, tau in 0.01..10.0f64,
    ) {
        let left = springback::excess_left(start, pause, tau);
        prop_assert!(springback::excess_left(start, pause + more, tau) <= left);
        prop_assert!(left <= start * springback::fraction_left(pause, tau) * (1.0 + 1e-9) + 1e-300);
    }

    #[test]
    fn more_light_cures_deeper_and_wider(
        dose in 6.5..500.0f64, more in 1.0..4.0f64, layers in 1.0..50.0f64,
    ) {
        prop_assert!(cure::depth_mm(dose * more, 0.12, 6.0) >= cure::depth_mm(dose, 0.12, 6.0));
        for tail_share in [0.0, 0.3, 1.0] {
            let blur = EdgeBlur { sigma_mm: 0.03, gamma_mm: 0.02, tail_share };
            prop_assert!(blur.growth_mm(dose * more, 6.0) >= blur.growth_mm(dose, 6.0));
        }
        let through = |n| cure::print_through_mm(n, 0.05, dose, 0.12, 6.0);
        prop_assert!(through(layers + 1.0) >= through(layers));
    }
}
