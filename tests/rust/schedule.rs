//! Plates on machines over time: against every order, and against lists.

use crate::pack_boxes::Random;
use vatwright::passes::pack::{Aim, MachineHours, PlateHours, Schedule, Timeline};
use vatwright::{Error, Job};

fn task(random: &mut Random, plates: usize, machines: usize) -> Schedule {
    let aims = [Aim::Finish, Aim::Lateness];
    let first = random.below(2);
    let staffed = [vec![], vec![[8.0, 17.0]], vec![[7.5, 12.0], [13.0, 18.5]]];
    let machine = |k: usize, random: &mut Random| MachineHours {
        name: format!("machine {k}"),
        free_from_h: 5.0 * random.unit(),
        staffed: staffed[random.below(3)].clone(),
    };
    let plate = |k: usize, random: &mut Random| {
        let mut on_h: Vec<Option<f64>> = (0..machines)
            .map(|_| (random.unit() < 0.85).then_some(1.0 + 11.0 * random.unit()))
            .collect();
        on_h[k % machines].get_or_insert(6.0);
        let due_h = (random.unit() < 0.6).then_some(40.0 * random.unit());
        PlateHours { name: format!("plate {k}"), on_h, due_h, weight: 1.0 + random.below(3) as f64 }
    };
    Schedule {
        machines: (0..machines).map(|k| machine(k, random)).collect(),
        plates: (0..plates).map(|k| plate(k, random)).collect(),
        now_h: (24.0 * random.unit()).min(23.9),
        change_over_h: 0.25,
        aims: vec![aims[first], aims[1 - first]],
    }
}

/// When a change may begin, by looking at every moment at which that can first be so.
fn change_h(task: &Schedule, machine: usize, free_h: f64) -> f64 {
    let staffed = &task.machines[machine].staffed;
    if staffed.is_empty() {
        return free_h;
    }
    let openings = (-1..400).flat_map(|day| {
        staffed.iter().map(move |s| [f64::from(day) * 24.0 + s[0], f64::from(day) * 24.0 + s[1]])
    });
    openings
        .map(|s| [(s[0] - task.now_h).max(free_h), s[1] - task.now_h])
        .filter(|s| s[0] + task.change_over_h <= s[1] + 1e-9)
        .map(|s| s[0])
        .fold(f64::INFINITY, f64::min)
}

/// Finish and lateness when plates are started in this order on these machines.
fn outcome(task: &Schedule, order: &[usize], machine_of: &[usize]) -> Option<[f64; 2]> {
    let mut free: Vec<f64> = task.machines.iter().map(|m| m.free_from_h).collect();
    let (mut finish, mut late) = (0.0f64, 0.0);
    for &p in order {
        let (m, plate) = (machine_of[p], &task.plates[p]);
        let end = change_h(task, m, free[m]) + task.change_over_h + plate.on_h[m]?;
        free[m] = end;
        finish = finish.max(end);
        late += plate.weight * plate.due_h.map_or(0.0, |d| (end - d).max(0.0));
    }
    Some([finish, late])
}

fn by_aims(task: &Schedule, [finish, late]: [f64; 2]) -> [f64; 2] {
    if task.aims[0] == Aim::Finish { [finish, late] } else { [late, finish] }
}

fn permutations(n: usize) -> Vec<Vec<usize>> {
    if n == 0 {
        return vec![vec![]];
    }
    let shorter = permutations(n - 1);
    let with = |p: &Vec<usize>, at: usize| {
        let mut p = p.clone();
        p.insert(at, n - 1);
        p
    };
    shorter.iter().flat_map(|p| (0..n).map(move |at| with(p, at))).collect()
}

