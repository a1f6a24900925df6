//! The frame against beam tables, a handbook's portal, statics and its own symmetries.

use approx::assert_relative_eq;
use proptest::prelude::*;
use std::f64::consts::PI;
use vatwright::mechanics::bar::{self, Ends};
use vatwright::mechanics::frame::{Beam, Frame, Hold, Load, Profile, Tie};
use vatwright::mechanics::peel::Pull;
use vatwright::mechanics::tips;
use vatwright::structure::{Response, SupportFrame};
use vatwright::{Error, Member, Point, Supports, Tip, Vector};

const E: f64 = 1000.0;
const NU: f64 = 0.4;
const D: f64 = 0.8;
const L: f64 = 20.0;

fn round(a: u32, b: u32, d: f64) -> Beam {
    Beam::new(a, b, Profile::round(d), E, NU)
}

fn push(node: u32, force_n: [f64; 3]) -> Load {
    Load { node, force_n, moment_n_mm: [0.0; 3] }
}

/// A cantilever of one element along a direction.
fn cantilever(along: Vector) -> Frame {
    let mut f = Frame::default();
    let a = f.node(1.0, -2.0, 3.0);
    let end = f.nodes[0] + along.normalize() * L;
    let b = f.node(end.x, end.y, end.z);
    f.beams.push(round(a, b, D));
    f.holds.push(Hold::clamped(a));
    f
}

#[test]
fn one_element_is_an_exact_cantilever() {
    // Beam tables: PL³/3EI, PL²/2EI, FL/EA, TL/GJ, whatever way the beam points.
    for along in [Vector::x(), Vector::y(), Vector::z(), Vector::new(1.0, -2.0, 0.7)] {
        let frame = cantilever(along);
        let solver = frame.factor().unwrap();
        let x = along.normalize();
        let side = x.cross(&Vector::new(0.3, 0.5, -0.9)).normalize();
        let p = 0.01;
        let s = solver.solve(&[push(1, (side * p).into())]).unwrap();
        let bent = s.displacement_mm(&frame, 1, frame.nodes[1]);
        assert_relative_eq!(bent, side * 1.326, epsilon = 5e-4);
        assert_relative_eq!(bent.norm(), p / bar::cantilever_n_mm(E, D, L), max_relative = 1e-9);
        let turn = Vector::new(s.motions[1][3], s.motions[1][4], s.motions[1][5]);
        assert_relative_eq!(turn, x.cross(&side) * 0.0995, epsilon = 5e-5);
        assert_relative_eq!(turn.norm(), bar::cantilever_slope(p, E, D, L), max_relative = 1e-9);
        // The root holds force and moment.
        let r = s.reactions[0];
        assert_relative_eq!(Vector::new(r[0], r[1], r[2]), side * -p, epsilon = 1e-12);
        assert_relative_eq!(
            Vector::new(r[3], r[4], r[5]),
            x.cross(&side) * (-p * L),
            epsilon = 1e-9
        );
        assert_relative_eq!(s.bending_n_mm(0)[0], p * L, max_relative = 1e-9);
        let w = PI * D.powi(3) / 32.0;
        assert_relative_eq!(s.stress_mpa(&frame, 0)[0], p * L / w, max_relative = 1e-9);

        let s = solver.solve(&[push(1, x.into())]).unwrap();
        let axial = s.displacement_mm(&frame, 1, frame.nodes[1]).dot(&x);
        assert_relative_eq!(1.0 / axial, 25.13, epsilon = 5e-3);
        assert_relative_eq!(s.axial_n(0), 1.0, max_relative = 1e-9);

        let twist = Load { node: 1, force_n: [0.0; 3], moment_n_mm: x.into() };
        let s = solver.solve(&[twist]).unwrap();
        let turn = Vector::new(s.motions[1][3], s.motions[1][4], s.motions[1][5]).dot(&x);
        let gj = E / 2.8 * PI * D.powi(4) / 32.0;
        assert_relative_eq!(turn, L / gj, max_relative = 1e-9);
    }
}

