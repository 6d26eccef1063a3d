//! What the server answers over plain HTTP: calendar feeds, and the end of mail.

mod calendar_file;

pub use calendar_file::calendar_file;
