//! Charts: what is to be seen of a furnace, drawn with characters in the terminal or as a picture into a
//! file.

pub(crate) mod control;
pub(crate) mod control_picture;
pub(crate) mod picture;
pub(crate) mod scale;
pub(crate) mod terminal;
pub(crate) mod track;
pub(crate) mod track_lines;
pub(crate) mod track_picture;

#[cfg(test)]
pub(crate) mod sample;
#[cfg(test)]
mod tests;
