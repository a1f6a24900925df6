//! When each plate prints, and on which machine: prints run alone, but somebody must change
//! plates, and somebody is not always there.
//!
//! Few plates are tried in every order on every machine. More start from lists (by due time, by
//! length, by weight, as given), each plate on the machine that ends it first, and single plates
//! and pairs are moved as long as that helps; so the outcome is never later than any of the lists.

use crate::error::{Error, Result};
use crate::job::Job;
use crate::layers::layers_to;
use crate::mechanics::time;
use crate::plate::Plate;
use crate::setup::Setup;
use serde::{Deserialize, Serialize};

/// A machine over time. Hours count from now.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct MachineHours {
    /// Name of its setup.
    pub name: String,
    /// When it is free, h.
    #[serde(default)]
    pub free_from_h: f64,
    /// When somebody is there to change plates: from and to, hours of the day, in order. Every day
    /// is alike. Empty: always.
    #[serde(default)]
    pub staffed: Vec<[f64; 2]>,
}

/// A plate to be printed.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PlateHours {
    /// Name of the plate.
    pub name: String,
    /// Time on each machine, h; `None` where it cannot be printed.
    pub on_h: Vec<Option<f64>>,
    /// When it should be done, h.
    #[serde(default)]
    pub due_h: Option<f64>,
    /// How much an hour too late matters.
    #[serde(default = "one")]
    pub weight: f64,
}

fn one() -> f64 {
    1.0
}

impl PlateHours {
    /// A plate without due time, on machines of these setups: where its plate is as large and it
    /// is no higher than the machine takes.
    pub fn new(plate: &Plate, setups: &[Setup]) -> PlateHours {
        let height = plate.height_mm();
        let on = |s: &Setup| {
            let m = &s.machine;
            let fits = plate.width_mm <= m.width_mm
                && plate.depth_mm <= m.depth_mm
                && height <= m.height_mm + 1e-6;
            fits.then(|| time::print_of(s, layers_to(height, s.exposure.layer_mm)) / 3600.0)
        };
        let on_h = setups.iter().map(on).collect();
        PlateHours { name: plate.name.clone(), on_h, due_h: None, weight: 1.0 }
    }
}

/// What is to be small.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Aim {
    /// When the last plate is done.
    Finish,
    /// Hours too late, each plate's times its weight, summed.
    Lateness,
}

/// Plates and machines to bring together.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Schedule {
    /// The machines.
    pub machines: Vec<MachineHours>,
    /// The plates.
    pub plates: Vec<PlateHours>,
    /// Time of day now, h.
    pub now_h: f64,
    /// Time that changing a plate takes, h; somebody is there all the while.
    pub change_over_h: f64,
    /// What matters most comes first.
    pub aims: Vec<Aim>,
}

/// One plate on one machine. Hours count from now.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct PlateRun {
    /// Index of the plate.
    pub plate: usize,
    /// Index of the machine.
    pub machine: usize,
    /// When somebody begins to change plates, h.
    pub change_h: f64,
    /// When the print begins, h.
    pub start_h: f64,
    /// When it is done, h.
    pub end_h: f64,
    /// How much too late that is, h.
    pub late_h: f64,
}

/// All runs, by their start.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Timeline {
    /// The runs.
    pub runs: Vec<PlateRun>,
    /// When the last is done, h.
    pub finish_h: f64,
    /// Weighted hours too late.
    pub lateness_h: f64,
}

/// Orders of plates, one for each machine.
type Queues = Vec<Vec<usize>>;

/// Up to so many orders all are tried.
const FEW_ORDERS: usize = 50_000;

impl Schedule {
    /// Finds who prints what and when.
    ///
    /// # Errors
    /// [`Error::Value`] for hours out of range, for a plate that no machine can print and when
    /// nobody is there for as long as a change takes; [`Error::Cancelled`].
    pub fn timeline(&self, job: &Job) -> Result<Timeline> {
        self.validate()?;
        let (n, m) = (self.plates.len(), self.machines.len());
        let orders = (0..n).try_fold(1usize, |all, k| all.checked_mul(m + k));
        let best = if orders.is_some_and(|o| o <= FEW_ORDERS) {
            let mut best = None;
            self.all_orders(0, &mut vec![Vec::new(); m], &mut best, job)?;
            best.map_or_else(|| vec![Vec::new(); m], |b: (Vec<f64>, Queues)| b.1)
        } else {
            let mut best: Option<(Vec<f64>, Queues)> = None;
            for list in self.lists() {
                let queues = self.improved(self.dealt(&list), job)?;
                let rank = self.rank(&queues);
                if best.as_ref().is_none_or(|b| rank < b.0) {
                    best = Some((rank, queues));
                }
            }
            best.map(|b| b.1).unwrap_or_default()
        };
        Ok(self.timed(&best))
    }