#[test]
fn a_flat_bar_bends_about_its_own_axes() {
    // Iy resists bending in the local x–z plane, z being up; a quarter turn swaps the two.
    let profile = Profile { area_mm2: 2.0, iy_mm4: 0.5, iz_mm4: 0.05, torsion_mm4: 0.1 };
    for (roll_deg, iz_up) in [(0.0, 0.5), (90.0, 0.05)] {
        let mut frame = cantilever(Vector::x());
        frame.beams[0] = Beam { profile, end: profile, roll_deg, ..frame.beams[0] };
        let s = frame.factor().unwrap().solve(&[push(1, [0.0, 0.0, 0.01])]).unwrap();
        let want = 0.01 * L.powi(3) / (3.0 * E * iz_up);
        assert_relative_eq!(s.motions[1][2], want, max_relative = 1e-9);
    }
}

#[test]
fn beams_with_more_supports() {
    // Beam tables: load in the middle of a built-in beam PL³/192EI, end moments PL/8; of a propped
    // cantilever 7PL³/768EI, prop 5P/16.
    let mut frame = Frame::default();
    for x in [0.0, 10.0, 20.0] {
        frame.node(x, 0.0, 0.0);
    }
    frame.beams = vec![round(0, 1, D), round(1, 2, D)];
    frame.holds = vec![Hold::clamped(0), Hold::clamped(2)];
    let load = [push(1, [0.0, 0.0, -0.1])];
    let ei = E * bar::inertia_mm4(D);
    let s = frame.factor().unwrap().solve(&load).unwrap();
    assert_relative_eq!(s.motions[1][2], -0.1 * L.powi(3) / (192.0 * ei), max_relative = 1e-9);
    assert_relative_eq!(s.reactions[0][4].abs(), 0.1 * L / 8.0, max_relative = 1e-9);
    frame.holds[1] = Hold::pinned(2);
    let s = frame.factor().unwrap().solve(&load).unwrap();
    assert_relative_eq!(s.motions[1][2], -0.7 * L.powi(3) / (768.0 * ei), max_relative = 1e-9);
    assert_relative_eq!(s.reactions[1][2], 0.1 * 5.0 / 16.0, max_relative = 1e-9);
    assert_relative_eq!(s.reactions[1][4], 0.0, epsilon = 1e-12);
}

#[test]
fn the_handbook_portal() {
    // Portal with built-in feet, a push P at its top (Kleinlogel, Rahmenformeln, from memory):
    // k = I_beam·h/(I_column·L), foot moment Ph/2·(3k+1)/(6k+1), corner moment Ph/2·3k/(6k+1),
    // column force 3Phk/(L(6k+1)); axial strain left out there, so the areas are huge here.
    let (h, span, p) = (15.0, 24.0, 0.2);
    let thick = |d: f64| Profile { area_mm2: 1e7, ..Profile::round(d) };
    let (column, beam) = (thick(0.8), thick(1.0));
    let mut f = Frame::default();
    f.node(0.0, 0.0, 0.0);
    f.node(0.0, 0.0, h);
    f.node(span, 0.0, h);
    f.node(span, 0.0, 0.0);
    f.beams = vec![
        Beam::new(0, 1, column, E, NU),
        Beam::new(1, 2, beam, E, NU),
        Beam::new(2, 3, column, E, NU),
    ];
    f.holds = vec![Hold::clamped(0), Hold::clamped(3)];
    let s = f.factor().unwrap().solve(&[push(1, [p, 0.0, 0.0])]).unwrap();
    let k = (1.0f64 / 0.8).powi(4) * h / span;
    let n = 6.0 * k + 1.0;
    assert_relative_eq!(
        s.reactions[0][4].abs(),
        p * h / 2.0 * (3.0 * k + 1.0) / n,
        max_relative = 1e-5
    );
    assert_relative_eq!(s.ends[1][4].abs(), p * h / 2.0 * 3.0 * k / n, max_relative = 1e-5);
    assert_relative_eq!(s.axial_n(0), 3.0 * p * h * k / (span * n), max_relative = 1e-5);
    assert_relative_eq!(s.axial_n(2), -3.0 * p * h * k / (span * n), max_relative = 1e-5);
    assert_relative_eq!(s.reactions[0][0] + s.reactions[1][0], -p, max_relative = 1e-5);
}

