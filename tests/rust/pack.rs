//! Packing: plates against optima known without the packer, gaps against plain geometry.

use crate::plane::{ring_distance, ring_placed};
use vatwright::mesh::shapes;
use vatwright::passes::Pass;
use vatwright::passes::pack::{
    Goal, KeepOut, Need, Pack, Point2, least_plates, most_discs, shadow,
};
use vatwright::{Context, Done, Job, Part, Plate, Role, Setup};

pub(crate) fn block(name: &str, x: f64, y: f64, z: f64) -> Part {
    Part::new(shapes::cuboid(x, y, z).unwrap().mesh().clone().renamed(name).try_into().unwrap())
}

pub(crate) fn setup(width: f64, depth: f64) -> Setup {
    let mut s = Setup::default();
    s.machine.width_mm = width;
    s.machine.depth_mm = depth;
    s
}

pub(crate) fn pack(pack: &Pack, parts: Vec<Part>, setup: Setup) -> Done<Vec<Plate>> {
    pack.apply(parts, &Context::new(setup)).unwrap()
}

fn heights(plates: &[Plate]) -> Vec<f64> {
    plates.iter().map(|p| (p.height_mm() * 1e6).round() / 1e6).collect()
}

/// Least distance between the outlines of any two parts of a plate, and whether all are inside.
fn least_gap(plate: &Plate) -> (f64, bool) {
    let rings: Vec<Vec<Vec<Point2>>> = plate
        .placed
        .iter()
        .map(|p| {
            shadow(&p.part.surfaces(&Role::ALL))
                .iter()
                .map(|s| ring_placed(&s[0], p.turn_deg, [p.x_mm, p.y_mm]))
                .collect()
        })
        .collect();
    let mut least = f64::INFINITY;
    for (i, a) in rings.iter().enumerate() {
        for b in &rings[..i] {
            for (p, q) in a.iter().flat_map(|p| b.iter().map(move |q| (p, q))) {
                least = least.min(ring_distance(p, q));
            }
        }
    }
    let inside = rings.iter().flatten().flatten().all(|p| {
        (-1e-6..=plate.width_mm + 1e-6).contains(&p[0])
            && (-1e-6..=plate.depth_mm + 1e-6).contains(&p[1])
    });
    (least, inside)
}

/// A plate holds three of these: sorting by height and cutting every three is optimal
/// (Bartholdi; Lee, Uzsoy & Martin-Vega 1992, from memory): 90 + 40 + 5 = 135, while the
/// ascending cut gives 200.
#[test]
fn batch_theorem_is_reached() {
    let parts = || -> Vec<Part> {
        [10.0, 90.0, 5.0, 50.0, 80.0, 30.0, 40.0]
            .map(|h| block(&format!("figure {h}"), 38.0, 38.0, h))
            .to_vec()
    };
    let by_room = Pack { margin_mm: 0.0, ..Pack::default() };
    let by_count = Pack { max_parts: Some(3), ..Pack::default() };
    for (options, setup) in [(by_room, setup(117.0, 40.0)), (by_count, setup(300.0, 200.0))] {
        let done = pack(&options, parts(), setup);
        assert_eq!(heights(&done.value), [90.0, 40.0, 5.0]);
        // The bound meets the optimum here, so the gap is nought.
        assert!(done.report.numbers["gap_percent"].abs() < 1e-9);
    }
}

#[test]
fn outlines_keep_their_gap_and_stay_on_the_plate() {
    let gear: Vec<Point2> = (0..48)
        .map(|i| {
            let (r, a) = (if i % 4 < 2 { 9.0 } else { 7.5 }, f64::from(i).to_radians() * 7.5);
            [r * a.cos(), r * a.sin()]
        })
        .collect();
    let hook = [[0., 0.], [22., 0.], [22., 5.], [5., 5.], [5., 17.], [0., 17.]].to_vec();
    let arrow = [[0., 0.], [14., 7.], [0., 14.], [4., 7.]].to_vec();
    let part = |name: &str, ring: &Vec<Point2>, h: f64| {
        Part::new(shapes::extrude(name, std::slice::from_ref(ring), h).unwrap())
    };
    let parts =
        vec![part("gear", &gear, 6.0), part("hook", &hook, 9.0), part("arrow", &arrow, 4.0)];
    let options = Pack {
        gap_mm: 0.8,
        copies: [("gear", 9), ("hook", 14), ("arrow", 20)].map(|(n, c)| (n.into(), c)).into(),
        keep_out: vec![KeepOut { x_mm: 30.0, y_mm: 20.0, width_mm: 8.0, depth_mm: 8.0 }],
        rounds: 150,
        ..Pack::default()
    };
    let done = pack(&options, parts, setup(90.0, 60.0));
    assert_eq!(done.value.iter().map(|p| p.placed.len()).sum::<usize>(), 43);
    let post = [[30., 20.], [38., 20.], [38., 28.], [30., 28.]].to_vec();
    for plate in &done.value {
        let (gap, inside) = least_gap(plate);
        assert!(inside);
        assert!(gap >= 0.8 - 1e-6, "{gap}");
        for p in &plate.placed {
            for s in shadow(&p.part.surfaces(&Role::ALL)) {
                let ring = ring_placed(&s[0], p.turn_deg, [p.x_mm, p.y_mm]);
                assert!(ring_distance(&ring, &post) >= 0.8 - 1e-6);
            }
        }
    }
    let n = &done.report.numbers;
    assert!(n["time_s"] <= n["greedy_time_s"] && n["bound_s"] <= n["time_s"]);
}

