//! Alerts: rules of the register and of causes.
