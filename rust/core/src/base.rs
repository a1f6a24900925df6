//! The base under a part: what was asked for and what was laid.

use crate::mesh::Mesh;
use crate::options::options;
use serde::{Deserialize, Serialize};

/// What the base looks like.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Style {
    /// One plate under everything: the strongest hold.
    #[default]
    Solid,
    /// Discs under the feet joined by ribs: open between, so that it peels and drains easily.
    Net,
    /// A disc under each foot, without anything between them.
    Feet,
    /// None: the part itself stands on the plate.
    None,
}

options! {
    /// What base is asked for: the options of the raft pass. The part keeps them, since the support
    /// pass lays the base again once it knows where the feet are.
    ///
    /// ```
    /// use vatwright::{Context, Part, Pass, Setup, mesh::shapes::cuboid, passes::Raft};
    /// # let ctx = Context::new(Setup::default());
    /// let done = Raft { lift_mm: 4.0, ..Raft::default() }.apply(Part::new(cuboid(9.0, 9.0, 3.0)?), &ctx)?;
    /// assert_eq!(done.value.body.bounds_at(&done.value.pose).min.z, 4.6); // base and lift
    /// assert!(done.value.raft.unwrap().bond_mm2 > 81.0);
    /// # Ok::<(), vatwright::Error>(())
    /// ```
    pub struct Raft at "raft" {
        /// What the base looks like.
        style: Style = Style::Solid;
        /// Thickness of the base, mm.
        thickness_mm: f64 = 0.6,
            in 0.1..=10.0 "mm",
            larger "stiffer and easier to grip; more resin and more first layers";
        /// How far the base reaches beyond outline or feet where it touches the plate, mm.
        margin_mm: f64 = 1.5,
            in 0.2..=50.0 "mm",
            larger "more bond and room for a scraper; more resin and a wider place on the plate";
        /// Slope of the rim from the horizontal, degrees. It leans outwards, so that a scraper finds
        /// a way under it.
        rim_deg: f64 = 45.0,
            in 30.0..=90.0 "°",
            larger "a steeper rim that takes less room; harder to get a scraper under";
        /// Diameter of round openings through a solid base, mm; 0 leaves it closed. They lower the peel of
        /// the base itself and let resin through; what stands on it keeps its ground.
        opening_mm: f64 = 0.0, in 0.0..=20.0 "mm", larger "less peel of the base itself; less bond";
        /// How far the first layers of a part without a base are drawn in on all sides, mm, since
        /// over-exposure makes them grow; by default the growth that the edge's blur brings about
        /// ([`growth_mm`](crate::mechanics::light::EdgeBlur::growth_mm)). Measured growth is often
        /// more: 0.1–0.4 mm (common practice).
        inset_mm: Option<f64> = None, in 0.0..=1.0 "mm", larger "narrower first layers";
        /// Clear height between the base and the part's lowest point, mm. Supports bridge it, and the
        /// part's own first layers come out true to size, as they are none of the over-exposed ones.
        /// With 0 the part stands on the base. Without a base it is not used.
        lift_mm: f64 = 5.0,
            in 0.0..=100.0 "mm",
            larger "more room for a scraper and cutters; longer columns, more time";
    }
}

impl Raft {
    /// Height of the base's top, mm.
    pub fn top_mm(&self) -> f64 {
        if self.style == Style::None { 0.0 } else { self.thickness_mm }
    }

    /// Height of the part's lowest point over the plate, mm.
    pub fn hang_mm(&self) -> f64 {
        if self.style == Style::None { 0.0 } else { self.top_mm() + self.lift_mm }
    }

    /// How far the base reaches beyond what stands on it, mm, unless its bond asks for more.
    pub fn rim_mm(&self) -> f64 {
        if self.style == Style::None { 0.0 } else { self.margin_mm + self.lean_mm() }
    }

    pub(crate) fn lean_mm(&self) -> f64 {
        self.thickness_mm / self.rim_deg.to_radians().tan()
    }
}

/// The base under a part. Coordinates are the plate's.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Base {
    /// What was asked for.
    pub plan: Raft,
    /// Area that bonds to the plate, mm².
    pub bond_mm2: f64,
    /// Watertight pieces.
    pub mesh: Mesh,
}
