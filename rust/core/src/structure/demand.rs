//! Load cases, and how hard they make something work.

use crate::mesh::Point;
use crate::setup::Setup;

/// A load case.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) enum Demand {
    /// Peel and suction at the line of action of the whole layer.
    #[default]
    Pull,
    /// The peeling front half-way: the one half of the layer still pulls, beside its middle.
    Front,
    /// The way back: the layer presses resin out of the gap.
    Press,
    /// The pull with a share of it sideways: a film that lets go from one side drags.
    Side,
    /// The pull after one of the tips has gone.
    LostTip,
}

impl Demand {
    /// Words for it, as the end of "under …".
    pub(crate) fn words(self) -> &'static str {
        match self {
            Demand::Pull => "the pull of the layer",
            Demand::Front => "the peeling front",
            Demand::Press => "the press on the way back",
            Demand::Side => "the pull with its side load",
            Demand::LostTip => "the pull when another tip has failed",
        }
    }
}

impl Demand {
    /// Stress that green resin may bear under it, MPa: its strength over the safety asked for. The
    /// press is an upper bound already, full speed to the end, and no safety comes on top of it;
    /// a lost tip has a safety of its own.
    pub(crate) fn limit_mpa(self, setup: &Setup) -> f64 {
        let safety = match self {
            Demand::Press => 1.0,
            Demand::LostTip => setup.limits.lost_tip_safety,
            Demand::Pull | Demand::Front | Demand::Side => setup.limits.safety,
        };
        setup.resin.green_strength_mpa / safety
    }
}

/// How hard something works.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Use {
    /// What is over what may be: 1 at the limit.
    pub(crate) ratio: f64,
    /// What is, in the mode's unit.
    pub(crate) value: f64,
    /// What may be.
    pub(crate) limit: f64,
    /// Where.
    pub(crate) place: Option<Point>,
    /// In which layer.
    pub(crate) layer: u32,
    /// Under which load.
    pub(crate) demand: Demand,
    /// In which stage, if it hangs on tips.
    pub(crate) stage: u32,
    /// Whether nothing else could take over what it drops: its force alone is beyond the limit, or
    /// so few tips hold the piece that all are needed. Else what yields hands its load on, and
    /// what hangs on it holds as long as some sharing within the limits exists (static theorem of
    /// plasticity; green resin yields before it breaks: common practice, no source).
    pub(crate) alone: bool,
}

impl Use {
    /// Whether it breaks: beyond the strength itself where nothing could take over.
    pub(crate) fn breaks(&self, setup: &Setup) -> bool {
        self.alone && self.value > setup.resin.green_strength_mpa
    }

    pub(crate) fn keep(&mut self, other: Use) {
        if other.ratio > self.ratio {
            *self = other;
        }
    }
}
