//! What to mind so that nobody and nothing is hurt. Always subject to the maker's instructions,
//! local rules and licensed practice.

use crate::output;
use crate::term::{Ink, ink};

/// Each caution ends on who has the last word.
const LAST_WORD: &str =
    "The furnace maker's instructions and local rules decide; they override this text.";

/// Hazard, and how to keep clear of it.
const CAUTIONS: [(&str, &str); 11] = [
    (
        "Hot chamber",
        "Parts at 400 °C look cold and burn at once. Open only below the temperature that the maker \
         allows, with heat gloves, face shield and tongs. Never open early to save time: parts and \
         chamber crack, and hot air comes out.",
    ),
    (
        "Electricity",
        "Elements and their terminals carry mains or high current. Work behind covers is for \
         qualified people only: switched off, locked and tagged, proved dead. Never defeat a door \
         switch; a faulty one puts the furnace out of use.",
    ),
    (
        "Insulation fibre",
        "Ceramic fibre can cause cancer when breathed in, and after long use above 1000 °C it can \
         hold crystalline silica, which harms the lungs for good. No dry brushing, no compressed \
         air. Damp it, use a fine-dust (HEPA) vacuum and a fitted mask, bag and label the waste.",
    ),
    (
        "Zirconia and bead dust",
        "Grinding dust and bead dust harm the lungs. Use extraction and a mask. Wipe rings and \
         gauge clean with a lint-free cloth; do not blow them off.",
    ),
    (
        "Over-temperature",
        "Never enter a setpoint above the lowest limit of furnace, elements, tray and material. A \
         furnace that needs more than that is for service, not for correction. Raise in small steps \
         and confirm with a second firing.",
    ),
    (
        "Purge and regeneration firings",
        "Fire them with the chamber empty: no restorations, no test rings, and beads or trays only \
         as the maker says. Ventilate; what is driven out must not be breathed.",
    ),
    (
        "Patients' restorations",
        "Do not fire work in a furnace that is out of tolerance or waits for a second firing. A \
         change of setpoint touches everything fired after it. Whether work already fired is fit is \
         for the laboratory and the dentist to judge, never for this program.",
    ),
    (
        "Fumes and steam",
        "Colouring liquids and wet work give off steam and vapour; wet ceramic can burst. Dry \
         everything fully before firing, ventilate, keep solvents away.",
    ),
    (
        "Firing unattended",
        "A firing in the evening means that nobody is there. Keep the clearances of the \
         installation instructions, have a fire detector, and follow the house rule on who is told.",
    ),
    (
        "Brittle elements",
        "Heating elements break like glass. Wear eye protection and cut-proof gloves, do not touch \
         their glassy skin, and follow the maker on conditioning new ones before work is fired.",
    ),
    (
        "No safety system",
        "This program neither sees the furnace nor stops it. A number that it shows is advice; look \
         at the furnace, the panel and the work before you act on it.",
    ),
];

/// Gives every caution, drawn to a width.
pub(crate) fn all(columns: u16, colour: bool) -> String {
    let mut parts = vec![ink("What to mind", Ink::Strong, colour)];
    for (hazard, text) in CAUTIONS {
        let drawn = output::marked(" ", &[format!("{text} {LAST_WORD}")], columns);
        parts.push(format!("{}\n{drawn}", ink(hazard, Ink::Alarm, colour)));
    }
    parts.join("\n\n")
}

/// Most cautions printed beside something else.
pub(crate) const MOST: usize = 3;

/// Draws cautions that the server gave for what is to be done: the first few, or all of them; nothing when
/// there are none.
pub(crate) fn minded(
    cautions: &[String],
    wants_all: bool,
    columns: u16,
    colour: bool,
) -> Option<String> {
    if cautions.is_empty() {
        return None;
    }
    let most = if wants_all { cautions.len() } else { MOST };
    let shown = cautions.get(..most).unwrap_or(cautions);
    let drawn = output::marked("!", shown, columns);
    let heading = ink("Mind", Ink::Alarm, colour);
    let rest = match cautions.len().saturating_sub(most) {
        0 => "`ringtrue cautions` has the rest.".to_owned(),
        left => format!("{left} more with --cautions; `ringtrue cautions` has the rest."),
    };
    Some(format!(
        "{heading}\n{drawn}\n{}",
        output::paragraph(&rest, columns)
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_caution_defers_to_the_maker_and_local_rules() {
        let text = all(400, false);
        assert_eq!(text.matches(LAST_WORD).count(), CAUTIONS.len());
        for hazard in [
            "Hot chamber",
            "Electricity",
            "fibre",
            "dust",
            "Over-temperature",
            "Purge",
            "restorations",
        ] {
            assert!(text.contains(hazard), "{hazard}");
        }
    }
}