/// Fails unless every plate has one run, somebody is there for each change, and runs of a machine
/// follow one another.
fn assert_timeline(task: &Schedule, done: &Timeline) {
    let mut plates: Vec<usize> = done.runs.iter().map(|r| r.plate).collect();
    plates.sort_unstable();
    assert_eq!(plates, (0..task.plates.len()).collect::<Vec<_>>());
    for m in 0..task.machines.len() {
        let mut free = task.machines[m].free_from_h;
        for r in done.runs.iter().filter(|r| r.machine == m) {
            assert!((r.change_h - change_h(task, m, free)).abs() < 1e-9);
            assert!((r.start_h - r.change_h - task.change_over_h).abs() < 1e-12);
            assert!((r.end_h - r.start_h - task.plates[r.plate].on_h[m].unwrap()).abs() < 1e-12);
            free = r.end_h;
        }
    }
}

#[test]
fn six_plates_on_two_machines_are_best_of_all_orders() {
    let mut random = Random(17);
    let orders = permutations(6);
    for _ in 0..12 {
        let task = task(&mut random, 6, 2);
        let done = task.timeline(&Job::default()).unwrap();
        assert_timeline(&task, &done);
        let mut best = [f64::INFINITY; 2];
        for set in 0..64 {
            let machine_of: Vec<usize> = (0..6).map(|p| set >> p & 1).collect();
            for order in &orders {
                if let Some(o) = outcome(&task, order, &machine_of) {
                    let o = by_aims(&task, o);
                    best = if o < best { o } else { best };
                }
            }
        }
        let got = by_aims(&task, [done.finish_h, done.lateness_h]);
        assert!((got[0] - best[0]).abs() < 1e-9, "{got:?} of {best:?}");
        assert!(got[1] <= best[1] + 1e-9, "{got:?} of {best:?}");
    }
}

/// Graham's list scheduling (1969): plates in a given order, each where it is done first.
#[test]
fn never_later_than_lists() {
    let mut random = Random(23);
    for _ in 0..300 {
        let (plates, machines) = (7 + random.below(6), 2 + random.below(2));
        let task = task(&mut random, plates, machines);
        let done = task.timeline(&Job::default()).unwrap();
        assert_timeline(&task, &done);
        let due = |p: usize| task.plates[p].due_h.unwrap_or(f64::INFINITY);
        let mut by_due: Vec<usize> = (0..plates).collect();
        by_due.sort_by(|&a, &b| due(a).total_cmp(&due(b)));
        for list in [(0..plates).collect::<Vec<_>>(), by_due] {
            let mut free: Vec<f64> = task.machines.iter().map(|m| m.free_from_h).collect();
            let mut machine_of = vec![0; plates];
            for &p in &list {
                let end = |m: usize| {
                    let on = task.plates[p].on_h[m]?;
                    Some((change_h(&task, m, free[m]) + task.change_over_h + on, m))
                };
                let (end, m) =
                    (0..machines).filter_map(end).min_by(|a, b| a.0.total_cmp(&b.0)).unwrap();
                free[m] = end;
                machine_of[p] = m;
            }
            let listed = by_aims(&task, outcome(&task, &list, &machine_of).unwrap());
            let got = by_aims(&task, [done.finish_h, done.lateness_h]);
            assert!(got[0] <= listed[0] + 1e-9, "{got:?} of {listed:?}");
        }
    }
}

/// A plate that ends at night waits for the morning.
#[test]
fn somebody_must_be_there() {
    let machine = MachineHours { name: "a".into(), free_from_h: 0.0, staffed: vec![[8.0, 17.0]] };
    let plate = |name: &str| PlateHours {
        name: name.into(),
        on_h: vec![Some(6.0)],
        due_h: None,
        weight: 1.0,
    };
    let task = Schedule {
        machines: vec![machine.clone()],
        plates: vec![plate("one"), plate("two")],
        now_h: 16.0,
        change_over_h: 0.5,
        aims: vec![Aim::Finish],
    };
    let done = task.timeline(&Job::default()).unwrap();
    // 16:00 to 16:30 the first change; it prints until 22:30; the next change is at 8:00.
    let ends: Vec<f64> = done.runs.iter().map(|r| r.end_h).collect();
    assert_eq!(ends, [6.5, 22.5]);
    let short = MachineHours { staffed: vec![[8.0, 8.2]], ..machine };
    let never = Schedule { machines: vec![short], ..task };
    assert!(matches!(never.timeline(&Job::default()), Err(Error::Value { .. })));
}