#[test]
fn a_guided_strut_and_a_tripod() {
    // (EA/L)sin²α + (12EI/L³)cos²α, 18.86 N/mm at 60°.
    let along = Vector::new(60f64.to_radians().cos(), 0.0, 60f64.to_radians().sin());
    let mut strut = cantilever(along);
    strut.holds.push(Hold { node: 1, fixed: [true, true, false, true, true, true] });
    let s = strut.factor().unwrap().solve(&[push(1, [0.0, 0.0, 1.0])]).unwrap();
    assert_relative_eq!(1.0 / s.motions[1][2], 18.86, epsilon = 5e-3);
    assert_relative_eq!(
        1.0 / s.motions[1][2],
        bar::inclined_n_mm(E, D, L, 60.0),
        max_relative = 1e-9
    );
    // Statics: each of three thin legs at 60° carries F/(3 sin 60°).
    let mut tripod = Frame::default();
    let top = tripod.node(0.0, 0.0, 20.0 * along.z);
    for k in 0..3 {
        let a = f64::from(k) * 2.0 * PI / 3.0;
        let foot = tripod.node(20.0 * along.x * a.cos(), 20.0 * along.x * a.sin(), 0.0);
        tripod.beams.push(round(foot, top, 0.05));
        tripod.holds.push(Hold::clamped(foot));
    }
    let s = tripod.factor().unwrap().solve(&[push(top, [0.0, 0.0, -0.003])]).unwrap();
    let leg = -0.001 / along.z;
    for i in 0..3 {
        assert_relative_eq!(s.axial_n(i), leg, max_relative = 1e-4);
        let euler = bar::euler_n(E, bar::inertia_mm4(0.05), 20.0, Ends::Fixed.effective_length());
        let used = s.buckling(&tripod, i, Ends::Fixed.effective_length());
        assert_relative_eq!(used, -s.axial_n(i) / euler, max_relative = 1e-6);
    }
}

/// A cone against two hundred even slices of it, in every direction of load.
#[test]
fn cones_give_way_like_many_slices() {
    const SLICES: u32 = 200;
    for (wide, thin, length) in [(1.2, 0.4, 3.0), (1.0, 0.3, 2.0), (0.5, 0.5, 1.0), (0.3, 1.5, 2.0)]
    {
        let way = Vector::new(0.3, -0.2, 0.9).normalize();
        let mut cone = Frame::default();
        let mut slices = Frame::default();
        for frame in [&mut cone, &mut slices] {
            frame.node(0.0, 0.0, 0.0);
            frame.holds = vec![Hold::clamped(0)];
        }
        let end = way * length;
        let tip = cone.node(end.x, end.y, end.z);
        cone.beams.push(round(0, tip, wide).tapered(Profile::round(thin)));
        for k in 0..SLICES {
            let at = way * (length * f64::from(k + 1) / f64::from(SLICES));
            let next = slices.node(at.x, at.y, at.z);
            let d = wide + (thin - wide) * (f64::from(k) + 0.5) / f64::from(SLICES);
            slices.beams.push(round(next - 1, next, d));
        }
        let (ours, theirs) = (cone.factor().unwrap(), slices.factor().unwrap());
        for axis in 0..6 {
            let unit =
                |first: usize| std::array::from_fn(|i| f64::from(u8::from(first + i == axis)));
            let load = |node| Load { node, force_n: unit(0), moment_n_mm: unit(3) };
            let a = ours.solve(&[load(1)]).unwrap();
            let b = theirs.solve(&[load(SLICES)]).unwrap();
            let scale = b.motions[SLICES as usize].iter().fold(0.0_f64, |m, v| m.max(v.abs()));
            for (x, y) in a.motions[1].iter().zip(b.motions[SLICES as usize]) {
                assert_relative_eq!(*x, y, epsilon = 2e-4 * scale);
            }
            // What the root bears: the same by statics.
            for (x, y) in a.reactions[0].iter().zip(b.reactions[0]) {
                assert_relative_eq!(*x, y, epsilon = 1e-5);
            }
        }
        // Along the cone the closed form.
        let push = Load { node: 1, force_n: way.into(), moment_n_mm: [0.0; 3] };
        let give = Vector::from_row_slice(&ours.solve(&[push]).unwrap().motions[1][..3]).dot(&way);
        let k = bar::taper_axial_n_mm(E, wide, thin, length);
        assert_relative_eq!(1.0 / give, k, max_relative = 1e-5);
    }
}

