//! Who shares a plate with whom, shapes aside: parallel batching of jobs with sizes.
//!
//! A plate takes the time of its slowest part, and its parts take no more room than it has. That
//! is 1|p-batch, s_j|Cmax (Uzsoy 1994), a relaxation of packing whenever sizes and capacity are
//! measured so that whatever fits a plate also fits by size. It is solved as a covering problem
//! with one column for each filling of a plate (Gilmore & Gomory 1961); columns are made when
//! they pay. Prices from the linear programme prove a lower bound in whole numbers (Farley 1990),
//! rounding fillings up gives a plan.

mod dive;
mod exact;
mod knapsack;
mod master;

use crate::error::{Error, Result};
use crate::job::Job;

/// A part in time and size.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BatchJob {
    /// Time of a plate that this part tops.
    pub time: f64,
    /// What it takes of a plate, in the unit of the capacity.
    pub size: f64,
}

/// Plates for jobs, and what no plan can beat.
#[derive(Clone, Debug, PartialEq)]
pub struct Batches {
    /// Indices of the jobs on each plate.
    pub plates: Vec<Vec<usize>>,
    /// Sum of the plates' times.
    pub time: f64,
    /// Proven lower bound of that sum.
    pub bound: f64,
}

/// Whole units in which sizes are counted, to a plate.
pub(super) const UNITS: u32 = 4096;

/// Steps in which times are counted, to a unit of time.
pub(super) const STEPS: f64 = 1e6;

/// Shares plates of one capacity among jobs. `effort` is the number of linear programmes that
/// the search for a plan may solve; the bound needs but one.
///
/// Whole sizes and a whole capacity up to 4096 are taken as they are. Others are rounded to
/// 1/4096 of the capacity: down for the bound, so that it holds, and up for the plan, so that it
/// fits.
///
/// # Errors
/// [`Error::Value`] when a job is larger than the capacity, or a number is negative or not finite;
/// [`Error::Cancelled`] when the job is cancelled.
pub fn batches(jobs: &[BatchJob], capacity: f64, effort: usize, job: &Job) -> Result<Batches> {
    let wrong = |place: String, value: f64, expected: String| {
        Err(Error::Value { place, value: value.to_string(), expected })
    };
    if !(capacity > 0.0 && capacity.is_finite()) {
        return wrong("batches.capacity".into(), capacity, "numbers above nought".into());
    }
    for (i, j) in jobs.iter().enumerate() {
        if !(0.0..=capacity).contains(&j.size) {
            let expected = format!("0..={capacity}: a job alone fits the capacity");
            return wrong(format!("batches.jobs[{i}].size"), j.size, expected);
        }
        if !(0.0..=LONGEST).contains(&j.time) {
            return wrong(format!("batches.jobs[{i}].time"), j.time, format!("0..={LONGEST}"));
        }
    }
    let is_whole = |x: f64| x.fract() == 0.0;
    let whole =
        is_whole(capacity) && capacity <= f64::from(UNITS) && jobs.iter().all(|j| is_whole(j.size));
    let units = if whole { capacity as u32 } else { UNITS };
    let problem = |round: fn(f64) -> f64| {
        let kind = |j: &BatchJob| Kind {
            costs: vec![steps(j.time)],
            sizes: vec![Some(units_of(j.size, capacity, units, round))],
        };
        Problem::new(&jobs.iter().map(kind).collect::<Vec<_>>(), &[units])
    };
    let bound = problem(f64::floor).lower_bound(job)?;
    let inner = problem(f64::ceil);
    let plan = dive::plan(&inner, bound, effort, job)?;
    let plates = inner.members(&plan);
    let slowest = |p: &Vec<usize>| p.iter().map(|&j| jobs[j].time).fold(0.0, f64::max);
    let time = plates.iter().map(slowest).sum();
    Ok(Batches { plates, time, bound: time_of(bound) })
}

/// Longest time of a job: sums of many stay whole numbers of steps.
const LONGEST: f64 = 1e9;

/// A size in whole units.
pub(super) fn units_of(size: f64, capacity: f64, units: u32, round: fn(f64) -> f64) -> u32 {
    // A share that is whole but for its last bits stays whole.
    let exact = size / capacity * f64::from(units);
    let near = exact.round();
    let exact = if (exact - near).abs() < 1e-9 * near { near } else { exact };
    round(exact).clamp(0.0, f64::from(units)) as u32
}

/// A time in whole steps, down but for its last bits.
pub(super) fn steps(time: f64) -> u64 {
    (time * STEPS * (1.0 + 1e-14)) as u64
}

/// A bound as a time, less what [`steps`] may have added.
pub(super) fn time_of(steps: u64) -> f64 {
    steps as f64 / STEPS * (1.0 - 1e-13)
}

