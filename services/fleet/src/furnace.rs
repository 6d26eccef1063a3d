//! Furnaces and their limits.

use crate::key::FurnaceKey;
use crate::versioned::Versioned;
use crate::violation::Violations;

/// A sintering furnace.
pub type Furnace = Versioned<FurnaceKey, FurnaceDetails>;

/// What callers give of a furnace.
#[derive(Debug, Clone, PartialEq)]
pub struct FurnaceDetails {
    /// What people call it.
    pub display_name: String,
    /// Highest setpoint its maker allows, °C.
    pub maximum_setpoint_c: f64,
    /// Smallest step of the controller, °C.
    pub setpoint_step_c: f64,
    /// What its elements are made of.
    pub heating_element: HeatingElement,
    /// Type of its control thermocouple.
    pub control_thermocouple: ThermocoupleType,
    /// Its own tolerance, ±°C; the site's when none.
    pub tolerance_c: Option<f64>,
    /// Position whose rings count; the first ring's when empty.
    pub reference_position: String,
    /// Serial or inventory number.
    pub serial_number: String,
    /// Whether it is in use.
    pub state: FurnaceState,
}

impl Default for FurnaceDetails {
    fn default() -> Self {
        Self {
            display_name: String::new(),
            maximum_setpoint_c: 0.0,
            setpoint_step_c: 1.0,
            heating_element: HeatingElement::Unknown,
            control_thermocouple: ThermocoupleType::Unknown,
            tolerance_c: None,
            reference_position: String::new(),
            serial_number: String::new(),
            state: FurnaceState::InUse,
        }
    }
}

/// What heating elements are made of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum HeatingElement {
    /// Not known.
    Unknown,
    /// Molybdenum disilicide.
    MolybdenumDisilicide,
    /// Silicon carbide.
    SiliconCarbide,
    /// Another kind.
    Other,
}

/// Thermocouple types, after IEC 60584-1.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ThermocoupleType {
    /// Not known.
    Unknown,
    /// Type B.
    B,
    /// Type S.
    S,
    /// Type R.
    R,
}

/// Whether a furnace is in use.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FurnaceState {
    /// In use.
    InUse,
    /// Out for service.
    InService,
    /// Retired for good.
    Retired,
}

impl FurnaceDetails {
    /// Checks every field; `path` is the request field that holds the furnace.
    pub fn check(&self, path: &str, violations: &mut Violations) {
        violations.text(&format!("{path}.display_name"), &self.display_name, 1, 120);
        violations.number(
            &format!("{path}.maximum_setpoint_c"),
            self.maximum_setpoint_c,
            900.0,
            1800.0,
            "°C",
        );
        violations.number(
            &format!("{path}.setpoint_step_c"),
            self.setpoint_step_c,
            0.1,
            25.0,
            "°C",
        );
        if let Some(tolerance) = self.tolerance_c {
            violations.number(&format!("{path}.tolerance_c"), tolerance, 2.0, 50.0, "°C");
        }
        violations.text(
            &format!("{path}.reference_position"),
            &self.reference_position,
            0,
            40,
        );
        violations.text(
            &format!("{path}.serial_number"),
            &self.serial_number,
            0,
            120,
        );
    }
}