#[test]
fn what_does_not_fit_is_named() {
    let parts = vec![
        block("bench", 200.0, 10.0, 5.0),
        block("lamp post", 5.0, 5.0, 500.0),
        block("porter", 10.0, 10.0, 30.0),
    ];
    let done = pack(&Pack::default(), parts, Setup::default());
    assert_eq!(done.value.len(), 1);
    assert_eq!(done.value[0].placed[0].part.name, "porter");
    let named: Vec<&str> = done.report.findings.iter().map(|f| f.part.as_str()).collect();
    assert_eq!(named, ["lamp post", "bench"]);
    assert!(done.report.findings.iter().all(|f| f.code == "unpackable"));
}

#[test]
fn groups_share_a_plate_and_due_parts_come_first() {
    let parts: Vec<Part> =
        (0..8).map(|i| block(&format!("f{i}"), 38.0, 38.0, 10.0 + 5.0 * f64::from(i))).collect();
    let options = Pack {
        together: vec![vec!["f7".into(), "f0".into()]],
        due: [("f2".to_string(), 1)].into(),
        ..Pack::default()
    };
    let done = pack(&options, parts, setup(122.0, 42.0));
    let on = |name: &str| {
        done.value.iter().position(|p| p.placed.iter().any(|q| q.part.name == name)).unwrap()
    };
    assert_eq!(on("f7"), on("f0"));
    assert_eq!(on("f2"), 0);
    assert_eq!(done.value.iter().map(|p| p.placed.len()).sum::<usize>(), 8);
}

/// Two printers side by side: the work is shared so that both are done early.
#[test]
fn finish_time_is_shared_between_printers() {
    let parts: Vec<Part> = (0..12).map(|i| block(&format!("f{i}"), 38.0, 38.0, 50.0)).collect();
    let s = setup(122.0, 42.0);
    let printers =
        vec![Setup { name: "left".into(), ..s.clone() }, Setup { name: "right".into(), ..s }];
    let options = Pack { goal: Goal::FinishTime, printers, ..Pack::default() };
    let done = pack(&options, parts, Setup::default());
    assert_eq!(done.value.iter().filter(|p| p.printer == "left").count(), 2);
    assert_eq!(done.value.iter().filter(|p| p.printer == "right").count(), 2);
    assert!(done.report.numbers["gap_percent"].abs() < 1e-9);
}

#[test]
fn the_same_plates_on_any_number_of_threads() {
    let run = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        let parts: Vec<Part> = (0..14)
            .map(|i| {
                let f = f64::from(i);
                block(&format!("f{i}"), 12.0 + f, 9.0 + (f * 7.0) % 11.0, 20.0 + (f * 13.0) % 17.0)
            })
            .collect();
        let options = Pack { rounds: 60, ..Pack::default() };
        pool.install(|| {
            serde_json::to_string(&pack(&options, parts, setup(60.0, 50.0)).value).unwrap()
        })
    };
    assert_eq!(run(1), run(3));
}

