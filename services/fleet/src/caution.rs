//! Cautions that belong to an act. They never replace the maker's instructions or local rules.

use ringtrue_calibration::decision::Advice;

/// What overrides every caution here.
pub const DEFERENCE: &str = "Follow the furnace maker's and the material maker's instructions, local \
                             codes and licensed practice; they override this text.";

/// Cautions for what a person does next after an advice, most important first; at most three and
/// the line that defers.
pub fn after(advice: Option<Advice>, raises: bool) -> Vec<String> {
    let mut cautions: Vec<&str> = Vec::new();
    match advice {
        Some(Advice::Adjust) => {
            cautions.push(
                "Enter the setpoint with the furnace cold or idle and read it back: the chamber and what \
                 was in it burn without looking hot.",
            );
            if raises {
                cautions.push(
                    "The setpoint goes up: it must stay below the lowest maximum of furnace, elements, \
                     tray and material.",
                );
            }
        }
        Some(Advice::FireAgain) | None => {
            cautions.push(
                "Hot chamber: load and unload only below the maker's opening temperature, with heat gloves, \
                 face shield and tongs.",
            );
            cautions.push(
                "Let rings cool to the room before measuring; remove debris without blowing, dust and \
                 fibre harm the lungs.",
            );
        }
        Some(Advice::Service) => {
            cautions.push(
                "Mains voltage at the element terminals: only qualified persons, isolated, locked and \
                 proved dead.",
            );
            cautions.push(
                "Insulation fibre and element scale harm the lungs: no dry brushing or compressed air; \
                 respirator, wet wiping or a HEPA vacuum.",
            );
        }
        Some(Advice::Leave) => {}
    }
    if !matches!(advice, Some(Advice::Leave | Advice::Adjust)) {
        cautions.push(
            "Work sintered meanwhile is for a qualified person to review against the material maker's \
             instructions before release.",
        );
    }
    cautions.push(DEFERENCE);
    cautions.into_iter().map(str::to_owned).collect()
}
