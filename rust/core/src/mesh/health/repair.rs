//! Mends what can be mended without guessing, and says what it did.

use super::diagnose::{Health, diagnose, doubled, hole};
use super::fill::Rims;
use super::guess::{self, Guess};
use super::orient::{Kind, Patches, judge, turn};
use super::{flats, holes, is_flat};
use crate::codes::FindingCode;
use crate::error::{Error, Result};
use crate::finding::{Done, Finding, Report, Severity};
use crate::mesh::edges::{Edges, is_collapsed};
use crate::mesh::shells::Shells;
use crate::mesh::{Mesh, Point, Solid, polygon, weld};
use crate::options::{Options, options};
use serde::{Deserialize, Serialize};

/// Which holes are closed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Fill {
    /// Those up to a width: nothing that matters is guessed.
    #[default]
    Small,
    /// Those and all with a flat rim, by a flat face.
    Planar,
    /// All: those that are not flat by the smooth surface that folds least.
    All,
}

options! {
    /// How far repair may go.
    pub struct RepairOptions at "repair" {
        /// Vertices at open edges are merged when closer than this, mm. The default is a hundredth of
        /// the thinnest layer.
        weld_mm: f64 = 1e-4, in 0.0..=1.0 "mm", larger "wider cracks close; fine detail may fuse";
        /// Holes up to this span are filled, mm. A hole of three edges always is: one facet is
        /// missing, and there is but one way to put it back.
        hole_mm: f64 = 2.0, in 0.0..=1000.0 "mm", larger "larger holes are filled, flatly";
        /// Which wider ones are filled.
        fill: Fill = Fill::Small;
    }
}

impl RepairOptions {
    /// What to do about defects that are left.
    fn remedy(&self, left: &Health) -> String {
        let widest = left.widest_holes.first().map_or(0.0, |h| h.span_mm);
        if left.lacks_only_fillings() {
            format!(
                "to close all holes by a guessed surface set repair.fill = \"all\", to close those \
                 up to a width raise repair.hole_mm (now {}; the widest takes {:.3}), or close \
                 them in the modelling program",
                self.hole_mm,
                (widest * 1e3).ceil() / 1e3
            )
        } else {
            "to make a new surface around it set repair.strength = \"rebuild\", or mend it in the \
             modelling program"
                .into()
        }
    }
}

/// A mended mesh.
#[derive(Clone, Debug, PartialEq)]
pub struct Repaired {
    /// The proof.
    pub solid: Solid,
    /// For each facet the facet of the given mesh in whose place it lies; `None` where a hole was
    /// filled.
    pub origin: Vec<Option<u32>>,
}

impl Repaired {
    /// Flags of the given mesh's facets, such as those to be kept clean, for the mended one's.
    /// Facets that fill holes get the default.
    pub fn carry<T: Clone + Default>(&self, flags: &[T]) -> Vec<T> {
        let flag = |o: &Option<u32>| o.and_then(|f| flags.get(f as usize).cloned());
        self.origin.iter().map(|o| flag(o).unwrap_or_default()).collect()
    }
}

/// Longest hole that is filled, edges.
const MOST_EDGES: usize = 10_000;

/// How often shells are judged anew: a dropped or turned one can change how facets around an edge
/// of more than two pair up, and with that what is a shell. Two rounds did for all meshes tried.
const ROUNDS: usize = 4;

/// Makes a solid of a mesh: welds, drops doubled and flat facets, fins and slivers, turns facets and
/// shells that face the wrong way, and fills holes: small ones, and as [`RepairOptions::fill`] asks
/// wider ones, each told as a finding `filled` with place, width and how far it strays. A shell inside another that faces the
/// other way is a cavity and is kept. The report's numbers say what was done; a sound mesh comes
/// back as it was.
///
/// # Errors
/// [`Error::NotSolid`] with reason and place when mending would be guessing: holes wider than
/// [`RepairOptions::hole_mm`], one-sided surfaces, nothing that encloses a volume.
/// [`Error::Value`] for options out of range.
///
/// ```
/// use vatwright::mesh::health::{RepairOptions, repair};
/// use vatwright::mesh::shapes::cuboid;
/// use vatwright::{Mesh, Solid};
/// let (name, points, mut facets) = Mesh::from(cuboid(2.0, 2.0, 2.0)?).into_parts();
/// facets.pop(); // one is missing
/// let torn = Mesh::new(name, points, facets)?;
/// assert!(Solid::try_from(torn.clone()).is_err());
/// let mended = repair(torn, &RepairOptions::default())?;
/// assert_eq!(mended.value.solid.triangles().len(), 12);
/// # Ok::<(), vatwright::Error>(())
/// ```
pub fn repair(mesh: Mesh, options: &RepairOptions) -> Result<Done<Repaired>> {
    let given = mesh.triangles().len();
    Work::done(mesh, options)?.prove(given, options)
}