/// A table with one leg in its middle: with bands its top may pass over a low box that one outline
/// for the whole height would keep away, and the layers never come nearer than the gap.
#[test]
fn an_arm_may_pass_over_a_low_neighbour() {
    let post = shapes::cuboid(6.0, 6.0, 20.0).unwrap();
    let top = shapes::cuboid(30.0, 30.0, 4.0).unwrap();
    let lift = 22.0 - top.bounds().center().z;
    let top = top.transformed(&vatwright::Pose::translation(0.0, 0.0, lift));
    let down = -post.bounds().min.z;
    let post = post.transformed(&vatwright::Pose::translation(0.0, 0.0, down));
    let table = Part::new(vatwright::Mesh::concat("table", [&post, &top]).try_into().unwrap());
    let parts = || vec![table.clone(), block("low", 8.0, 8.0, 10.0)];
    let small = || setup(34.0, 34.0);
    let flat = pack(&Pack::default(), parts(), small());
    assert_eq!(flat.value.len(), 2);
    let bands = Pack { band_mm: Some(2.0), ..Pack::default() };
    let done = pack(&bands, parts(), small());
    assert_eq!(done.value.len(), 1);
    let leg = [[-3.0, -3.0], [3.0, -3.0], [3.0, 3.0], [-3.0, 3.0]];
    let low = [[-4.0, -4.0], [4.0, -4.0], [4.0, 4.0], [-4.0, 4.0]];
    let ring = |i: usize, r: &[Point2]| {
        let p = &done.value[0].placed[i];
        ring_placed(r, p.turn_deg, [p.x_mm, p.y_mm])
    };
    let first = usize::from(done.value[0].placed[0].part.name != "table");
    assert!(ring_distance(&ring(first, &leg), &ring(1 - first, &low)) >= 1.0 - 1e-6);
    // A box that reaches into the gap below the top must stay away.
    let high = pack(&bands, vec![table.clone(), block("high", 8.0, 8.0, 19.5)], small());
    assert_eq!(high.value.len(), 2);
}

/// Martello & Toth 1990 (from memory): {6,6,6,6} in bins of 10 has the continuous bound 3;
/// {7,7,6,5,4,4,3,2,2} has 4 with optimum 5. Strips of full depth make the plate a bin.
#[test]
fn area_bound_of_bins() {
    let strips = |sizes: &[f64]| -> Vec<Need> {
        sizes.iter().map(|s| Need { height_mm: 1.0, area_mm2: s * 10.0, inner_mm: 0.0 }).collect()
    };
    let last =
        |sizes: &[f64]| *least_plates(&strips(sizes), [10.0, 10.0], 0.0, None).last().unwrap();
    assert_eq!(last(&[6.0; 4]), 3);
    assert_eq!(last(&[7.0, 7.0, 6.0, 5.0, 4.0, 4.0, 3.0, 2.0, 2.0]), 4);
    // The disc bound sees that no two of the sixes fit side by side: optimum 4.
    let discs: Vec<Need> = vec![Need { height_mm: 1.0, area_mm2: 36.0, inner_mm: 3.0 }; 4];
    assert_eq!(least_plates(&discs, [10.0, 6.0], 0.0, None).last(), Some(&4));
}

/// Equal discs in a square: never fewer allowed than the optimal packings known for small counts
/// (Schaer 1965, Kirchner & Wengerodt 1987; radius in the unit square, from memory).
#[test]
fn disc_bound_allows_known_packings() {
    for (n, r) in [(1, 0.5), (2, 0.292893), (4, 0.25), (5, 0.207106), (9, 0.166666), (30, 0.091671)]
    {
        let most = most_discs([1.0, 1.0], r, 0.0);
        assert!(most >= n && most <= n + 1 + n / 3, "{n}: {most}");
    }
}

/// Up to 8 blocks against every partition into plates, where a set fits a plate exactly when its
/// widths add up to no more than the plate's.
#[test]
fn small_tasks_reach_the_optimum() {
    let mut seed = 7u64;
    let mut random = |lo: f64, hi: f64| {
        seed = seed.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
        lo + (hi - lo) * ((seed >> 33) as f64 / (1u64 << 31) as f64)
    };
    for count in [6, 7, 7, 8] {
        let sizes: Vec<(f64, f64)> =
            (0..count).map(|_| (random(20.0, 70.0).round(), random(10.0, 80.0).round())).collect();
        let parts = sizes
            .iter()
            .enumerate()
            .map(|(i, s)| block(&format!("f{i}"), s.0, 40.0, s.1))
            .collect();
        let options = Pack { margin_mm: 0.0, turn_step_deg: 180.0, ..Pack::default() };
        // A hair wider, since outlines are true to a micrometre only.
        let done = pack(&options, parts, setup(120.01, 40.0));
        let best = least_height(&sizes, &mut Vec::new());
        let got: f64 = heights(&done.value).iter().sum();
        assert!(got <= best + 1e-6, "{sizes:?}: {got} against {best}");
        assert!(done.report.numbers["gap_percent"] >= -1e-9);
    }
}

