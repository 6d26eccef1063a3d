//! A page of a list: after which item, and how many.

/// One part of the key of the last item of the page before.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub enum PagePart {
    /// An id.
    Text(String),
    /// A moment, microseconds since 1970-01-01 UTC.
    Number(i64),
}

/// Which page of a list is wanted.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Page {
    /// How many items the caller shows; the store gives one more when there is one.
    pub size: u32,
    /// Key of the last item of the page before; empty for the first page.
    pub after: Vec<PagePart>,
}

impl Page {
    /// How many rows to fetch.
    pub(crate) fn limit(&self) -> i64 {
        i64::from(self.size) + 1
    }

    /// The text at a place of the key; empty, which sorts before every id, on the first page.
    pub(crate) fn text(&self, at: usize) -> &str {
        match self.after.get(at) {
            Some(PagePart::Text(text)) => text,
            _ => "",
        }
    }

    /// The moment at a place of the key for lists with the latest first; the far future on the first
    /// page.
    pub(crate) fn moment(&self, at: usize) -> i64 {
        match self.after.get(at) {
            Some(PagePart::Number(moment)) => *moment,
            _ => i64::MAX,
        }
    }
}