/// What mending leaves as it is without filling or leaving out anything that might be meant.
pub(crate) struct Mended {
    pub(crate) mesh: Mesh,
    pub(crate) report: Report,
    /// Facets of the surfaces that do not close.
    pub(crate) open: Vec<u32>,
}

/// Welds, drops what is there twice, and turns what faces the wrong way, as [`repair`] does.
pub(crate) fn mended(mesh: Mesh, options: &RepairOptions) -> Result<Mended> {
    let mut work = Work::begun(mesh, options)?;
    work.settle_shells(false);
    work.compact();
    let edges = work.edges();
    let patches = Patches::of(&work.triangles, &edges);
    let closed = patches.closed(&edges);
    let open = (0..closed.len()).filter(|&p| !closed[p]);
    let mut open: Vec<u32> = open.flat_map(|p| patches.shells.facets(p)).copied().collect();
    open.sort_unstable();
    Ok(Mended { mesh: work.take_mesh()?, report: work.report, open })
}

struct Work {
    name: String,
    vertices: Vec<Point>,
    triangles: Vec<[u32; 3]>,
    origin: Vec<Option<u32>>,
    report: Report,
    /// Whether a surface has only one side, so that its facets cannot face alike.
    one_sided: bool,
}

impl Work {
    /// Up to where holes are found.
    fn begun(mesh: Mesh, options: &RepairOptions) -> Result<Work> {
        options.check_ranges()?;
        let given = mesh.vertices().len();
        let notes = mesh.notes().to_vec();
        let (name, vertices, triangles) = mesh.welded(0.0).into_parts();
        let origin = (0..triangles.len() as u32).map(Some).collect();
        let mut report = Report::new("repair", &name);
        let said = |note: String| Finding::new(FindingCode::Reading, Severity::Note, &name, note);
        report.findings.extend(notes.into_iter().map(said));
        let mut work = Work { name, vertices, triangles, origin, report, one_sided: false };

        work.count("welded_vertices", given - work.vertices.len());
        work.drop_collapsed_and_doubled();
        work.drop_sheets();
        work.weld_at_open_edges(options.weld_mm);
        work.drop_fins();
        work.turn_facets();
        Ok(work)
    }

    /// All that can be done without a proof.
    fn done(mesh: Mesh, options: &RepairOptions) -> Result<Work> {
        let mut work = Work::begun(mesh, options)?;
        work.fill_holes(options);
        work.mend_flats();
        for _ in 0..ROUNDS {
            if !work.settle_shells(true) {
                break;
            }
        }
        Ok(work)
    }

    /// Adds to a number of the report.
    fn count(&mut self, what: &str, by: usize) {
        *self.report.numbers.entry(what.into()).or_default() += by as f64;
    }

    fn edges(&self) -> Edges {
        Edges::of(self.vertices.len(), &self.triangles)
    }

    /// Renames vertices; the old ones stay until the end.
    fn rename(&mut self, map: impl Fn(u32) -> u32) {
        for t in &mut self.triangles {
            *t = t.map(&map);
        }
    }

    /// Drops facets by rising number.
    fn drop_facets(&mut self, facets: &[u32]) {
        let mut next = facets.iter().peekable();
        let mut kept = 0;
        for f in 0..self.triangles.len() {
            if next.next_if(|&&d| d as usize == f).is_none() {
                self.triangles[kept] = self.triangles[f];
                self.origin[kept] = self.origin[f];
                kept += 1;
            }
        }
        self.triangles.truncate(kept);
        self.origin.truncate(kept);
    }

    fn drop_collapsed_and_doubled(&mut self) {
        self.drop_collapsed();
        let edges = self.edges();
        let mut drop = Vec::new();
        for group in doubled(&self.triangles, &edges) {
            // One of each sense is kept at first.
            let sense = |f: u32| {
                let t = self.triangles[f as usize];
                let low = (0..3).min_by_key(|&k| t[k]).expect("three corners");
                t[(low + 1) % 3] < t[(low + 2) % 3]
            };
            let (first, rest) = (group[0], &group[1..]);
            let opposite = rest.iter().copied().find(|&f| sense(f) != sense(first));
            drop.extend(rest.iter().copied().filter(|&f| Some(f) != opposite));
            // Two back to back enclose nothing. Where the surface around lacks one facet, one
            // stays; where it lacks none, both are left, for they may be where two bodies touch.
            if let Some(opposite) = opposite {
                let t = self.triangles[first as usize];
                let others = |k: usize| edges.between(t[k], t[(k + 1) % 3]).len() - group.len();
                let lacking = (0..3).filter(|&k| others(k) % 2 == 1);
                if lacking.count() >= 2 {
                    drop.push(opposite);
                }
            }
        }
        drop.sort_unstable();
        self.count("dropped_doubled_facets", drop.len());
        self.drop_facets(&drop);
    }

