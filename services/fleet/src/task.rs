//! What falls due: calibrations and the care of furnaces, gauges and rings.

use crate::caution::DEFERENCE;

/// What falls due.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum TaskKind {
    /// Calibration: fire, measure, enter the setpoint, verify where asked.
    Calibration,
    /// Purge firing of the empty furnace.
    PurgeFiring,
    /// Regeneration firing of the heating elements, the furnace empty.
    ElementRegeneration,
    /// Replacement of the sintering beads.
    BeadReplacement,
    /// Replacement of the tray.
    TrayReplacement,
    /// Check of a gauge on a reference block.
    GaugeCheck,
    /// Test rings in stock.
    RingStock,
}

impl TaskKind {
    /// All kinds.
    pub const ALL: [Self; 7] = [
        Self::Calibration,
        Self::PurgeFiring,
        Self::ElementRegeneration,
        Self::BeadReplacement,
        Self::TrayReplacement,
        Self::GaugeCheck,
        Self::RingStock,
    ];

    /// Those that are done to a furnace.
    pub const OF_FURNACES: [Self; 5] = [
        Self::Calibration,
        Self::PurgeFiring,
        Self::ElementRegeneration,
        Self::BeadReplacement,
        Self::TrayReplacement,
    ];

    /// The word in names and on disk; never renamed.
    pub fn word(self) -> &'static str {
        match self {
            Self::Calibration => "calibration",
            Self::PurgeFiring => "purge-firing",
            Self::ElementRegeneration => "element-regeneration",
            Self::BeadReplacement => "bead-replacement",
            Self::TrayReplacement => "tray-replacement",
            Self::GaugeCheck => "gauge-check",
            Self::RingStock => "ring-stock",
        }
    }

    /// The kind of a word.
    pub fn parse(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.word() == word)
    }

    /// The task as people say it.
    pub fn words(self) -> &'static str {
        match self {
            Self::Calibration => "calibration",
            Self::PurgeFiring => "purge firing",
            Self::ElementRegeneration => "element regeneration firing",
            Self::BeadReplacement => "replacement of the sintering beads",
            Self::TrayReplacement => "replacement of the tray",
            Self::GaugeCheck => "gauge check",
            Self::RingStock => "stock of test rings",
        }
    }

    /// Whether the chamber must be empty for it.
    pub fn wants_empty_chamber(self) -> bool {
        matches!(self, Self::PurgeFiring | Self::ElementRegeneration)
    }

    /// Cautions for doing it, with the line that defers.
    pub fn cautions(self) -> Vec<String> {
        let mut cautions: Vec<&str> = Vec::new();
        match self {
            Self::Calibration => {
                cautions.push(
                    "Hot chamber: load and unload only below the maker's opening temperature, with heat \
                     gloves, face shield and tongs; a ring burns without looking hot.",
                );
                cautions.push(
                    "Firing overnight means that nobody is there: keep the clearances and the site's rules.",
                );
            }
            Self::PurgeFiring | Self::ElementRegeneration => {
                cautions.push(
                    "The chamber must be EMPTY: no restorations, no rings; tray and beads only as the \
                     maker says.",
                );
                cautions.push("Fumes: ventilate or extract while it fires.");
                cautions.push("Never above the lowest maximum of furnace, elements and tray.");
            }
            Self::BeadReplacement | Self::TrayReplacement => {
                cautions.push("Only with the furnace cold.");
                cautions.push(
                    "Bead dust and insulation fibre harm the lungs: no blowing, no dry brushing; wet wiping \
                     or a HEPA vacuum, respirator.",
                );
            }
            Self::GaugeCheck | Self::RingStock => {}
        }
        cautions.push(DEFERENCE);
        cautions.into_iter().map(str::to_owned).collect()
    }
}
