//! Why a place takes no hole.

/// Why no hole was found, in the order of the checks: of two equally common reasons the later
/// tells more.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Refusal {
    NoWall,
    TooLong,
    TooWide,
    Shut,
    Pierces,
    Thin,
    Clean,
    Seen,
    Tip,
    Crowded,
    /// Holes were cut for it and did not open it.
    Useless,
}

impl Refusal {
    pub(super) const ALL: [Refusal; 11] = [
        Refusal::NoWall,
        Refusal::TooLong,
        Refusal::TooWide,
        Refusal::Shut,
        Refusal::Pierces,
        Refusal::Thin,
        Refusal::Clean,
        Refusal::Seen,
        Refusal::Tip,
        Refusal::Crowded,
        Refusal::Useless,
    ];

    /// Why, as the end of "no hole fits there: …".
    pub(super) fn words(self) -> &'static str {
        match self {
            Refusal::NoWall => "no wall near its first layers leads anywhere",
            Refusal::TooLong => "every way out is longer than the longest hole allowed",
            Refusal::TooWide => "it would have to be wider than the widest hole allowed",
            Refusal::Shut => "it would open against plate, solid or another closed void",
            Refusal::Pierces => "it would cut into something beside the wall",
            Refusal::Thin => "too little would be left around it",
            Refusal::Clean => "every place lies on surfaces to be kept clean",
            Refusal::Seen => "every place lies where the model is most looked at",
            Refusal::Tip => "every place lies under the tip of a support",
            Refusal::Crowded => "other holes are too close",
            Refusal::Useless => "holes cut for it did not open it",
        }
    }
}

/// A hole or part of one, or why there is none.
pub(super) type Tried<T> = std::result::Result<T, Refusal>;