    /// Drops surfaces of which every facet is there twice, back to back: they enclose nothing.
    fn drop_sheets(&mut self) {
        let edges = self.edges();
        let mut paired = vec![false; self.triangles.len()];
        for &f in doubled(&self.triangles, &edges).iter().flatten() {
            paired[f as usize] = true;
        }
        if !paired.contains(&true) {
            return;
        }
        let shells = Shells::of(&self.triangles, &edges);
        let mut drop: Vec<u32> = (0..shells.count())
            .map(|s| shells.facets(s))
            .filter(|facets| facets.iter().all(|&f| paired[f as usize]))
            .flatten()
            .copied()
            .collect();
        drop.sort_unstable();
        if let Some(&first) = drop.first() {
            let [a, b, c] =
                self.triangles[first as usize].map(|v| self.vertices[v as usize].coords);
            let message =
                format!("doubled faces that enclose nothing were left out: {}", drop.len());
            self.report.findings.push(
                Finding::new(FindingCode::Sheet, Severity::Warning, &self.name, message)
                    .at(((a + b + c) / 3.0).into())
                    .remedy("give the sheet a thickness in the modelling program to print it"),
            );
        }
        self.count("dropped_sheet_facets", drop.len());
        self.drop_facets(&drop);
    }

    fn drop_collapsed(&mut self) {
        let collapsed = (0..self.triangles.len() as u32)
            .filter(|&f| is_collapsed(&self.triangles[f as usize]))
            .collect::<Vec<u32>>();
        self.count("dropped_flat_facets", collapsed.len());
        self.drop_facets(&collapsed);
    }

    fn weld_at_open_edges(&mut self, near_mm: f64) {
        let edges = self.edges();
        let open = edges.iter().filter(|e| e.sides.len() % 2 == 1);
        let mut ends: Vec<u32> = open.flat_map(|e| [e.low, e.high]).collect();
        if near_mm == 0.0 || ends.is_empty() {
            return;
        }
        ends.sort_unstable();
        ends.dedup();
        let map = weld::merge_near(&self.vertices, ends.iter().copied(), near_mm);
        let merged = ends.iter().filter(|&&v| map[v as usize] != v).count();
        self.count("welded_vertices", merged);
        if merged > 0 {
            self.rename(|v| map[v as usize]);
            self.drop_collapsed_and_doubled();
        }
    }

    fn drop_fins(&mut self) {
        let fins = flats::fins(&self.vertices, &self.triangles, &self.edges());
        self.count("dropped_fins", fins.len());
        self.drop_facets(&fins);
    }

    fn turn_facets(&mut self) {
        let patches = Patches::of(&self.triangles, &self.edges());
        self.one_sided = patches.twist.is_some();
        if !self.one_sided {
            self.count("turned_facets", patches.turned.len());
            turn(&mut self.triangles, &patches.turned);
        }
    }

    /// Fills the holes that are to be filled, and tells what was guessed.
    fn fill_holes(&mut self, options: &RepairOptions) {
        let edges = self.edges();
        let own = self.triangles.len();
        let mut guesses = Vec::new();
        let mut rims = None;
        for ring in holes::rings(&edges) {
            if ring.len() > MOST_EDGES {
                continue;
            }
            let points: Vec<Point> = ring.iter().map(|&v| self.vertices[v as usize]).collect();
            let small = ring.len() == 3 || holes::span_mm(&self.vertices, &ring) <= options.hole_mm;
            let flat = small || holes::is_flat_ring(&points);
            let wanted = match options.fill {
                Fill::Small => small,
                Fill::Planar => flat,
                Fill::All => true,
            };
            if !wanted {
                continue;
            }
            let first = self.triangles.len();
            if flat {
                let filling = polygon::triangulate(&points);
                self.triangles.extend(filling.iter().map(|t| t.map(|i| ring[i])));
            } else {
                let (vertices, own) = (&self.vertices, &self.triangles[..own]);
                let rims = rims.get_or_insert_with(|| Rims::of(own, &edges));
                let filling = rims.fill(&ring, &points, vertices, own, &edges);
                let inner = self.vertices.len() as u32;
                self.vertices.extend(filling.inner);
                let name = |v: u32| match ring.get(v as usize) {
                    Some(&corner) => corner,
                    None => inner + v - ring.len() as u32,
                };
                self.triangles.extend(filling.triangles.iter().map(|t| t.map(name)));
            }
            self.count("filled_holes", 1);
            self.count("filling_facets", self.triangles.len() - first);
            if !small {
                let hole = hole(&self.vertices, &ring);
                guesses.push(Guess { hole, flat, facets: first..self.triangles.len() });
            }
        }
        self.origin.resize(self.triangles.len(), None);
        self.report.findings.extend(guess::findings(
            guesses,
            &self.name,
            &self.vertices,
            &self.triangles,
            own,
        ));
    }