/// Least sum of plate heights over all partitions; gap 1 mm, plate 120 mm.
fn least_height(left: &[(f64, f64)], plates: &mut Vec<(f64, f64)>) -> f64 {
    let Some((&(w, h), rest)) = left.split_first() else {
        return plates.iter().map(|p| p.1).sum();
    };
    let mut best = f64::INFINITY;
    for k in 0..=plates.len() {
        if k == plates.len() {
            plates.push((w, h));
            best = best.min(least_height(rest, plates));
            plates.pop();
        } else if plates[k].0 + 1.0 + w <= 120.0 {
            let kept = plates[k];
            plates[k] = (kept.0 + 1.0 + w, kept.1.max(h));
            best = best.min(least_height(rest, plates));
            plates[k] = kept;
        }
    }
    best
}

/// A printer with its own plate, height and time for an exposure.
fn printer(name: &str, size: [f64; 3], exposure_s: f64) -> Setup {
    let mut s = setup(size[0], size[1]);
    s.name = name.into();
    s.machine.height_mm = size[2];
    s.exposure.exposure_s = exposure_s;
    s
}

#[test]
fn printers_of_different_size_and_speed_share_the_work() {
    let mut parts: Vec<Part> =
        (0..9).map(|i| block(&format!("low {i}"), 38.0, 38.0, 20.0)).collect();
    parts.push(block("mast", 30.0, 30.0, 150.0));
    parts.push(block("wall", 90.0, 30.0, 40.0));
    let small = printer("small", [81.0, 42.0, 80.0], 2.0);
    let large = printer("large", [122.0, 42.0, 200.0], 4.0);
    let run = |printers: &[&Setup], goal: Goal| {
        let printers = printers.iter().map(|&p| p.clone()).collect();
        let done = pack(
            &Pack { printers, goal, rounds: 300, ..Pack::default() },
            parts.clone(),
            Setup::default(),
        );
        assert!(done.report.numbers["gap_percent"] >= -1e-9);
        done
    };
    for goal in [Goal::TotalTime, Goal::FinishTime] {
        let both = run(&[&small, &large], goal);
        assert_eq!(both.value.iter().map(|p| p.placed.len()).sum::<usize>(), parts.len());
        for plate in &both.value {
            let p = if plate.printer == "small" { &small } else { &large };
            assert_eq!((plate.width_mm, plate.depth_mm), (p.machine.width_mm, p.machine.depth_mm));
            assert!(plate.height_mm() <= p.machine.height_mm);
            // What the small printer cannot hold is on the large one.
            let holds = |name: &str| plate.placed.iter().any(|q| q.part.name == name);
            assert!(plate.printer == "large" || !(holds("mast") || holds("wall")));
        }
        // A second printer never makes it longer, and the end comes sooner.
        let alone = run(&[&large], goal).report.numbers["time_s"];
        let time = both.report.numbers["time_s"];
        assert!(if goal == Goal::FinishTime { time < alone } else { time <= alone });
        // The small one alone must leave out the two.
        let alone = run(&[&small], goal);
        assert_eq!(alone.report.findings.len(), 2);
    }
    // Of two like plates the quicker printer gets all the work, unless the end is what counts.
    let slow = Setup { name: "slow".into(), ..printer("", [81.0, 42.0, 200.0], 6.0) };
    let quick = Setup { name: "quick".into(), ..printer("", [81.0, 42.0, 200.0], 2.0) };
    let low = parts[..8].to_vec();
    let on_slow = |goal: Goal| {
        let options = Pack { printers: vec![slow.clone(), quick.clone()], goal, ..Pack::default() };
        let done = pack(&options, low.clone(), Setup::default());
        (done.value.iter().filter(|p| p.printer == "slow").count(), done.value.len())
    };
    assert_eq!(on_slow(Goal::TotalTime), (0, 4));
    // 2 plates on each end sooner than 3 and 1: 2 · 14 s a layer against 3 · 10 s.
    assert_eq!(on_slow(Goal::FinishTime), (2, 4));
}

/// Parts due earlier open earlier plates, whatever their height.
#[test]
fn plates_follow_the_due_order() {
    let parts: Vec<Part> = (0..13)
        .map(|i| block(&format!("f{i}"), 38.0, 38.0, 10.0 + f64::from(i * 7 % 13)))
        .collect();
    let due_of = |name: &str| match name[1..].parse::<u32>().unwrap() {
        i if i < 4 => 3,
        i if i < 8 => 1,
        _ => 2,
    };
    let due = parts.iter().map(|p| (p.name.clone(), due_of(&p.name))).collect();
    let done = pack(&Pack { due, ..Pack::default() }, parts, setup(122.0, 42.0));
    let first: Vec<u32> = done
        .value
        .iter()
        .map(|p| p.placed.iter().map(|q| due_of(&q.part.name)).min().unwrap())
        .collect();
    assert!(first.is_sorted(), "{first:?}");
    assert_eq!(done.value.iter().map(|p| p.placed.len()).sum::<usize>(), 13);
}

