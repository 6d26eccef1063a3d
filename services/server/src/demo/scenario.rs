//! The invented network of the demonstration. No laboratory, maker or person behind it is real.

use jiff::civil::{Date, Weekday};
use ringtrue_calibration::programme::Segment;
use ringtrue_calibration::ring_table::{Entry, RingTable};
use ringtrue_calibration::thermal_work::GAS_CONSTANT_J_PER_MOL_K;
use ringtrue_fleet::furnace::{FurnaceDetails, HeatingElement, ThermocoupleType};
use ringtrue_fleet::gauge::{GaugeDetails, GaugeKind};
use ringtrue_fleet::programme::{ProgrammeDetails, ProgrammeKind};
use ringtrue_fleet::ring_batch::{BatchDetails, BatchState};
use ringtrue_fleet::site::SiteDetails;

/// A site of the demonstration.
pub(super) struct DemoSite {
    /// Its id.
    pub(super) id: &'static str,
    pub(super) display_name: &'static str,
    pub(super) time_zone: &'static str,
    pub(super) day: Weekday,
    /// Ids of its furnaces.
    pub(super) furnaces: &'static [&'static str],
    /// Whether its gauge is a micrometer.
    pub(super) micrometer: bool,
    /// Whether its gauge is checked on a reference block.
    pub(super) checked: bool,
}

/// The furnace that stands new at the first site, without any reading yet.
pub(super) const NEW_FURNACE: (&str, &str) = ("alder", "k9");

/// The micrometer that came with it; its check on a reference block found no bias.
pub(super) const NEW_GAUGE: &str = "mic-9";

pub(super) const SITES: &[DemoSite] = &[
    DemoSite {
        id: "alder",
        display_name: "Alder bench",
        time_zone: "Europe/Lisbon",
        day: Weekday::Friday,
        furnaces: &["k1", "k2", "k3", "k9"],
        micrometer: false,
        checked: true,
    },
    DemoSite {
        id: "birch",
        display_name: "Birch bench",
        time_zone: "Europe/Berlin",
        day: Weekday::Friday,
        furnaces: &["north", "middle", "south"],
        micrometer: true,
        checked: true,
    },
    DemoSite {
        id: "cedar",
        display_name: "Cedar bench",
        time_zone: "Europe/Berlin",
        day: Weekday::Thursday,
        furnaces: &["a", "b", "c"],
        micrometer: false,
        checked: false,
    },
    DemoSite {
        id: "elm",
        display_name: "Elm bench",
        time_zone: "America/Bogota",
        day: Weekday::Friday,
        furnaces: &["one", "two", "three", "four"],
        micrometer: false,
        checked: true,
    },
    DemoSite {
        id: "hazel",
        display_name: "Hazel bench",
        time_zone: "Asia/Kolkata",
        day: Weekday::Wednesday,
        furnaces: &["h1", "h2", "h3"],
        micrometer: false,
        checked: false,
    },
    DemoSite {
        id: "rowan",
        display_name: "Rowan bench",
        time_zone: "America/Chicago",
        day: Weekday::Friday,
        furnaces: &["left", "centre", "right"],
        micrometer: true,
        checked: false,
    },
];

impl DemoSite {
    pub(super) fn details(&self) -> SiteDetails {
        SiteDetails {
            display_name: self.display_name.to_owned(),
            time_zone: self.time_zone.to_owned(),
            calibration_day: Some(self.day),
            calibration_interval_days: 14,
            closed_days: vec![Weekday::Saturday, Weekday::Sunday],
            ..SiteDetails::default()
        }
    }

    pub(super) fn gauge(&self) -> (&'static str, GaugeDetails) {
        if self.micrometer {
            ("mic-1", gauge(GaugeKind::Micrometer, "Micrometer 1"))
        } else {
            ("cal-1", gauge(GaugeKind::Caliper, "Caliper 1"))
        }
    }
}

/// A gauge of the kind, with the display step and permissible error usual for it.
pub(super) fn gauge(kind: GaugeKind, display_name: &str) -> GaugeDetails {
    let (resolution_mm, maximum_permissible_error_mm) = match kind {
        GaugeKind::Micrometer => (0.001, 0.004),
        GaugeKind::Caliper => (0.01, 0.03),
    };
    GaugeDetails {
        display_name: display_name.to_owned(),
        kind: Some(kind),
        resolution_mm,
        maximum_permissible_error_mm,
        ..GaugeDetails::default()
    }
}

pub(super) fn furnace(display_name: &str) -> FurnaceDetails {
    FurnaceDetails {
        display_name: display_name.to_uppercase(),
        maximum_setpoint_c: 1650.0,
        heating_element: HeatingElement::MolybdenumDisilicide,
        control_thermocouple: ThermocoupleType::B,
        ..FurnaceDetails::default()
    }
}

