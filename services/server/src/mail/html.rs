//! Plain HTML for letters: headings, paragraphs, lists; no pictures, no scripts, nothing that is fetched.

use std::fmt::Write as _;

/// A page under construction; everything put into it is escaped.
#[derive(Debug)]
pub(crate) struct Html(String);

impl Html {
    /// Begins a page with its title.
    pub(crate) fn page(title: &str) -> Self {
        let mut html = Self(String::with_capacity(2_000));
        html.0.push_str(
            "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
             <meta name=\"viewport\" content=\"width=device-width\">\n<title>",
        );
        html.0.push_str(&escaped(title));
        html.0.push_str(
            "</title>\n</head>\n<body style=\"font-family: sans-serif; line-height: 1.5; max-width: 40em\">\n",
        );
        html
    }

    /// A heading; level 1 is the page's own.
    pub(crate) fn heading(&mut self, level: u8, words: &str) {
        self.line(&format!("h{level}"), &escaped(words));
    }

    /// A paragraph; line feeds stay.
    pub(crate) fn paragraph(&mut self, words: &str) {
        self.line("p", &escaped(words).replace('\n', "<br>\n"));
    }

    /// A paragraph with a word before it that stands out.
    pub(crate) fn labelled(&mut self, label: &str, words: &str) {
        let inner = format!("<strong>{}:</strong> {}", escaped(label), escaped(words));
        self.line("p", &inner);
    }

    /// A paragraph with something to type.
    pub(crate) fn command(&mut self, label: &str, command: &str) {
        let inner = format!("{} <code>{}</code>", escaped(label), escaped(command));
        self.line("p", &inner);
    }

    /// A list.
    pub(crate) fn list(&mut self, items: &[String]) {
        self.0.push_str("<ul>\n");
        for item in items {
            self.line("li", &escaped(item));
        }
        self.0.push_str("</ul>\n");
    }

    /// A paragraph that is a link.
    pub(crate) fn link(&mut self, words: &str, to: &str) {
        let inner = format!("<a href=\"{}\">{}</a>", escaped(to), escaped(words));
        self.line("p", &inner);
    }

    /// A form of one button that posts nothing but its own name.
    pub(crate) fn button(&mut self, words: &str, field: (&str, &str)) {
        let inner = format!(
            "<button type=\"submit\" name=\"{}\" value=\"{}\">{}</button>",
            escaped(field.0),
            escaped(field.1),
            escaped(words)
        );
        self.line("form method=\"post\"", &inner);
    }

    /// Ends the page.
    pub(crate) fn done(mut self) -> String {
        self.0.push_str("</body>\n</html>\n");
        self.0
    }

    fn line(&mut self, tag: &str, inner: &str) {
        let name = tag.split(' ').next().unwrap_or(tag);
        writeln!(self.0, "<{tag}>{inner}</{name}>").expect("writing to a string cannot fail");
    }
}

/// Writes text so that no program takes any of it for markup.
fn escaped(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for letter in text.chars() {
        match letter {
            '&' => safe.push_str("&amp;"),
            '<' => safe.push_str("&lt;"),
            '>' => safe.push_str("&gt;"),
            '"' => safe.push_str("&quot;"),
            '\'' => safe.push_str("&#39;"),
            _ => safe.push(letter),
        }
    }
    safe
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_that_people_wrote_becomes_markup() {
        let words = "<script>alert('x')</script> & \"more\"";
        let mut html = Html::page(words);
        html.heading(1, words);
        html.paragraph(words);
        html.labelled(words, words);
        html.command(words, words);
        html.list(&[words.to_owned()]);
        html.link(words, words);
        html.button(words, (words, words));
        let page = html.done();
        assert!(!page.contains("<script") && !page.contains("'x'"), "{page}");
        assert_eq!(page.matches("&lt;script&gt;").count(), 13, "{page}");
    }

    #[test]
    fn a_tag_that_is_opened_is_closed() {
        let mut html = Html::page("t");
        html.button("End", ("a", "b"));
        html.paragraph("one\ntwo");
        let page = html.done();
        for tag in ["html", "head", "body", "title", "form", "button", "p"] {
            let opened = page.matches(&format!("<{tag}>")).count()
                + page.matches(&format!("<{tag} ")).count();
            assert_eq!(opened, page.matches(&format!("</{tag}>")).count(), "{tag}");
        }
        assert!(page.contains("one<br>\ntwo"), "{page}");
    }
}
