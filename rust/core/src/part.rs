//! The part: the user's solid, its pose, and what the passes added, kept apart by role.

use crate::appearance::{Appearance, Up};
use crate::base::Base;
use crate::error::{Error, Result};
use crate::job::Job;
use crate::layers::{self, Fill, Surface};
use crate::mesh::boolean::{Cut, Source};
use crate::mesh::{Bounds, Mesh, Point, Pose, Solid, Vector};
use crate::options::Options;
use serde::{Deserialize, Deserializer, Serialize, Serializer, de};
use std::sync::Arc;

/// What a piece of geometry is for. Estimate reports resin by role; export can leave roles out.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Role {
    /// The user's model with its cavities and vents.
    Body,
    /// Lattice inside a cavity.
    Lattice,
    /// Columns, braces, tips and feet.
    Support,
    /// The base under the supports.
    Raft,
}

impl Role {
    /// Every role, in the order reports use.
    pub const ALL: [Role; 4] = [Role::Body, Role::Lattice, Role::Support, Role::Raft];

    /// Colour in pictures and models, red, green, blue. Chosen to differ in lightness as well as
    /// in hue.
    pub fn colour(self) -> [u8; 3] {
        match self {
            Role::Body => [0xd8, 0xc9, 0xae],
            Role::Lattice => [0xb0, 0x7d, 0x3c],
            Role::Support => [0x2b, 0x7a, 0x9b],
            Role::Raft => [0x6d, 0x78, 0x80],
        }
    }

    /// Word used in reports and file names.
    pub fn word(self) -> &'static str {
        match self {
            Role::Body => "body",
            Role::Lattice => "lattice",
            Role::Support => "support",
            Role::Raft => "raft",
        }
    }
}

/// A hole that lets air in or resin out. Coordinates are the body's own.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct VentHole {
    /// Centre of the mouth on the outer surface, mm.
    pub mouth: Point,
    /// Unit direction of the bore, from the mouth into the cavity.
    pub inward: Vector,
    /// Diameter of the bore, mm.
    pub diameter_mm: f64,
    /// Length of the bore through the wall, mm.
    pub length_mm: f64,
    /// The cavity it serves, counted from 1 as in the report of the vent pass: entry
    /// `cavity - 1` of [`Part::drainage`].
    pub cavity: u32,
    /// Its stopper, as an index into [`Part::plugs`].
    #[serde(default)]
    pub plug: Option<u32>,
    /// Whether it leads from void to void within the part, where nobody can close it.
    #[serde(default)]
    pub inner: bool,
}

impl VentHole {
    /// Longest stopper that is made for it, mm: one longer than two diameters holds no better.
    pub(crate) fn longest_stopper_mm(&self) -> f64 {
        2.0 * self.diameter_mm
    }
}

/// What a bar carries that holds stoppers while they print.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct PlugBar {
    /// Name of the part whose holes they close.
    pub part: String,
    /// Their names, in the order of the numbers on the bar.
    pub plugs: Vec<String>,
}

/// What the vent pass found of a cavity: how long it drains, and what stays in it.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Drainage {
    /// Its volume, ml.
    pub volume_ml: f64,
    /// Time to drain with its drain at the lowest place, down to what the drain holds back, s; 0
    /// where nothing has to run out. `None`: it does not drain by itself, or was turned since and nobody knows.
    pub drain_s: Option<f64>,
    /// Liquid resin that stays in it by itself, ml: the washing has to get it out.
    pub retained_ml: f64,
    /// Pressure in it while the part lifts, kPa.
    pub pressure_kpa: f64,
}

/// One end of a support on the part. Coordinates are the plate's.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Tip {
    /// Where it touches the part, mm.
    pub contact: Point,
    /// Outward unit normal of the part there.
    pub normal: Vector,
    /// Diameter of the break-off neck, mm.
    pub diameter_mm: f64,
    /// Node of [`Supports::nodes`] at the neck's wide end.
    pub node: u32,
    /// Facet of the body that it touches; none on the wall of a cavity or on lattice.
    pub facet: Option<u32>,
}

/// A bar between two nodes of [`Supports::nodes`]: column, brace or trunk.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Member {
    /// Start node.
    pub a: u32,
    /// End node.
    pub b: u32,
    /// Diameter, mm.
    pub diameter_mm: f64,
}

/// The supports of one part as a structure and as geometry. Coordinates are the plate's.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Supports {
    /// Joints, mm.
    pub nodes: Vec<Point>,
    /// Nodes that stand on raft, plate or part and do not move.
    pub feet: Vec<u32>,
    /// Bars between nodes.
    pub members: Vec<Member>,
    /// Contacts that carry the part.
    pub tips: Vec<Tip>,
    /// Contacts on which columns stand where no way led to raft or plate; their nodes are feet.
    pub landings: Vec<Tip>,
    /// Watertight pieces, overlapping by design; the layers fuse them by winding.
    pub mesh: Mesh,
}

