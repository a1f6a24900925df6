//! The base under a part: what was asked for and what was laid.

use crate::error::{Result, check_range};
use crate::mesh::Mesh;
use serde::{Deserialize, Serialize};

/// What the base looks like.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Style {
    /// One plate under everything: the strongest hold.
    #[default]
    Pad,
    /// Discs under the feet joined by ribs: open between, so that it peels and drains easily.
    Net,
    /// A disc under each foot, without anything between them.
    Feet,
    /// None: the part itself stands on the plate.
    None,
}

/// What base is asked for: the options of the raft pass. The part keeps them, since the support
/// pass lays the base again once it knows where the feet are.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Raft {
    /// What the base looks like.
    pub style: Style,
    /// Thickness of the base, mm.
    pub thickness_mm: f64,
    /// How far the base reaches beyond outline or feet where it touches the plate, mm.
    pub margin_mm: f64,
    /// Slope of the rim from the horizontal, degrees. It leans outwards, so that a scraper finds
    /// a way under it.
    pub rim_deg: f64,
    /// Diameter of round openings through a pad, mm; 0 leaves it closed. They lower the peel of
    /// the base itself and let resin through; what stands on the pad keeps its ground.
    pub opening_mm: f64,
    /// How far the first layers of a part without a base are drawn in on all sides, mm, since
    /// over-exposure makes them grow; by default the growth that the edge's blur brings about
    /// ([`edge_growth_mm`](crate::mechanics::cure::edge_growth_mm)). Measured growth is often
    /// more: 0.1–0.4 mm (common practice).
    pub inset_mm: Option<f64>,
    /// Clear height between the base and the part's lowest point, mm. Supports bridge it, and the
    /// part's own first layers come out true to size, as they are none of the over-exposed ones.
    /// With 0 the part stands on the base. Without a base it is not used.
    pub lift_mm: f64,
}

impl Default for Raft {
    fn default() -> Raft {
        Raft {
            style: Style::Pad,
            thickness_mm: 0.6,
            margin_mm: 1.5,
            rim_deg: 45.0,
            opening_mm: 0.0,
            inset_mm: None,
            lift_mm: 5.0,
        }
    }
}

impl Raft {
    pub(crate) fn validate(&self) -> Result<()> {
        check_range("raft.thickness_mm", self.thickness_mm, 0.1, 10.0, "mm")?;
        check_range("raft.margin_mm", self.margin_mm, 0.2, 50.0, "mm")?;
        check_range("raft.rim_deg", self.rim_deg, 30.0, 90.0, "°")?;
        check_range("raft.opening_mm", self.opening_mm, 0.0, 20.0, "mm")?;
        check_range("raft.inset_mm", self.inset_mm.unwrap_or(0.0), 0.0, 1.0, "mm")?;
        check_range("raft.lift_mm", self.lift_mm, 0.0, 100.0, "mm")
    }

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
