//! The `ringtrue` program against a real server, as technicians and quality control use it.

mod access;
mod auditing;
mod bad_files;
mod broken_off;
mod changes;
mod cut_off;
mod due_and_care;
mod encrypted;
mod exit_codes;
mod exposure;
mod files;
mod first_week;
mod importing;
mod looks;
mod papers;
mod quality_control;
mod queue_conflicts;
mod queue_file;
mod queue_storm;
mod queueing;
mod shapes;
mod signing;
mod step_by_step;
mod watching;
mod webhooks;
mod workplace;