/// A solid on its way to a plate. Passes take a part and return a changed one; the parts share
/// unchanged geometry. What is read from bytes is checked: indices in range, numbers finite.
///
/// ```
/// use vatwright::{Part, mesh::shapes::cuboid};
/// let part = Part::new(cuboid(10.0, 20.0, 5.0)?);
/// assert_eq!(part.bounds().min.z, 0.0); // stands on the plate
/// # Ok::<(), vatwright::Error>(())
/// ```
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(remote = "Self")]
pub struct Part {
    /// Name used in reports and files.
    pub name: String,
    /// The body in its own coordinates.
    pub body: Solid,
    /// Takes body coordinates to plate coordinates.
    pub pose: Pose,
    /// One flag a facet of the body: the user wants it free of marks and steps. Empty: none.
    pub keep_clean: Arc<Vec<bool>>,
    /// How much each facet of the body is looked at; none before anybody asked.
    #[serde(default)]
    pub appearance: Option<Arc<Appearance>>,
    /// Closed surfaces of hollowed cavities, facing into the cavity; body coordinates.
    pub cavities: Vec<Arc<Mesh>>,
    /// Lattice inside the cavities; body coordinates.
    pub lattice: Option<Arc<Mesh>>,
    /// Holes cut by the vent pass (already part of the body's surface).
    pub vents: Vec<VentHole>,
    /// What the vent pass found of each cavity, in the order of their numbers.
    #[serde(default)]
    pub drainage: Vec<Drainage>,
    /// Stoppers for the vents, parts of their own.
    pub plugs: Vec<Solid>,
    /// What it carries, if it is a bar of stoppers.
    #[serde(default)]
    pub bar: Option<PlugBar>,
    /// How far the body's first layers were drawn in on all sides, mm.
    pub inset_mm: f64,
    /// The body as it was asked for, facet by facet, where it was moved against the light.
    #[serde(default)]
    pub asked: Option<Arc<Mesh>>,
    /// The base; plate coordinates.
    pub raft: Option<Arc<Base>>,
    /// The supports; plate coordinates.
    pub supports: Option<Arc<Supports>>,
}

impl Serialize for Part {
    fn serialize<S: Serializer>(&self, serializer: S) -> std::result::Result<S::Ok, S::Error> {
        Part::serialize(self, serializer)
    }
}

impl<'de> Deserialize<'de> for Part {
    fn deserialize<D: Deserializer<'de>>(source: D) -> std::result::Result<Part, D::Error> {
        let part = Part::deserialize(source)?;
        match part.flaw() {
            None => Ok(part),
            Some(flaw) => Err(de::Error::custom(flaw)),
        }
    }
}

/// How far the square of a rotation's length may be from 1.
const TURN_SLACK: f64 = 1e-6;

/// Directions of a printed part's up that differ by less are one: a tenth of a degree moves no
/// drain by a layer over a part's width.
const SAME_UP: f64 = 2e-3;