/// A braced tower: `floors` × `bays` × `bays` cells of round bars, two diagonals a floor, feet
/// clamped.
fn tower(bays: u32, floors: u32) -> Frame {
    let mut f = Frame::default();
    let side = bays + 1;
    for k in 0..=floors {
        for j in 0..side {
            for i in 0..side {
                f.node(4.0 * f64::from(i), 5.0 * f64::from(j), 6.0 * f64::from(k));
            }
        }
    }
    let at = |i: u32, j: u32, k: u32| (k * side + j) * side + i;
    for k in 1..=floors {
        for j in 0..side {
            for i in 0..side {
                f.beams.push(round(at(i, j, k - 1), at(i, j, k), 1.0));
                if i > 0 {
                    f.beams.push(round(at(i - 1, j, k), at(i, j, k), 0.6));
                    f.beams.push(round(at(i - 1, j, k - 1), at(i, j, k), 0.5));
                }
                if j > 0 {
                    f.beams.push(round(at(i, j - 1, k), at(i, j, k), 0.6));
                    f.beams.push(round(at(i, j, k - 1), at(i, j - 1, k), 0.5));
                }
            }
        }
    }
    f.holds = (0..side * side).map(Hold::clamped).collect();
    f
}

#[test]
fn a_braced_tower_stands_in_equilibrium() {
    let frame = tower(3, 5);
    assert!(frame.beams.len() > 200);
    let solver = frame.factor().unwrap();
    let last = frame.nodes.len() as u32 - 1;
    let loads = [push(last, [0.3, -0.2, 1.0]), push(last - 5, [0.0, 0.1, -2.0])];
    let s = solver.solve(&loads).unwrap();
    let (mut force, mut moment) = (Vector::zeros(), Vector::zeros());
    for l in &loads {
        let f = Vector::from(l.force_n);
        force += f;
        moment += frame.nodes[l.node as usize].coords.cross(&f);
    }
    for (h, r) in frame.holds.iter().zip(&s.reactions) {
        let f = Vector::new(r[0], r[1], r[2]);
        force += f;
        moment += frame.nodes[h.node as usize].coords.cross(&f) + Vector::new(r[3], r[4], r[5]);
    }
    assert!(force.norm() < 1e-9 && moment.norm() < 1e-7, "{force} {moment}");
    // Maxwell–Betti: what A does at B, B does at A.
    let (a, b) = (last, last - 22);
    let ab = solver.solve(&[push(a, [1.0, 0.0, 0.0])]).unwrap().motions[b as usize][2];
    let ba = solver.solve(&[push(b, [0.0, 0.0, 1.0])]).unwrap().motions[a as usize][0];
    assert_relative_eq!(ab, ba, max_relative = 1e-8);
    // The same frame gives the same bits.
    assert_eq!(frame.factor().unwrap().solve(&loads).unwrap(), s);
}

