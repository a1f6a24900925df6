//! The one table of finding codes: what each means, when it is how grave, why it comes about and
//! what to do. `Finding`, Python's `codes`, `vatwright explain` and the reference read it.

use serde::{Deserialize, Deserializer, Serialize, Serializer};
use std::fmt;
use std::sync::Arc;

/// What there is to know of a code, whatever the part.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct Explained {
    /// The stable word.
    pub code: &'static str,
    /// How grave it is, and when.
    pub severity: &'static str,
    /// What it means.
    pub meaning: &'static str,
    /// Why it comes about.
    pub cause: &'static str,
    /// What to do.
    pub remedy: &'static str,
}

macro_rules! codes {
    ($($variant:ident $code:literal $(or $formerly:literal)* {
        severity: $severity:literal,
        meaning: $meaning:literal,
        cause: $cause:literal,
        remedy: $remedy:literal $(,)?
    })*) => {
        /// The kind of a finding. Written as its stable word.
        ///
        /// ```
        /// use vatwright::FindingCode;
        /// assert!(FindingCode::Cup.explained().unwrap().remedy.contains("vent"));
        /// assert!(FindingCode::from("too_dear").explained().is_none()); // a studio's own
        /// ```
        #[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        #[non_exhaustive]
        pub enum FindingCode {
            $(#[doc = $meaning] $variant,)*
            /// A kind that a pass of your own has to tell of.
            Own(Arc<str>),
        }

        impl FindingCode {
            /// Every code of this crate, in the order of their words.
            pub const ALL: &[FindingCode] = &[$(FindingCode::$variant),*];

            /// What there is to know of every code, in the order of [`FindingCode::ALL`].
            pub const TABLE: &[Explained] = &[$(Explained {
                code: $code,
                severity: $severity,
                meaning: $meaning,
                cause: $cause,
                remedy: $remedy,
            }),*];

            /// The stable word.
            pub fn as_str(&self) -> &str {
                match self {
                    $(FindingCode::$variant => $code,)*
                    FindingCode::Own(word) => word,
                }
            }
        }

        impl From<&str> for FindingCode {
            /// The code of that word, also of a former one; one of your own when the table holds
            /// neither.
            fn from(word: &str) -> FindingCode {
                match word {
                    $($code $(| $formerly)* => FindingCode::$variant,)*
                    _ => FindingCode::Own(word.into()),
                }
            }
        }
    };
}

impl FindingCode {
    /// What there is to know of it; `None` for a code of your own.
    pub fn explained(&self) -> Option<&'static Explained> {
        FindingCode::TABLE.iter().find(|e| e.code == self.as_str())
    }
}

impl fmt::Display for FindingCode {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.as_str())
    }
}

impl PartialEq<str> for FindingCode {
    fn eq(&self, word: &str) -> bool {
        self.as_str() == word
    }
}

impl PartialEq<&str> for FindingCode {
    fn eq(&self, word: &&str) -> bool {
        self.as_str() == *word
    }
}

impl Serialize for FindingCode {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        to.serialize_str(self.as_str())
    }
}

impl<'de> Deserialize<'de> for FindingCode {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<FindingCode, D::Error> {
        Ok(FindingCode::from(&*String::deserialize(from)?))
    }
}