/// Plates filled in the order given keep that order, part by part.
#[test]
fn the_given_order_can_be_kept() {
    let parts: Vec<Part> = (0..10)
        .map(|i| block(&format!("f{i}"), 38.0, 38.0, 10.0 + f64::from(i * 7 % 10)))
        .collect();
    let names: Vec<String> = parts.iter().map(|p| p.name.clone()).collect();
    let options = Pack { keep_order: true, ..Pack::default() };
    let done = pack(&options, parts.clone(), setup(122.0, 42.0));
    let placed: Vec<String> =
        done.value.iter().flat_map(|p| p.placed.iter().map(|q| q.part.name.clone())).collect();
    assert_eq!(placed, names);
    let sorted = pack(&Pack::default(), parts, setup(122.0, 42.0));
    assert!(sorted.report.numbers["time_s"] < done.report.numbers["time_s"]);
}

#[test]
fn a_group_that_fits_no_plate_is_named_whole() {
    let parts: Vec<Part> = (0..5).map(|i| block(&format!("f{i}"), 38.0, 38.0, 10.0)).collect();
    let options =
        Pack { together: vec![(0..4).map(|i| format!("f{i}")).collect()], ..Pack::default() };
    let done = pack(&options, parts, setup(122.0, 42.0));
    let named: Vec<&str> = done.report.findings.iter().map(|f| f.part.as_str()).collect();
    assert_eq!(named, ["f0", "f1", "f2", "f3"]);
    assert_eq!(done.value.len(), 1);
}

#[test]
fn margins_stay_free() {
    let parts = vec![block("brick", 9.0, 6.0, 5.0)];
    let options = Pack {
        margin_mm: 7.5,
        copies: [("brick".to_string(), 40)].into(),
        rounds: 100,
        ..Pack::default()
    };
    let done = pack(&options, parts, setup(80.0, 50.0));
    for plate in &done.value {
        let b = plate.bounds();
        assert!(b.min.x >= 7.5 - 1e-3 && b.max.x <= 72.5 + 1e-3, "{b:?}");
        assert!(b.min.y >= 7.5 - 1e-3 && b.max.y <= 42.5 + 1e-3, "{b:?}");
    }
}

/// Whatever the task, the search starts from the sorted greedy plan and never ends worse, and the
/// bound is never above what was reached.
#[test]
fn never_worse_than_the_greedy_start() {
    let mut seed = 11u64;
    let mut random = |lo: f64, hi: f64| {
        seed = seed.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
        lo + (hi - lo) * ((seed >> 33) as f64 / (1u64 << 31) as f64)
    };
    for (round, goal) in [Goal::TotalTime, Goal::FinishTime].into_iter().cycle().take(6).enumerate()
    {
        let parts: Vec<Part> = (0..16)
            .map(|i| {
                let size = [random(6.0, 30.0), random(6.0, 30.0), random(8.0, 60.0)];
                block(&format!("f{i}"), size[0], size[1], size[2])
            })
            .collect();
        let printers =
            [printer("a", [70.0, 50.0, 100.0], 3.0), printer("b", [50.0, 45.0, 100.0], 2.0)];
        let options = Pack {
            goal,
            printers: printers[..1 + round / 3].to_vec(),
            due: [("f3".to_string(), 1), ("f7".to_string(), 2)].into(),
            rounds: 120,
            seed: round as u64,
            ..Pack::default()
        };
        let done = pack(&options, parts, Setup::default());
        let n = &done.report.numbers;
        assert_eq!(n["parts"], 16.0);
        assert!(n["time_s"] <= n["greedy_time_s"], "{n:?}");
        assert!(n["bound_s"] <= n["time_s"] * (1.0 + 1e-9), "{n:?}");
    }
}

/// Steep walls of a detailed figure must not fray its outline: tables of pairs grow with the
/// square of its pieces.
#[test]
fn detailed_figures_have_clean_shadows() {
    for seed in 0..4 {
        let part = Part::new(shapes::figure(seed, 32.0, 6000, &Job::default()).unwrap());
        let seen = shadow(&part.surfaces(&Role::ALL));
        let corners: usize = seen.iter().flatten().map(Vec::len).sum();
        assert!(seen.len() <= 3 && corners < 250, "{} shapes, {corners} corners", seen.len());
    }
}