    fn validate(&self) -> Result<()> {
        let wrong = |place: String, value: String, expected: &str| {
            Err(Error::Value { place, value, expected: expected.into() })
        };
        if !(0.0..24.0).contains(&self.now_h) {
            return wrong("schedule.now_h".into(), self.now_h.to_string(), "0..24 h");
        }
        if !(0.0..=24.0).contains(&self.change_over_h) {
            let value = self.change_over_h.to_string();
            return wrong("schedule.change_over_h".into(), value, "0..=24 h");
        }
        for (k, m) in self.machines.iter().enumerate() {
            let at = |field: &str| format!("schedule.machines[{k}].{field}");
            if !(0.0..=1e5).contains(&m.free_from_h) {
                return wrong(at("free_from_h"), m.free_from_h.to_string(), "0..=100000 h");
            }
            let flat: Vec<f64> = m.staffed.concat();
            let ordered = flat.windows(2).all(|w| w[0] <= w[1]);
            let within = flat.iter().all(|h| (0.0..=24.0).contains(h));
            let long = m.staffed.iter().any(|s| s[1] - s[0] >= self.change_over_h);
            if !ordered || !within || !(m.staffed.is_empty() || long) {
                let expected = "hours of the day in order, one stretch as long as a change";
                return wrong(at("staffed"), format!("{:?}", m.staffed), expected);
            }
        }
        for (k, p) in self.plates.iter().enumerate() {
            let at = |field: &str| format!("schedule.plates[{k}].{field}");
            let good = |h: &f64| (0.0..=1e5).contains(h);
            if p.on_h.len() != self.machines.len() || !p.on_h.iter().flatten().all(good) {
                let expected = "a time of 0..=100000 h, or none, for each machine";
                return wrong(at("on_h"), format!("{:?}", p.on_h), expected);
            }
            if p.on_h.iter().all(Option::is_none) {
                return wrong(at("on_h"), p.name.clone(), "a plate that some machine can print");
            }
            let due = p.due_h.unwrap_or(0.0);
            if !due.is_finite() || !(0.0..=1e6).contains(&p.weight) {
                let value = format!("{due} h, weight {}", p.weight);
                return wrong(at("due_h"), value, "a due time and a weight of 0..=1000000");
            }
        }
        Ok(())
    }

    /// The first moment from `from_h` on at which a change may begin on a machine, h.
    fn next_change_h(&self, machine: usize, from_h: f64) -> f64 {
        let staffed = &self.machines[machine].staffed;
        if staffed.is_empty() {
            return from_h;
        }
        let mut day = ((self.now_h + from_h) / 24.0).floor();
        loop {
            for s in staffed.iter().filter(|s| s[1] - s[0] >= self.change_over_h) {
                let [open, close] = s.map(|h| 24.0 * day + h - self.now_h);
                let at = open.max(from_h);
                // A last bit of the clock shuts nobody out.
                if at + self.change_over_h <= close + 1e-9 {
                    return at;
                }
            }
            day += 1.0;
        }
    }

    fn run(&self, plate: usize, machine: usize, free_h: f64) -> Option<PlateRun> {
        let p = &self.plates[plate];
        let change_h = self.next_change_h(machine, free_h);
        let start_h = change_h + self.change_over_h;
        let end_h = start_h + p.on_h[machine]?;
        let late_h = p.due_h.map_or(0.0, |due| (end_h - due).max(0.0));
        Some(PlateRun { plate, machine, change_h, start_h, end_h, late_h })
    }

    fn timed(&self, queues: &Queues) -> Timeline {
        let mut runs: Vec<PlateRun> = Vec::with_capacity(self.plates.len());
        for (machine, queue) in queues.iter().enumerate() {
            let mut free_h = self.machines[machine].free_from_h;
            for run in queue.iter().filter_map(|&p| {
                let run = self.run(p, machine, free_h)?;
                free_h = run.end_h;
                Some(run)
            }) {
                runs.push(run);
            }
        }
        runs.sort_by(|a, b| a.start_h.total_cmp(&b.start_h).then(a.machine.cmp(&b.machine)));
        let finish_h = runs.iter().map(|r| r.end_h).fold(0.0, f64::max);
        let lateness_h = runs.iter().map(|r| r.late_h * self.plates[r.plate].weight).sum();
        Timeline { runs, finish_h, lateness_h }
    }