#[test]
fn a_general_purpose_solver_agrees() {
    // The same tower of 320 members in PyNiteFEA 3.2.0 (PyPI), same loads: displacements and turns
    // of three nodes, pull (its sign turned) and end moments of four members, one foot's reaction.
    let frame = tower(3, 5);
    let loads = [push(95, [0.3, -0.2, 1.0]), push(90, [0.0, 0.1, -2.0])];
    let s = frame.factor().unwrap().solve(&loads).unwrap();
    assert_eq!(frame.beams.len(), 320);
    let near = |a: f64, b: f64| assert_relative_eq!(a, b, max_relative = 1e-7, epsilon = 1e-11);
    for (node, motion) in [
        (
            95,
            [
                0.05503963606,
                -0.04357324979,
                0.00871206040,
                0.00308888922,
                0.00081184746,
                -0.00595639753,
            ],
        ),
        (
            90,
            [
                0.03554652992,
                -0.01499252165,
                -0.02595444606,
                0.00060603824,
                0.00127887498,
                -0.00403520042,
            ],
        ),
        (
            40,
            [
                0.00999556267,
                0.00247016097,
                0.00080704235,
                -6.88728986e-5,
                0.00098748490,
                -0.00153020242,
            ],
        ),
    ] {
        for (have, want) in s.motions[node].iter().zip(motion) {
            assert_relative_eq!(*have, want, epsilon = 1e-10);
        }
    }
    for (beam, pull, a, b) in [
        (
            0,
            0.023225009502446,
            [-0.000206661502714, -0.005442489008187],
            [0.001985038162974, -0.002206738620290],
        ),
        (
            37,
            0.006981282461820,
            [0.006007177077715, -0.001853115682164],
            [0.005930825155238, -0.002030300809111],
        ),
        (
            100,
            -0.357011058879099,
            [-0.006842419645576, 0.001375671314223],
            [-0.005405857847886, 0.002185138081961],
        ),
        (
            319,
            -0.038421108581704,
            [-0.001708141081506, 0.000585247855482],
            [-0.002529280861865, 0.000596884000216],
        ),
    ] {
        near(s.axial_n(beam), pull);
        // Local axes differ; the moments' sizes do not.
        near(s.ends[beam][4].hypot(s.ends[beam][5]), f64::hypot(a[0], a[1]));
        near(s.ends[beam][10].hypot(s.ends[beam][11]), f64::hypot(b[0], b[1]));
    }
    let foot = [
        -0.0039744478679,
        0.0021412681753,
        0.0810885524958,
        -0.0045155172488,
        -0.0098584928967,
        0.0024708476453,
    ];
    for (have, want) in s.reactions[5].iter().zip(foot) {
        near(*have, want);
    }
}

#[test]
fn a_rigid_body_shares_its_pull_like_a_bolt_group() {
    // Long thin columns under a rigid body: their bending hardly counts, so the bolt-group formula
    // (any machine-design handbook, from memory) must come out.
    let tips_mm = [[-10.0, -5.0], [12.0, -4.0], [9.0, 6.0], [-7.0, 8.0], [1.0, 2.0]];
    let mut f = Frame::default();
    let mut tie = Tie { body: f.node(3.0, 1.0, 44.0), nodes: Vec::new() };
    for [x, y] in tips_mm {
        let (foot, head) = (f.node(x, y, 0.0), f.node(x, y, 40.0));
        f.beams.push(round(foot, head, 0.2));
        f.holds.push(Hold::clamped(foot));
        tie.nodes.push(head);
    }
    f.ties.push(tie);
    let load = f.load_at(0, Point::new(4.0, -1.0, 0.0), [0.0, 0.0, 2.0]);
    let s = f.factor().unwrap().solve(&[load]).unwrap();
    let want = tips::loads_n(&tips_mm, 2.0, [4.0, -1.0]).unwrap();
    for (i, n) in want.iter().enumerate() {
        assert_relative_eq!(s.axial_n(i), *n, epsilon = 1e-4);
    }
    // A load on a tied node is a load on its body.
    let on_head = push(2, [0.0, 0.0, 2.0]);
    let moved = f.load_at(0, f.nodes[2], [0.0, 0.0, 2.0]);
    let solver = f.factor().unwrap();
    assert_eq!(solver.solve(&[on_head]).unwrap(), solver.solve(&[moved]).unwrap());
}