    fn mend_flats(&mut self) {
        let needles = flats::needles(&self.vertices, &self.triangles);
        if !needles.is_empty() {
            let mut map: Vec<u32> = (0..self.vertices.len() as u32).collect();
            for (from, to) in needles {
                // By rising number, so that what `to` became is final.
                map[from as usize] = map[to as usize];
            }
            self.rename(|v| map[v as usize]);
            self.drop_collapsed();
        }
        let done = flats::exchange(&self.vertices, &mut self.triangles, &mut self.origin);
        self.count("exchanged_flat_facets", done);
        let left = self.triangles.iter().filter(|t| is_flat(&self.vertices, t)).count();
        self.count("remaining_flat_facets", left);
    }

    /// Turns shells that are inside out and drops slivers, if asked; returns whether there were any.
    fn settle_shells(&mut self, drop_slivers: bool) -> bool {
        let edges = self.edges();
        let patches = Patches::of(&self.triangles, &edges);
        let closed = patches.closed(&edges);
        let mesh = Mesh {
            vertices: std::mem::take(&mut self.vertices),
            triangles: std::mem::take(&mut self.triangles),
            ..Mesh::default()
        };
        let kinds = judge(&mesh, &patches, &closed);
        (_, self.vertices, self.triangles) = mesh.into_parts();
        let of_kind = |wanted: &dyn Fn(Kind) -> bool| {
            let shells = (0..kinds.len()).filter(|&p| wanted(kinds[p]));
            let mut facets: Vec<u32> =
                shells.clone().flat_map(|p| patches.shells.facets(p)).copied().collect();
            facets.sort_unstable();
            (shells.count(), facets)
        };
        let (turned, facets) = of_kind(&Kind::is_turned);
        self.count("turned_shells", turned);
        turn(&mut self.triangles, &facets);
        let (dropped, facets) = of_kind(&|k| drop_slivers && k == Kind::Sliver);
        self.count("dropped_slivers", dropped);
        self.drop_facets(&facets);
        turned + dropped > 0
    }

    fn prove(mut self, given: usize, options: &RepairOptions) -> Result<Done<Repaired>> {
        if self.triangles.is_empty() && given > 0 {
            let numbers = self.report.numbers.iter().filter(|(_, n)| **n > 0.0);
            let dropped = numbers.map(|(what, n)| format!("{what} {n}")).collect::<Vec<_>>();
            let problem = format!(
                "nothing is left of its facets, {given} in number ({}): they enclose nothing",
                dropped.join(", ").replace('_', " ")
            );
            let remedy = "give sheets a thickness in the modelling program, or check the export";
            return Err(self.refuse(problem, remedy));
        }
        self.compact();
        let closed = !self.one_sided && self.edges().iter().all(|e| e.balance() == 0);
        let mesh = self.take_mesh()?;
        if !closed {
            let health = diagnose(&mesh);
            return Err(self.refuse(health.summary(), &options.remedy(&health)));
        }
        let solid = Solid::try_from(mesh)?;
        let mut report = self.report;
        if report.numbers["remaining_flat_facets"] > 0.0 {
            let finding = Finding::new(
                FindingCode::FlatFacets,
                Severity::Note,
                &self.name,
                "some facets without area could not be taken out; they do no harm",
            );
            report.findings.push(finding);
        }
        Ok(Done { value: Repaired { solid, origin: self.origin }, report })
    }

    /// Leaves out vertices that no facet uses.
    fn compact(&mut self) {
        let mut used = vec![false; self.vertices.len()];
        for &v in self.triangles.as_flattened() {
            used[v as usize] = true;
        }
        let mut next = 0;
        let index: Vec<u32> = used
            .iter()
            .map(|&u| {
                next += u32::from(u);
                next.wrapping_sub(1)
            })
            .collect();
        let mut keep = used.iter();
        self.vertices.retain(|_| *keep.next().expect("one flag a vertex"));
        self.rename(|v| index[v as usize]);
    }

    /// What has become of the mesh; nothing of it stays here.
    fn take_mesh(&mut self) -> Result<Mesh> {
        let (vertices, triangles) = (&mut self.vertices, &mut self.triangles);
        Mesh::new(self.name.clone(), std::mem::take(vertices), std::mem::take(triangles))
    }

    fn refuse(&self, problem: String, remedy: &str) -> Error {
        Error::NotSolid { name: self.name.clone(), problem, remedy: remedy.into() }
    }
}
