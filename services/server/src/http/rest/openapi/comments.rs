//! The comments of the protocol files.

use prost_reflect::FileDescriptor;

/// The comment in front of what is at `path` in a file, as paragraphs.
pub(super) fn comment(file: &FileDescriptor, path: &[i32]) -> String {
    let proto = file.file_descriptor_proto();
    let locations = proto
        .source_code_info
        .as_ref()
        .map_or(&[][..], |info| info.location.as_slice());
    let found = locations.iter().find(|location| location.path == path);
    let text = found.map_or("", |location| location.leading_comments());
    let mut paragraphs: Vec<String> = vec![String::new()];
    for line in text.lines().map(str::trim) {
        if line.is_empty() {
            paragraphs.push(String::new());
        } else if let Some(last) = paragraphs.last_mut() {
            if !last.is_empty() {
                last.push(' ');
            }
            last.push_str(line);
        }
    }
    paragraphs.retain(|paragraph| !paragraph.is_empty());
    paragraphs.join("\n\n")
}

/// The first sentence of a comment, without its full stop.
pub(super) fn first_sentence(text: &str) -> &str {
    let end = text.find(". ").unwrap_or(text.len());
    text[..end].trim_end_matches('.')
}