/// A part as the problem sees it: its cost on top of a plate and its size, for each kind of plate.
/// It has no size where it cannot go.
#[derive(Clone, Debug)]
pub(super) struct Kind {
    pub(super) costs: Vec<u64>,
    pub(super) sizes: Vec<Option<u32>>,
}

/// One kind of plate.
#[derive(Clone, Debug)]
struct Bin {
    capacity: u32,
    /// Size of each row.
    sizes: Vec<Option<u32>>,
    /// Cost of a plate that the row tops; never falls from row to row.
    costs: Vec<u64>,
}

/// Parts alike are one row, cheapest first.
#[derive(Clone, Debug)]
pub(super) struct Problem {
    bins: Vec<Bin>,
    /// Parts of each row.
    demand: Vec<u32>,
    /// Row of each part given.
    row_of: Vec<usize>,
}

impl Problem {
    /// Every part must have a size on some kind of plate, and the order of costs must be the same
    /// on all of them.
    pub(super) fn new(kinds: &[Kind], capacities: &[u32]) -> Problem {
        let key = |i: &usize| (&kinds[*i].costs, &kinds[*i].sizes);
        let mut order: Vec<usize> = (0..kinds.len()).collect();
        order.sort_by(|a, b| key(a).cmp(&key(b)));
        let rows: Vec<&[usize]> = order.chunk_by(|a, b| key(a) == key(b)).collect();
        let mut row_of = vec![0; kinds.len()];
        for (r, row) in rows.iter().enumerate() {
            row.iter().for_each(|&i| row_of[i] = r);
        }
        let bin = |(b, &capacity): (usize, &u32)| Bin {
            capacity,
            sizes: rows.iter().map(|r| kinds[r[0]].sizes[b].filter(|s| *s <= capacity)).collect(),
            costs: rows.iter().map(|r| kinds[r[0]].costs[b]).collect(),
        };
        let bins: Vec<Bin> = capacities.iter().enumerate().map(bin).collect();
        debug_assert!(bins.iter().all(|b| b.costs.is_sorted()));
        Problem { bins, demand: rows.iter().map(|r| r.len() as u32).collect(), row_of }
    }

    pub(super) fn rows(&self) -> usize {
        self.demand.len()
    }

    /// Row of each part to be placed.
    fn parts(&self) -> Vec<usize> {
        let rows = self.demand.iter().enumerate();
        rows.flat_map(|(r, &n)| std::iter::repeat_n(r, n as usize)).collect()
    }

    /// The parts, by their number, on each plate of a plan.
    fn members(&self, plan: &[Column]) -> Vec<Vec<usize>> {
        let mut waiting: Vec<Vec<usize>> = vec![Vec::new(); self.rows()];
        for (i, &row) in self.row_of.iter().enumerate().rev() {
            waiting[row].push(i);
        }
        let plate = |c: &Column| {
            let mut plate: Vec<usize> =
                c.rows().map(|r| waiting[r].pop().expect("a plan covers no row twice")).collect();
            plate.sort_unstable();
            plate
        };
        plan.iter().map(plate).collect()
    }
}

/// A filling of a plate.
#[derive(Clone, Debug, PartialEq)]
struct Column {
    bin: usize,
    /// Rows, slowest first, and how many of each.
    counts: Vec<(usize, u32)>,
    cost: u64,
}

impl Column {
    fn new(problem: &Problem, bin: usize, mut counts: Vec<(usize, u32)>) -> Column {
        counts.sort_unstable_by(|a, b| b.cmp(a));
        let cost = counts.first().map_or(0, |&(top, _)| problem.bins[bin].costs[top]);
        Column { bin, counts, cost }
    }

    /// A filling of single parts, given by their rows.
    fn of_rows(problem: &Problem, bin: usize, mut rows: Vec<usize>) -> Column {
        rows.sort_unstable();
        let same = rows.chunk_by(|a, b| a == b);
        Column::new(problem, bin, same.map(|s| (s[0], s.len() as u32)).collect())
    }

    /// Number of parts.
    fn parts(&self) -> usize {
        self.counts.iter().map(|c| c.1 as usize).sum()
    }

    /// Row of each part.
    fn rows(&self) -> impl Iterator<Item = usize> + '_ {
        self.counts.iter().flat_map(|&(r, n)| std::iter::repeat_n(r, n as usize))
    }

    /// The same plate with no more than what is left to do.
    fn within(&self, problem: &Problem, left: &[u32]) -> Column {
        let counts = self.counts.iter().map(|&(r, n)| (r, n.min(left[r])));
        Column::new(problem, self.bin, counts.filter(|c| c.1 > 0).collect())
    }
}