fn supports(tips: usize) -> Supports {
    let mut s = Supports::default();
    for k in 0..tips as u32 {
        let x = 10.0 * f64::from(k);
        let y = if k == 1 { 10.0 } else { 0.0 };
        s.nodes.push(Point::new(x, y, 0.0));
        s.nodes.push(Point::new(x, y, 20.0));
        s.feet.push(2 * k);
        s.members.push(Member { a: 2 * k, b: 2 * k + 1, diameter_mm: 0.8 });
        s.tips.push(Tip {
            contact: Point::new(x, y, 22.0),
            normal: -Vector::z(),
            diameter_mm: 0.4,
            node: 2 * k + 1,
            facet: Some(0),
        });
    }
    s
}

/// Pull in each tip, N.
fn tip_pulls_n(response: &Response, pull: Pull) -> Vec<f64> {
    response.necks(&response.pulled(pull)).map(|n| n.axial_n).collect()
}

/// What stands on the part rises with it (statics: inner forces of a rigid body do no work).
#[test]
fn a_column_on_the_part_itself_carries_nothing() {
    let mut s = supports(4);
    let landing = Tip { contact: Point::new(30.0, 0.0, -2.0), node: 6, ..s.tips[3].clone() };
    s.landings.push(landing);
    let at = Pull { force_n: 3.0, x_mm: 12.0, y_mm: 4.0 };
    let pulls = tip_pulls_n(&SupportFrame::whole(&s, E, NU).response().unwrap(), at);
    assert!(pulls[3].abs() < 1e-9, "{pulls:?}");
    let without = tip_pulls_n(&SupportFrame::whole(&supports(3), E, NU).response().unwrap(), at);
    for (with, without) in pulls.iter().zip(without) {
        assert_relative_eq!(*with, without, max_relative = 1e-6);
    }
}

#[test]
fn supports_become_a_frame() {
    let model = SupportFrame::whole(&supports(3), E, NU);
    assert_eq!(model.tips, 3..6);
    let response = model.response().unwrap();
    let at = Pull { force_n: 3.0, x_mm: 10.0, y_mm: 10.0 / 3.0 };
    for n in tip_pulls_n(&response, at) {
        assert_relative_eq!(n, 1.0, max_relative = 1e-3);
    }
    // Three columns in parallel, each with its neck in series, half as wide again below.
    let one =
        1.0 / (1.0 / bar::axial_n_mm(E, 0.8, 20.0) + 1.0 / bar::taper_axial_n_mm(E, 0.4, 0.6, 2.0));
    let k = response.stiffness_n_mm(at.x_mm, at.y_mm);
    assert_relative_eq!(k, 3.0 * one, max_relative = 1e-3);
    // Superposition gives what solving for that very load gives.
    let at = Pull { force_n: 2.0, x_mm: 3.0, y_mm: 8.0 };
    let s = model.frame.factor().unwrap().solve(&[model.load(at)]).unwrap();
    for (n, beam) in tip_pulls_n(&response, at).iter().zip(model.tips.clone()) {
        assert_relative_eq!(*n, s.axial_n(beam), epsilon = 1e-9);
    }
    let point = Point::new(at.x_mm, at.y_mm, 22.0);
    let rise = s.displacement_mm(&model.frame, model.body, point).z;
    assert_relative_eq!(response.stiffness_n_mm(at.x_mm, at.y_mm), 2.0 / rise, max_relative = 1e-9);
}