codes! {
    Adhesion "adhesion" {
        severity: "fault where the plate's bond over the safety asked for is less than the pull at its \
            edge, or nothing touches the plate",
        meaning: "The part would be pulled off the build plate.",
        cause: "What touches the plate is too small, or lies too far from where the layers pull.",
        remedy: "Give it a larger base, turn it so that its layers are smaller or stand over the \
            base, or measure the bond.",
    }
    Buckling "buckling" {
        severity: "warning",
        meaning: "A column may buckle on the way back to the film.",
        cause: "Columns are too slender for their length under the press of the return.",
        remedy: "Use thicker or braced columns, lift the part less, or return more slowly.",
    }
    CoarseCell "coarse_cell" {
        severity: "note",
        meaning: "The cavity was found on coarser cells than asked for.",
        cause: "The part is so large that cells of the size asked for would need more memory than \
            allowed.",
        remedy: "Raise hollow.max_cells, or accept blunter corners in the cavity; the wall is never \
            thinner for it.",
    }
    Column "column" {
        severity: "warning",
        meaning: "A column or brace is stressed beyond its strength over the safety.",
        cause: "Columns are too thin for the pull that they bend under.",
        remedy: "Use thicker columns.",
    }
    Columns "columns" {
        severity: "fault beyond the load that buckles them, warning beyond that over the safety",
        meaning: "Columns carry more than they can as the part is pressed back to the film.",
        cause: "They are too thin or too long without a brace.",
        remedy: "Thicken or brace the columns, or return more slowly.",
    }
    Confidence "confidence" {
        severity: "warning",
        meaning: "What holds the part does so for too few of the constants that the setup's \
            intervals admit.",
        cause: "The constants are known badly, or the part is held barely.",
        remedy: "Measure the constant that the finding names and narrow its interval, add tips, or \
            turn the part.",
    }
    Cup "cup" {
        severity: "fault where it pulls more than a newton and more than half of its layer's peel, \
            note up to there",
        meaning: "A void is closed by the film while layers print, and pulls like a suction cup.",
        cause: "A hollow opens away from the plate, or stands on the plate with its rim.",
        remedy: "Turn its mouth sideways or lift it off the plate, or vent it near its lowest layer.",
    }
    Cure "cure" {
        severity: "fault",
        meaning: "The light does not cure through a layer: layers do not bond to each other.",
        cause: "Exposure is too short, or layers are too thick, for the resin's working curve.",
        remedy: "Expose longer, use thinner layers, or measure penetration and critical dose.",
    }
    CureThrough "cure_through" {
        severity: "note up to a layer, warning beyond",
        meaning: "Faces that look towards the plate come out lower than drawn.",
        cause: "Light goes on behind the layer that it is meant for, and doses of many layers add up.",
        remedy: "Compensate the part, expose less, or use a resin that absorbs more.",
    }
    Filled "filled" {
        severity: "note for a flat side or bottom, warning for an open top or a curved hole",
        meaning: "A wide hole in the model was closed by a surface that is a guess.",
        cause: "The file lacks facets there, and repair was allowed to fill them in.",
        remedy: "Compare the filling with what was meant; give the wall of a vessel a thickness, \
            or close the hole in the modelling program.",
    }
    FirstLayerFlare "first_layer_flare" or "growth" {
        severity: "note up to a pixel, warning beyond",
        meaning: "The first layers come out wider than drawn.",
        cause: "They are over-exposed to hold to the plate, and light spreads beyond the edge.",
        remedy: "Stand the part on a raft, or draw its lowest layers in by what you measure.",
    }
    FlatFacets "flat_facets" {
        severity: "note",
        meaning: "Some facets without area could not be taken out.",
        cause: "Their removal would have opened the mesh or pinched it.",
        remedy: "None needed: they do no harm.",
    }
    Gap "gap" {
        severity: "warning",
        meaning: "A gap is so narrow that it will close.",
        cause: "Light spreads beyond a pixel's edge and through the layers behind, and cures what \
            lies between near walls.",
        remedy: "Widen it, or turn it so that it lies across more pixels or layers.",
    }
    Island "island" {
        severity: "fault; warning or note where it stays so small that it may print all the same",
        meaning: "A piece begins in mid-air, with nothing under it in the layer before.",
        cause: "Nothing carries it: it stays on the film or drifts in the vat.",
        remedy: "Support it, or turn the part so that it grows out of what is there.",
    }
    KeepClean "keep_clean" {
        severity: "fault where a tip or the plate touches, warning where no pose avoids it, note where \
            it was not judged",
        meaning: "A surface to be kept clean gets marks.",
        cause: "A support tip or the plate touches it.",
        remedy: "Move the tips off it, turn the surface away from the plate, or mark fewer facets.",
    }
    Lift "lift" {
        severity: "fault",
        meaning: "The lift after a layer ends before the layer has parted from the film.",
        cause: "Film and machine give way under the pull of everything on the plate by more than the \
            lift.",
        remedy: "Lift farther, put fewer parts on the plate, turn the part so that its layers are smaller, or measure the film's \
            compliance.",
    }
    LongPlate "long_plate" {
        severity: "note",
        meaning: "The plate prints for longer than a night.",
        cause: "It is tall.",
        remedy: "Start it so that it ends when somebody is there, or turn tall parts.",
    }
    Neck "neck" {
        severity: "fault where it breaks and nothing could take over, else warning",
        meaning: "A neck bears and bends more than its strength over the safety.",
        cause: "It leans, stands alone, or moves with the part where others give.",
        remedy: "Use thicker tips or stiffer columns, or add tips beside it.",
    }
    NotCompensated "not_compensated" {
        severity: "note",
        meaning: "The compensate pass leaves the part's surface as it is.",
        cause: "No shift of the surface brings what the light leaves nearer to the model: what is \
            left is steps of layers, round corners, or the part is compensated already.",
        remedy: "Use thinner layers or smaller pixels, or turn the part another way.",
    }
    Overhang "overhang" {
        severity: "fault where a part without a support would sag or tear, warning where supports leave \
            it",
        meaning: "An area juts out farther than one young layer bears.",
        cause: "It hangs over what the layer before carries.",
        remedy: "Support it, or turn the part so that the surface is steeper.",
    }
    Overload "overload" {
        severity: "fault",
        meaning: "Tips carry more than their strength over the safety asked for.",
        cause: "Too few or too thin tips hold a piece, or they stand to one side of where it is \
            pulled.",
        remedy: "Use thicker tips, tilt the part, or allow more places for tips.",
    }
    Plugs "plugs" or "care" {
        severity: "note",
        meaning: "Plugs close the holes for good: what is left inside stays there.",
        cause: "Uncured resin in a closed cavity can leak or burst the part later.",
        remedy: "Wash and cure the inside first, by the resin's safety data sheet.",
    }
    Pocket "pocket" {
        severity: "fault; warning for a crevice, note for what vent leaves as not worth a hole",
        meaning: "A void never opens: it traps resin for good.",
        cause: "It is closed on all sides.",
        remedy: "Vent it, or fill it by fusing the model's shells.",
    }
    Reading "reading" {
        severity: "note",
        meaning: "The file holds something that was passed over.",
        cause: "It has objects that are no models, models that it does not start with, or bytes \
            after its end.",
        remedy: "None needed, unless what was left out was to be printed: export it as a model.",
    }
    Rebuilt "rebuilt" {
        severity: "warning",
        meaning: "The whole surface of the model was made anew.",
        cause: "Its facets do not pair up, or pass through each other, and repair was allowed to \
            rebuild it.",
        remedy: "Compare it with what was meant; a smaller repair.cell_mm keeps finer detail.",
    }
    Redundancy "redundancy" {
        severity: "warning",
        meaning: "A piece would not hold if any one of its tips failed.",
        cause: "More than a speck hangs on one or two tips, on tips in a line, or on so few that the \
            others break.",
        remedy: "Add tips beside it, not in one line, or turn the part so that it begins on more of \
            them.",
    }
    Refill "refill" {
        severity: "note",
        meaning: "The vat must be filled on the way.",
        cause: "The plate takes more resin than the vat holds above its reserve.",
        remedy: "Be there at that layer, or hollow what is solid.",
    }
    RetainedResin "retained_resin" or "puddle" or "drain" {
        severity: "note where turning the part over lets it out, by a wide mouth or by two holes; \
            warning where the only mouth is narrower than an air lock",
        meaning: "Resin stays in a hollow of the part while it hangs from the plate.",
        cause: "The hollow opens upward, away from gravity's pull on the hanging part.",
        remedy: "Tip it over the vat before washing, turn the part, or vent the hollow so that it \
            drains.",
    }
    Rim "rim" {
        severity: "note",
        meaning: "Tips stand on the rim of a vent.",
        cause: "What begins there could be held nowhere else.",
        remedy: "Sand the rim before the stopper goes in, or turn the part.",
    }
    Sag "sag" {
        severity: "fault",
        meaning: "A flat or bridge bends towards the film as it is peeled.",
        cause: "It spans too far for its thickness while it is young.",
        remedy: "Support it in between, tilt it, or let it be thicker.",
    }
    Sheet "sheet" {
        severity: "warning",
        meaning: "Doubled faces that enclose nothing were left out.",
        cause: "The model has a sheet without thickness, front and back in one place.",
        remedy: "Give the sheet a thickness in the modelling program to print it.",
    }
    Size "size" {
        severity: "fault where it does not fit, note where it fits only turned",
        meaning: "The part does not fit the machine or leaves the plate.",
        cause: "It is larger than the usable room, lies outside it, or below the plate.",
        remedy: "Turn, move, scale or cut it, or pack the plate again.",
    }
    Springback "springback" {
        severity: "fault where a layer does not reach the one before, warning beyond the limit, note \
            where supports were sized",
        meaning: "The part springs back too slowly: part of the gap is still open when the light \
            comes.",
        cause: "Slender supports or a slender part give under peel, and resin is slow to leave the \
            gap; or many parts on a plate share the machine's arm.",
        remedy: "Let it settle longer, tilt the part, stiffen its supports, or put fewer parts on the \
            plate.",
    }
    StaysSolid "stays_solid" {
        severity: "note, warning around a sealed void",
        meaning: "The part, or a place in it, was not hollowed.",
        cause: "No place lies deeper than the wall asked for, the cavity would be too small or save \
            less than its holes are worth, or a loose shell would remain.",
        remedy: "Ask for a thinner wall, or open the sealed void first.",
    }
    Strength "strength" {
        severity: "fault beyond the strength of green resin, warning beyond what the safety leaves",
        meaning: "The part itself is too thin for what the layers above it pull.",
        cause: "A stem, neck or wall carries more section above it than it can bear.",
        remedy: "Thicken it there, hold what is above by supports of its own, or turn the part so \
            that the layers above are smaller.",
    }
    SupportOnPart "support_on_part" or "landing" {
        severity: "note",
        meaning: "Columns stand on the part itself.",
        cause: "No way led from there to raft or plate.",
        remedy: "Turn the part if their scars matter.",
    }
    Thin "thin" {
        severity: "fault",
        meaning: "A wall is thinner than the machine can draw.",
        cause: "It is narrower than a pixel or lower than a layer.",
        remedy: "Thicken it, or turn it so that it lies across more pixels or layers.",
    }
    Tips "tips" {
        severity: "fault where a neck breaks and nothing could take over, or columns stand on nothing; \
            warning beyond what the safety leaves, where others could take over, or where tips \
            touch nothing; note where there is nothing to judge",
        meaning: "Support tips do not hold the part.",
        cause: "They are too few, too thin, bend too far, touch nothing, or stand on columns without \
            a foot.",
        remedy: "Add or thicken tips, join every column to a foot and every tip to a column, or \
            support the part again.",
    }
    TooLarge "too_large" {
        severity: "fault",
        meaning: "No pose fits the machine.",
        cause: "The part is larger than the usable room, whichever way it is turned.",
        remedy: "Cut the part, scale it, or use a larger machine.",
    }
    TrappedResin "trapped_resin" {
        severity: "warning",
        meaning: "Cavities without a vent keep liquid resin for good.",
        cause: "The part was hollowed but not vented.",
        remedy: "Vent them.",
    }
    Unpackable "unpackable" {
        severity: "fault",
        meaning: "The part is on no plate.",
        cause: "It, or the group it belongs to, is taller or wider than every printer.",
        remedy: "Turn, scale or cut it, free it from its group, or use a larger printer.",
    }
    Unplugged "unplugged" {
        severity: "warning",
        meaning: "A hole has no plug, since the machine does not draw one so thin.",
        cause: "The hole is only a few pixels wide once the plug's clearance and taper are taken off.",
        remedy: "Fill the hole with resin and cure it there, or raise vent.least_mm.",
    }
    Unprinted "unprinted" {
        severity: "fault",
        meaning: "The machine would draw nothing of the part, or next to nothing.",
        cause: "It is so thin or small that it falls between pixels and layers; often the file's \
            unit is not mm.",
        remedy: "Check the model's unit, thicken its walls, or turn it across more layers.",
    }
    Unseen "unseen" {
        severity: "warning",
        meaning: "The layers by which the pose was judged are too coarse for a share of the part.",
        cause: "Its walls are thinner than the layers and pixels of the search.",
        remedy: "Set orient.coarse_mm and orient.fine_mm below its thinnest walls.",
    }
    Vat "vat" {
        severity: "warning",
        meaning: "A full vat runs dry before the plate is done.",
        cause: "The plate takes more resin than the vat holds.",
        remedy: "Pause and refill before that layer, or hollow what is solid.",
    }
    VentSeen "vent_seen" {
        severity: "warning",
        meaning: "A vent lies where the model is most looked at.",
        cause: "No hidden place drains the void or lets air in there.",
        remedy: "Fill and sand the plug there, turn the part, or leave it solid.",
    }
}
