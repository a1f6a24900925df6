//! Sharing plates without shapes, against published instances and against enumeration.

use crate::pack_boxes::Random;
use vatwright::passes::pack::{BatchJob, Batches, batches};
use vatwright::{Error, Job};

fn solve(jobs: &[BatchJob], capacity: f64, effort: usize) -> Batches {
    batches(jobs, capacity, effort, &Job::default()).unwrap()
}

/// Fails unless every job is on one plate, none is too full, and the times add up.
fn assert_plan(done: &Batches, jobs: &[BatchJob], capacity: f64) {
    let mut all: Vec<usize> = done.plates.concat();
    all.sort_unstable();
    assert_eq!(all, (0..jobs.len()).collect::<Vec<_>>());
    let mut time = 0.0;
    for plate in &done.plates {
        assert!(plate.iter().map(|&j| jobs[j].size).sum::<f64>() <= capacity * (1.0 + 1e-12));
        time += plate.iter().map(|&j| jobs[j].time).fold(0.0, f64::max);
    }
    assert!((time - done.time).abs() <= 1e-9 * time);
    assert!(done.bound <= done.time * (1.0 + 1e-12), "{} of {}", done.bound, done.time);
}

/// Trindade, de Araújo & Fampa, Computers & Operations Research 134 (2021) 105394: 32 of their
/// instances, with optima, or best plans and bounds, by arc-flow.
#[test]
fn published_instances_are_solved() {
    let text = include_str!("../corpus/batching/pbatch.json");
    let instances: Vec<serde_json::Value> = serde_json::from_str(text).unwrap();
    assert_eq!(instances.len(), 32);
    for instance in &instances {
        let numbers =
            |key: &str| -> Vec<f64> { serde_json::from_value(instance[key].clone()).unwrap() };
        let (times, sizes) = (numbers("times"), numbers("sizes"));
        let jobs: Vec<BatchJob> =
            times.into_iter().zip(sizes).map(|(time, size)| BatchJob { time, size }).collect();
        let number = |key: &str| instance[key].as_f64().unwrap();
        let (name, best) = (&instance["name"], number("best"));
        let done = solve(&jobs, number("capacity"), 400);
        assert_plan(&done, &jobs, number("capacity"));
        if instance["proven"] == true {
            assert_eq!(done.time, best, "{name}");
        } else {
            assert!(done.time <= 1.02 * best, "{name}: {} of {best}", done.time);
        }
        assert!(done.bound <= best, "{name}: {} of {best}", done.bound);
        assert!(done.bound >= 0.98 * number("bound"), "{name}: {}", done.bound);
    }
}

/// Least time over all partitions of the jobs.
fn least_time(left: &[BatchJob], plates: &mut Vec<(f64, f64)>) -> f64 {
    let Some((job, rest)) = left.split_first() else {
        return plates.iter().map(|p| p.0).sum();
    };
    let mut best = f64::INFINITY;
    for k in 0..=plates.len() {
        if k == plates.len() {
            plates.push((job.time, job.size));
            best = best.min(least_time(rest, plates));
            plates.pop();
        } else if plates[k].1 + job.size <= 1.0 {
            let kept = plates[k];
            plates[k] = (kept.0.max(job.time), kept.1 + job.size);
            best = best.min(least_time(rest, plates));
            plates[k] = kept;
        }
    }
    best
}

/// Sizes that are no whole numbers, against every partition.
#[test]
fn the_bound_is_never_above_the_optimum() {
    let mut random = Random(5);
    for _ in 0..60 {
        let jobs: Vec<BatchJob> = (0..8)
            .map(|_| BatchJob { time: 1.0 + 9.0 * random.unit(), size: 0.1 + 0.6 * random.unit() })
            .collect();
        let best = least_time(&jobs, &mut Vec::new());
        let done = solve(&jobs, 1.0, 20);
        assert_plan(&done, &jobs, 1.0);
        assert!(done.bound <= best * (1.0 + 1e-12), "{} of {best}", done.bound);
        assert!(done.time >= best * (1.0 - 1e-12));
    }
}

/// Copies of a part many times over, whose bound is the area: eight to a plate.
#[test]
fn many_copies_are_one_row() {
    let jobs = vec![BatchJob { time: 7.25, size: 0.125 }; 1234];
    let done = solve(&jobs, 1.0, 5);
    assert_plan(&done, &jobs, 1.0);
    assert_eq!(done.plates.len(), 155);
    assert!((done.bound - 155.0 * 7.25).abs() < 1e-6);
}

#[test]
fn a_job_must_fit() {
    let one = Job::default();
    for (job, capacity) in [
        (BatchJob { time: 1.0, size: 2.0 }, 1.0),
        (BatchJob { time: -1.0, size: 0.5 }, 1.0),
        (BatchJob { time: f64::NAN, size: 0.5 }, 1.0),
        (BatchJob { time: 1.0, size: 0.5 }, 0.0),
    ] {
        assert!(matches!(batches(&[job], capacity, 1, &one), Err(Error::Value { .. })));
    }
    assert!(batches(&[], 1.0, 1, &one).unwrap().plates.is_empty());
}