#[test]
fn what_cannot_stand_is_named() {
    let place = |f: &Frame| match f.factor() {
        Err(Error::Structure { place, .. }) => place,
        other => panic!("{other:?}"),
    };
    let sound = cantilever(Vector::z());
    // Nothing holds it; held at a hinge; a node that hangs nowhere.
    let free = Frame { holds: vec![], ..sound.clone() };
    place(&free);
    let hinge = Frame { holds: vec![Hold::pinned(0)], ..sound.clone() };
    assert_eq!(place(&hinge), "node 1");
    let mut loose = sound.clone();
    loose.node(9.0, 9.0, 9.0);
    assert_eq!(place(&loose), "node 2");
    // A second column that stands on nothing, beside a sound one.
    let mut two = sound.clone();
    let (a, b) = (two.node(50.0, 0.0, 0.0), two.node(50.0, 0.0, 20.0));
    two.beams.push(round(a, b, D));
    assert!(["node 2", "node 3"].contains(&place(&two).as_str()));
    // A chain of many beams on a hinge: only rounding could hold it.
    let mut chain = Frame::default();
    for k in 0..40 {
        chain.node(1.7 * f64::from(k), 0.3 * f64::from(k % 3), 2.0 * f64::from(k));
    }
    chain.beams = (1..40).map(|k| round(k - 1, k, D)).collect();
    chain.holds = vec![Hold::pinned(0)];
    place(&chain);
    // Wrong numbers.
    let mut wrong = sound.clone();
    wrong.beams[0].b = 7;
    assert_eq!(place(&wrong), "beam 0");
    wrong = sound.clone();
    wrong.nodes[1] = wrong.nodes[0];
    assert_eq!(place(&wrong), "beam 0");
    wrong = sound.clone();
    wrong.nodes[1].x = f64::NAN;
    assert_eq!(place(&wrong), "node 1");
    wrong = sound.clone();
    wrong.beams[0].modulus_mpa = 0.0;
    assert_eq!(place(&wrong), "beam 0");
    wrong = sound.clone();
    wrong.ties.push(Tie { body: 0, nodes: vec![1, 1] });
    assert_eq!(place(&wrong), "tie 0");
    wrong = sound.clone();
    wrong.holds.push(Hold::clamped(3));
    assert_eq!(place(&wrong), "hold of node 3");
    assert!(sound.factor().unwrap().solve(&[push(5, [1.0; 3])]).is_err());
    assert!(sound.factor().unwrap().solve(&[push(1, [f64::NAN; 3])]).is_err());
    // Nothing to solve is no error.
    let mut held = sound.clone();
    held.holds.push(Hold::clamped(1));
    let s = held.factor().unwrap().solve(&[push(1, [1.0, 0.0, 0.0])]).unwrap();
    assert_eq!(s.motions[1], [0.0; 6]);
    assert_eq!(s.reactions[1][0], -1.0);
    // A part without tips.
    assert!(SupportFrame::whole(&supports(0), E, NU).frame.factor().is_err());
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    #[test]
    fn a_turn_about_z_changes_nothing(deg in 0.0..360.0f64, px in -5.0..15.0f64) {
        let turn = nalgebra::Rotation3::from_axis_angle(&Vector::z_axis(), deg.to_radians());
        let plain = supports(4);
        let mut turned = plain.clone();
        turned.nodes.iter_mut().for_each(|p| *p = turn * *p);
        turned.tips.iter_mut().for_each(|t| t.contact = turn * t.contact);
        let pulls = |s: &Supports, at: Point| {
            let response = SupportFrame::whole(s, E, NU).response().unwrap();
            let pull = Pull { force_n: 2.0, x_mm: at.x, y_mm: at.y };
            let mut all = tip_pulls_n(&response, pull);
            all.push(response.stiffness_n_mm(at.x, at.y));
            all
        };
        let at = Point::new(px, 2.0, 0.0);
        for (a, b) in pulls(&plain, at).iter().zip(pulls(&turned, turn * at)) {
            prop_assert!((a - b).abs() < 1e-7 * (1.0 + a.abs()), "{a} {b}");
        }
    }

    /// Superposition: a sum of loads does the sum of what each does.
    #[test]
    fn loads_add_up(x in -1.0..1.0f64, z in -1.0..1.0f64) {
        let frame = tower(1, 2);
        let solver = frame.factor().unwrap();
        let (p, q) = (push(8, [x, 0.0, 0.0]), push(11, [0.0, 0.2, z]));
        let both = solver.solve(&[p, q]).unwrap();
        let (a, b) = (solver.solve(&[p]).unwrap(), solver.solve(&[q]).unwrap());
        for i in 0..frame.beams.len() {
            prop_assert!((both.axial_n(i) - a.axial_n(i) - b.axial_n(i)).abs() < 1e-9);
        }
    }
}