    /// Aims in their order, then the rest, then the sum of the ends; smaller is better.
    fn rank(&self, queues: &Queues) -> Vec<f64> {
        let t = self.timed(queues);
        let of = |a: &Aim| match a {
            Aim::Finish => t.finish_h,
            Aim::Lateness => t.lateness_h,
        };
        let mut rank: Vec<f64> = self.aims.iter().map(of).collect();
        rank.extend([t.finish_h, t.lateness_h, t.runs.iter().map(|r| r.end_h).sum()]);
        rank
    }

    /// Puts plate `k` and those after it everywhere.
    fn all_orders(
        &self,
        k: usize,
        queues: &mut Queues,
        best: &mut Option<(Vec<f64>, Queues)>,
        job: &Job,
    ) -> Result<()> {
        if k == self.plates.len() {
            let rank = self.rank(queues);
            if best.as_ref().is_none_or(|b| rank < b.0) {
                *best = Some((rank, queues.clone()));
            }
            return Ok(());
        }
        job.go_on()?;
        for m in 0..queues.len() {
            if self.plates[k].on_h[m].is_none() {
                continue;
            }
            for at in 0..=queues[m].len() {
                queues[m].insert(at, k);
                self.all_orders(k + 1, queues, best, job)?;
                queues[m].remove(at);
            }
        }
        Ok(())
    }

    /// Orders in which plates are dealt to machines.
    fn lists(&self) -> Vec<Vec<usize>> {
        let shortest = |p: &PlateHours| p.on_h.iter().flatten().copied().fold(f64::MAX, f64::min);
        let by = |key: &dyn Fn(&PlateHours) -> f64| {
            let mut list: Vec<usize> = (0..self.plates.len()).collect();
            list.sort_by(|&a, &b| key(&self.plates[a]).total_cmp(&key(&self.plates[b])));
            list
        };
        vec![
            (0..self.plates.len()).collect(),
            by(&|p| p.due_h.unwrap_or(f64::INFINITY)),
            by(&|p| -shortest(p)),
            by(&|p| shortest(p) / p.weight.max(1e-9)),
            by(&|p| p.due_h.map_or(f64::INFINITY, |d| d - shortest(p))),
        ]
    }

    /// List scheduling: each plate goes where it is done first.
    fn dealt(&self, list: &[usize]) -> Queues {
        let mut free: Vec<f64> = self.machines.iter().map(|m| m.free_from_h).collect();
        let mut queues = vec![Vec::new(); free.len()];
        for &p in list {
            let ends = (0..free.len()).filter_map(|m| Some((self.run(p, m, free[m])?.end_h, m)));
            if let Some((end_h, m)) = ends.min_by(|a, b| a.0.total_cmp(&b.0)) {
                free[m] = end_h;
                queues[m].push(p);
            }
        }
        queues
    }

    /// Moves single plates, and swaps pairs, as long as that helps.
    fn improved(&self, mut queues: Queues, job: &Job) -> Result<Queues> {
        let mut rank = self.rank(&queues);
        loop {
            let before = rank.clone();
            for p in 0..self.plates.len() {
                job.go_on()?;
                let mut without = queues.clone();
                without.iter_mut().for_each(|q| q.retain(|&k| k != p));
                for m in (0..queues.len()).filter(|&m| self.plates[p].on_h[m].is_some()) {
                    for at in 0..=without[m].len() {
                        let mut next = without.clone();
                        next[m].insert(at, p);
                        self.keep_better(next, &mut queues, &mut rank);
                    }
                }
                for q in 0..p {
                    let can = |k: usize, on: &Vec<usize>, m: usize| {
                        !on.contains(&k) || self.plates[p + q - k].on_h[m].is_some()
                    };
                    let mut next = queues.clone();
                    if next.iter().enumerate().all(|(m, on)| can(p, on, m) && can(q, on, m)) {
                        next.iter_mut().flatten().for_each(|k| {
                            if *k == p || *k == q {
                                *k = p + q - *k;
                            }
                        });
                        self.keep_better(next, &mut queues, &mut rank);
                    }
                }
            }
            if rank >= before {
                return Ok(queues);
            }
        }
    }

    fn keep_better(&self, next: Queues, queues: &mut Queues, rank: &mut Vec<f64>) {
        let new = self.rank(&next);
        if new < *rank {
            (*queues, *rank) = (next, new);
        }
    }
}