/// The usual programme: true 1500 °C for two hours.
pub(super) fn programme(setpoint_c: f64) -> ProgrammeDetails {
    ProgrammeDetails {
        display_name: "Standard 1500".to_owned(),
        segments: vec![
            Segment {
                ramp_c_per_min: 10.0,
                temperature_c: 900.0,
                hold_min: 30.0,
            },
            Segment {
                ramp_c_per_min: 10.0,
                temperature_c: 1500.0,
                hold_min: 120.0,
            },
        ],
        material_target_c: 1500.0,
        setpoint_c,
        minimum_setpoint_c: 1400.0,
        maximum_setpoint_c: 1600.0,
        kind: ProgrammeKind::Standard,
        ..ProgrammeDetails::default()
    }
}

/// A ring batch of the demonstration.
pub(super) struct Delivered {
    /// Its id.
    pub(super) id: &'static str,
    /// When sites begin to use it, share of the year.
    pub(super) from: f64,
    /// How much too hot its rings read, °C; nobody in the network is told.
    pub(super) bias_c: f64,
    /// Its content.
    pub(super) details: BatchDetails,
}

/// The furnace whose control thermocouple fails slowly towards the end of the year: site, furnace, the week
/// in which it begins, and °C a week.
pub(super) const FAILING: (&str, &str, i64, f64) = ("cedar", "b", 34, 1.2);

/// The ring batches. One of them reads far too hot: no laboratory alone can tell that from its furnaces.
pub(super) fn batches(expires_on: Date) -> Vec<Delivered> {
    let batch = |code: &str, tables, stated| BatchDetails {
        code: code.to_owned(),
        tables,
        stated_expanded_uncertainty_c: stated,
        expires_on: Some(expires_on),
        provenance: "Invented table of the demonstration.".to_owned(),
        state: BatchState::Released,
        state_reason: String::new(),
    };
    vec![
        Delivered {
            id: "ring-5",
            from: 0.0,
            bias_c: -0.8,
            details: batch("5", vec![table(120.0, 0.06)], Some(4.0)),
        },
        Delivered {
            id: "ring-6",
            from: 0.35,
            bias_c: 1.1,
            details: batch("6", vec![table(60.0, -0.03), table(120.0, -0.03)], None),
        },
        Delivered {
            id: "ring-7",
            from: 0.7,
            bias_c: 7.5,
            details: batch("7", vec![table(120.0, 0.0)], Some(4.0)),
        },
        // Delivered at the end of the year and not used yet: nothing is known of its bias.
        Delivered {
            id: "ring-8",
            from: 1.0,
            bias_c: 0.0,
            details: batch("8", vec![table(120.0, 0.0)], Some(4.0)),
        },
    ]
}

/// An invented table: whole degrees every 0.01 mm, 1519 °C at 19.47 mm plus `shift_mm` for a hold of two
/// hours; other holds follow from equal thermal work with 600 kJ/mol.
fn table(hold_min: f64, shift_mm: f64) -> RingTable {
    let mut entries = Vec::new();
    for step in 0..=80_u32 {
        let from_centre_mm = f64::from(step) * 0.01 - 0.27;
        let two_hours_c = 1519.0 - 212.5 * from_centre_mm - 83.3 * from_centre_mm * from_centre_mm;
        let kelvin = two_hours_c + 273.15;
        let shorter_c =
            GAS_CONSTANT_J_PER_MOL_K * kelvin * kelvin / 600_000.0 * (120.0 / hold_min).ln();
        // Hundredths of a millimetre, as printed.
        let diameter_mm = ((19.47 + shift_mm + from_centre_mm) * 100.0).round() / 100.0;
        entries.push(Entry {
            diameter_mm,
            temperature_c: (two_hours_c + shorter_c).round(),
        });
    }
    RingTable::new(hold_min, entries).expect("the invented table is valid")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_last_batch_holds_the_entry_of_the_worked_figure() {
        // Set 1500, ring 19.47 mm = 1519 °C: common practice, no source.
        let batches = batches(Date::MAX);
        let batch = batches.last().expect("batches are delivered");
        let read = batch.details.tables[0]
            .temperature_at(19.47)
            .expect("within the table");
        assert!((read - 1519.0).abs() < 1e-9, "{read}");
    }

    #[test]
    fn the_network_is_as_large_as_promised() {
        let furnaces: usize = SITES.iter().map(|site| site.furnaces.len()).sum();
        let mut zones: Vec<&str> = SITES.iter().map(|site| site.time_zone).collect();
        zones.sort_unstable();
        zones.dedup();
        assert!(SITES.len() >= 6 && furnaces >= 20 && zones.len() >= 4);
    }
}