impl Part {
    /// What of its promises a part breaks that came from outside.
    fn flaw(&self) -> Option<&'static str> {
        let finite = |p: &Point| p.iter().all(|c| c.is_finite());
        let turn = self.pose.rotation.norm_squared();
        let holds = |s: &Supports| {
            let known = |&node: &u32| (node as usize) < s.nodes.len();
            let tips = || s.tips.iter().chain(&s.landings);
            s.nodes.iter().all(finite)
                && s.feet.iter().all(known)
                && s.members.iter().all(|m| known(&m.a) && known(&m.b) && m.diameter_mm > 0.0)
                && tips().all(|t| {
                    known(&t.node)
                        && finite(&t.contact)
                        && finite(&Point::from(t.normal))
                        && t.diameter_mm > 0.0
                        && t.facet.is_none_or(|f| (f as usize) < self.body.triangles().len())
                })
        };
        let vents = self.vents.iter().all(|v| {
            finite(&v.mouth)
                && finite(&Point::from(v.inward))
                && v.diameter_mm > 0.0
                && v.length_mm >= 0.0
                && v.plug.is_none_or(|plug| (plug as usize) < self.plugs.len())
        });
        let drains = |d: &Drainage| {
            [d.volume_ml, d.drain_s.unwrap_or(0.0), d.retained_ml, d.pressure_kpa]
                .iter()
                .all(|n| n.is_finite() && *n >= 0.0)
        };
        let flags = self.keep_clean.len();
        let asked = |a: &Mesh| a.triangles() == self.body.triangles();
        [
            (finite(&self.pose.translation.vector.into()), "its place is not finite"),
            ((turn - 1.0).abs() < TURN_SLACK, "its pose is no rotation"),
            (flags == 0 || flags == self.body.triangles().len(), "its flags do not fit its facets"),
            (self.inset_mm.is_finite(), "its inset is not finite"),
            (self.asked.as_deref().is_none_or(asked), "what was asked for has other facets"),
            (vents, "a vent has no size, place or stopper"),
            (self.drainage.iter().all(drains), "what its cavities hold is no amount"),
            (self.supports.as_ref().is_none_or(|s| holds(s)), "its supports refer to nothing"),
            (
                self.raft.as_ref().is_none_or(|r| r.plan.check_ranges().is_ok()),
                "its base is no base",
            ),
        ]
        .into_iter()
        .find_map(|(sound, flaw)| (!sound).then_some(flaw))
    }

    /// A part standing on the plate as modelled, its box centred on the origin.
    pub fn new(body: Solid) -> Part {
        let mut part = Part {
            name: body.name().into(),
            body,
            pose: Pose::identity(),
            keep_clean: Arc::default(),
            appearance: None,
            cavities: Vec::new(),
            lattice: None,
            vents: Vec::new(),
            drainage: Vec::new(),
            plugs: Vec::new(),
            bar: None,
            inset_mm: 0.0,
            asked: None,
            raft: None,
            supports: None,
        };
        part.settle(0.0);
        part
    }

    /// Moves the part without turning it: box centred on x = y = 0, lowest point at `z_mm`.
    pub(crate) fn settle(&mut self, z_mm: f64) {
        let b = self.body.bounds_at(&self.pose);
        let c = b.center();
        self.pose.translation.vector -= Vector::new(c.x, c.y, b.min.z - z_mm);
    }

    /// The part turned to a new rotation and set on the plate, lowest point at `z_mm`.
    ///
    /// # Errors
    /// [`Error::Pass`] when the part already stands on supports or a raft, or was compensated.
    ///
    /// ```
    /// use vatwright::{Part, Vector, mesh::shapes::cuboid};
    /// use nalgebra::UnitQuaternion;
    /// let flat = Part::new(cuboid(10.0, 20.0, 5.0)?);
    /// let quarter = UnitQuaternion::from_axis_angle(&Vector::y_axis(), std::f64::consts::FRAC_PI_2);
    /// let upright = flat.turned(quarter, 0.0)?;
    /// assert!((upright.bounds().max.z - 10.0).abs() < 1e-9);
    /// # Ok::<(), vatwright::Error>(())
    /// ```
    pub fn turned(&self, rotation: nalgebra::UnitQuaternion<f64>, z_mm: f64) -> Result<Part> {
        if self.raft.is_some() || self.supports.is_some() {
            return Err(Error::Pass {
                pass: "orient",
                part: self.name.clone(),
                problem: "it already stands on a raft or supports".into(),
                remedy: "orient before raft and support".into(),
            });
        }
        self.not_compensated("orient")?;
        let mut part = self.clone();
        // A cavity drains otherwise once its holes lie elsewhere; a turn about z changes nothing.
        let up = |r: &nalgebra::UnitQuaternion<f64>| r.inverse() * Vector::z();
        if (up(&rotation) - up(&self.pose.rotation)).norm() > SAME_UP {
            part.drainage.iter_mut().for_each(|d| d.drain_s = None);
        }
        part.pose.rotation = rotation;
        part.settle(z_mm);
        Ok(part)
    }

    /// Refuses what would turn, move or cut a body that was moved against the light.
    pub(crate) fn not_compensated(&self, pass: &'static str) -> Result<()> {
        if self.asked.is_none() {
            return Ok(());
        }
        Err(Error::Pass {
            pass,
            part: self.name.clone(),
            problem: "it was compensated for the place where it stands".into(),
            remedy: format!("put {pass} before compensate"),
        })
    }

    /// The part without raft and supports, at its pose.
    pub fn bare(&self) -> Part {
        Part { raft: None, supports: None, ..self.clone() }
    }

    /// Whether both are prints of the very same geometry, shared and not just alike: copies.
    pub fn shares_geometry(&self, other: &Part) -> bool {
        std::ptr::eq(self.body.mesh(), other.body.mesh())
            && self.pose == other.pose
            && self.cavities.len() == other.cavities.len()
            && self.cavities.iter().zip(&other.cavities).all(|(a, b)| Arc::ptr_eq(a, b))
            && self.lattice.as_ref().map(Arc::as_ptr) == other.lattice.as_ref().map(Arc::as_ptr)
            && self.raft.as_ref().map(Arc::as_ptr) == other.raft.as_ref().map(Arc::as_ptr)
            && self.supports.as_ref().map(Arc::as_ptr) == other.supports.as_ref().map(Arc::as_ptr)
    }

    /// Whether a surface is the wall of a closed cavity.
    pub(crate) fn is_cavity(&self, mesh: &Mesh) -> bool {
        self.cavities.iter().any(|c| std::ptr::eq(&**c, mesh))
    }

    /// Whether a cavity of [`Part::drainage`] has no hole at all; `index` counts from 0.
    pub fn is_shut(&self, index: usize) -> bool {
        self.vents.iter().all(|v| v.cavity as usize != index + 1)
    }

    /// Where each vent begins and ends, with its diameter, mm; plate coordinates.
    pub(crate) fn vent_ends(&self) -> Vec<([Point; 2], f64)> {
        let ends = |v: &VentHole| [v.mouth, v.mouth + v.inward * v.length_mm];
        self.vents.iter().map(|v| (ends(v).map(|p| self.pose * p), v.diameter_mm)).collect()
    }

    /// Whether facet `i` of the body is to be kept free of marks and steps.
    pub fn is_keep_clean(&self, facet: usize) -> bool {
        self.keep_clean.get(facet).copied().unwrap_or(false)
    }

    /// The part with every facet weighed by how much it is looked at, where that is not yet known.
    ///
    /// # Errors
    /// As for [`Appearance::of`].
    pub fn appraised(mut self, up: Up, job: &Job) -> Result<Part> {
        if self.appearance.is_none() {
            self.appearance = Some(Arc::new(Appearance::of(&self.body, up, job)?));
        }
        Ok(self)
    }

    /// How much a facet of the body is looked at, 0 to 1; 1 where that is not known.
    pub fn weight(&self, facet: usize) -> f64 {
        self.appearance.as_ref().map_or(1.0, |a| a.weight(facet))
    }

    /// The part with its body cut: what is known of a facet is known of its pieces, and walls of
    /// the cut are neither kept clean nor looked at.
    pub(crate) fn recut(&self, cut: Cut) -> Part {
        let mut part = self.clone();
        let of = |s: &Source| (s.operand == 0).then_some(s.facet as usize);
        if !self.keep_clean.is_empty() {
            let kept = cut.sources.iter().map(|s| of(s).is_some_and(|f| self.is_keep_clean(f)));
            part.keep_clean = Arc::new(kept.collect());
        }
        if let Some(appearance) = &self.appearance {
            let weight = |s| of(s).map_or(0.0, |f| appearance.weight(f) as f32);
            let weights = cut.sources.iter().map(weight).collect();
            part.appearance =
                Some(Arc::new(Appearance { weights, ..Appearance::clone(appearance) }));
        }
        part.body = cut.solid;
        part
    }

    /// The surfaces of the given roles in plate coordinates, as the layer engine reads them.
    ///
    /// ```
    /// use vatwright::{Job, Part, Role, layers::{Grid, Scan}, mesh::shapes::cuboid};
    /// let part = Part::new(cuboid(4.0, 4.0, 2.0)?);
    /// let body = part.surfaces(&[Role::Body]);
    /// let layers = Scan::new(&body, Grid::around(&body, 0.1, 0.1)?).layers(&Job::default())?;
    /// assert!((layers.volume_mm3() - 32.0).abs() < 1e-6);
    /// # Ok::<(), vatwright::Error>(())
    /// ```
    pub fn surfaces(&self, roles: &[Role]) -> Vec<Surface<'_>> {
        let mut out = Vec::new();
        let mut add = |mesh, pose, fill| out.push(Surface { mesh, pose, fill });
        let fixed = Pose::identity();
        if roles.contains(&Role::Body) {
            add(&*self.body, self.pose, Fill::Body);
            self.cavities.iter().for_each(|c| add(c, self.pose, Fill::Cavity));
        }
        if roles.contains(&Role::Lattice) {
            self.lattice.iter().for_each(|l| add(l, self.pose, Fill::Added));
        }
        if roles.contains(&Role::Support) {
            self.supports.iter().for_each(|s| add(&s.mesh, fixed, Fill::Added));
        }
        if roles.contains(&Role::Raft) {
            self.raft.iter().for_each(|r| add(&r.mesh, fixed, Fill::Added));
        }
        out
    }

    /// All surfaces with the body as it was asked for; none where that is the body.
    pub(crate) fn asked_surfaces(&self) -> Option<Vec<Surface<'_>>> {
        let asked = self.asked.as_deref()?;
        let mut out = self.surfaces(&Role::ALL);
        out[0].mesh = asked; // the body comes first
        Some(out)
    }

    /// Box around everything that will be printed, plate coordinates.
    pub fn bounds(&self) -> Bounds {
        layers::bounds(&self.surfaces(&Role::ALL))
    }
}
