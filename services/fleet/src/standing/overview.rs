//! Many furnaces in a few figures.

use super::{Conformity, Standing};
use crate::furnace::FurnaceState;

/// How many furnaces stand where. Retired ones are not counted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Overview {
    /// Furnaces in use or in service.
    pub furnaces: u32,
    /// Within tolerance with at least the probability wanted.
    pub in_tolerance: u32,
    /// Outside tolerance with at least that probability.
    pub out_of_tolerance: u32,
    /// Of which neither can be said.
    pub undecided: u32,
    /// Without an evaluated reading.
    pub never_read: u32,
    /// Whose next calibration is due today or earlier.
    pub due: u32,
}

/// Counts furnaces. One that was read but has no programme counts as undecided: nothing says what is
/// wanted of it.
pub fn overview(standings: &[Standing]) -> Overview {
    let mut all = Overview::default();
    for standing in standings {
        if standing.state == FurnaceState::Retired {
            continue;
        }
        all.furnaces += 1;
        match standing.conformity {
            Conformity::In => all.in_tolerance += 1,
            Conformity::Out => all.out_of_tolerance += 1,
            Conformity::Unknown if standing.last_fired_at.is_none() => all.never_read += 1,
            Conformity::Undecided | Conformity::Unknown => all.undecided += 1,
        }
        all.due += u32::from(standing.due);
    }
    all
}
