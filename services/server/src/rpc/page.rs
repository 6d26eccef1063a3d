//! Pages of lists: sizes, tokens, and where a page ends.
//!
//! A token is opaque to callers. It holds the key of the last item shown and a digest of the list it
//! belongs to, so that a token of another list, or of the same list with other filters, is refused
//! and never skips records unseen.

mod token;

use prost::Message;
use ringtrue_fleet::violation::Violations;
use ringtrue_store::{Page, PagePart};
use sha2::{Digest as _, Sha256};

use super::access::Method;

pub use token::PageToken;

/// Items of a page when the caller states no number.
const USUAL_SIZE: u32 = 50;

/// Most items of a page.
const LARGEST_SIZE: u32 = 1000;

/// Most bytes of items in a page; gRPC clients usually refuse answers above 4 MiB.
const LARGEST_BYTES: usize = 3 * 1024 * 1024;

/// How the items of a list are told apart and ordered.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Order {
    /// By one id.
    Id,
    /// By place in a chain.
    Along,
    /// By two ids, the outer one first.
    TwoIds,
    /// By moment, latest first, then by id.
    LatestFirst,
    /// By state and probability, then by id.
    Pressing,
    /// As of a moment: by two figures, then by two ids.
    Ranked,
    /// By day and task, then by two names.
    Soonest,
}

/// What a caller wants of a list.
#[derive(Debug)]
pub(crate) struct Paging {
    /// What to ask the store for.
    pub(crate) page: Page,
    list: Vec<u8>,
}

impl Paging {
    /// Reads `page_size` and `page_token`; `filters` is everything else that decides which list it
    /// is.
    pub(crate) fn read(
        method: Method,
        filters: &[&str],
        order: Order,
        page_size: i32,
        page_token: &str,
        violations: &mut Violations,
    ) -> Self {
        let size = match u32::try_from(page_size) {
            Ok(0) => USUAL_SIZE,
            Ok(size) => size.min(LARGEST_SIZE),
            Err(_) => {
                violations.add(
                    "page_size",
                    "OUT_OF_RANGE",
                    format!("{page_size} is negative; send 1 to {LARGEST_SIZE}, or leave it out"),
                );
                USUAL_SIZE
            }
        };
        let list = digest(method, filters);
        let mut after = Vec::new();
        if !page_token.is_empty() {
            match parsed(page_token, &list, order) {
                Some(parts) => after = parts,
                None => violations.add(
                    "page_token",
                    "NOT_OF_THIS_LIST",
                    "is not a token of this list; send the `next_page_token` of the page before with \
                     the same parent and filters, or leave it out to begin again",
                ),
            }
        }
        Self {
            page: Page { size, after },
            list,
        }
    }

    /// Cuts what the store gave to one page of messages and gives the token of the next; empty when
    /// this is the last.
    ///
    /// A page may hold fewer items than asked for when they are large.
    pub(crate) fn cut<T, M: Message>(
        &self,
        rows: &[T],
        key: impl Fn(&T) -> Vec<PagePart>,
        message: impl Fn(&T) -> M,
    ) -> (Vec<M>, String) {
        let size = usize::try_from(self.page.size).unwrap_or(usize::MAX);
        let mut shown = Vec::with_capacity(rows.len().min(size));
        let mut bytes = 0;
        let mut last: Option<&T> = None;
        for row in rows {
            let item = message(row);
            bytes += item.encoded_len();
            // One item always goes out, or a caller would never get past a large one.
            let full = shown.len() >= size || (bytes > LARGEST_BYTES && !shown.is_empty());
            if let (true, Some(last)) = (full, last) {
                return (shown, self.token(key(last)));
            }
            shown.push(item);
            last = Some(row);
        }
        (shown, String::new())
    }

    fn token(&self, after: Vec<PagePart>) -> String {
        let list = self.list.clone();
        PageToken { list, after }.text()
    }
}

/// Eight bytes that tell lists apart: enough against mix-ups, and a token grants nothing.
fn digest(method: Method, filters: &[&str]) -> Vec<u8> {
    let mut digest = Sha256::new();
    digest.update(method.path);
    for filter in filters {
        digest.update([0]);
        digest.update(filter);
    }
    digest.finalize()[..8].to_vec()
}

fn parsed(page_token: &str, list: &[u8], order: Order) -> Option<Vec<PagePart>> {
    let token = PageToken::read(page_token)?;
    if token.list != list {
        return None;
    }
    let after = token.after;
    let fits = match order {
        Order::Id => matches!(after.as_slice(), [PagePart::Text(_)]),
        Order::Along => matches!(after.as_slice(), [PagePart::Number(_)]),
        Order::TwoIds => matches!(after.as_slice(), [PagePart::Text(_), PagePart::Text(_)]),
        Order::LatestFirst => {
            matches!(after.as_slice(), [PagePart::Number(_), PagePart::Text(_)])
        }
        Order::Pressing => matches!(
            after.as_slice(),
            [PagePart::Number(_), PagePart::Number(_), PagePart::Text(_)]
        ),
        Order::Soonest => matches!(
            after.as_slice(),
            [
                PagePart::Number(_),
                PagePart::Number(_),
                PagePart::Text(_),
                PagePart::Text(_)
            ]
        ),
        Order::Ranked => matches!(
            after.as_slice(),
            [
                PagePart::Number(_),
                PagePart::Number(_),
                PagePart::Number(_),
                PagePart::Text(_),
                PagePart::Text(_)
            ]
        ),
    };
    fits.then_some(after)
}

#[cfg(test)]
mod tests {
    use super::super::access::method;
    use super::*;

    const LIST: Method = method("/ringtrue.v1.ReadingService/ListReadings");

    fn page(filters: &[&str], size: i32, token: &str) -> (Paging, Violations) {
        let mut violations = Violations::default();
        let paging = Paging::read(
            LIST,
            filters,
            Order::LatestFirst,
            size,
            token,
            &mut violations,
        );
        (paging, violations)
    }

    fn key(row: i64) -> Vec<PagePart> {
        vec![PagePart::Number(row), PagePart::Text(format!("r{row}"))]
    }

    fn cut(paging: &Paging, rows: &[i64]) -> (Vec<String>, String) {
        paging.cut(rows, |row| key(*row), i64::to_string)
    }

    #[test]
    fn a_token_leads_to_what_follows_the_last_item_shown() {
        let (first, _) = page(&["sites/north"], 2, "");
        let (shown, token) = cut(&first, &[9, -8, 7]);
        assert_eq!(shown, ["9", "-8"]);
        let (second, violations) = page(&["sites/north"], 2, &token);
        assert_eq!(violations, Violations::default());
        assert_eq!(second.page.after, key(-8));
        assert_eq!(cut(&second, &[7]), (vec!["7".to_owned()], String::new()));
    }

    #[test]
    fn a_full_last_page_has_no_token() {
        let (paging, _) = page(&[], 2, "");
        assert_eq!(cut(&paging, &[1, 2]).1, "");
        assert_eq!(cut(&paging, &[]), (Vec::new(), String::new()));
    }

    #[test]
    fn a_token_of_another_list_filter_or_order_is_refused() {
        let (paging, _) = page(&["sites/north", "true"], 1, "");
        let (_, token) = cut(&paging, &[2, 1]);
        let mut wrong = vec![
            "zz".to_owned(),
            "abc".to_owned(),
            "é0".to_owned(),
            "0".repeat(5000),
        ];
        wrong.push(paging.token(vec![PagePart::Text("a".to_owned())]));
        for token in &wrong {
            let (refused, violations) = page(&["sites/north", "true"], 1, token);
            assert_eq!(violations.0.len(), 1, "{token}");
            assert_eq!(violations.0[0].field, "page_token");
            assert!(refused.page.after.is_empty());
        }
        for filters in [
            &["sites/north", "false"][..],
            &["sites/northtrue"],
            &["sites/south", "true"],
        ] {
            assert_eq!(page(filters, 1, &token).1.0.len(), 1, "{filters:?}");
        }
        assert_eq!(page(&["sites/north", "true"], 1, &token).1.0.len(), 0);
    }

    #[test]
    fn page_sizes_have_a_default_a_limit_and_no_negatives() {
        assert_eq!(page(&[], 0, "").0.page.size, 50);
        assert_eq!(page(&[], 7, "").0.page.size, 7);
        assert_eq!(page(&[], i32::MAX, "").0.page.size, 1000);
        let (_, violations) = page(&[], -1, "");
        assert_eq!(violations.0[0].field, "page_size");
    }

    #[test]
    fn large_items_end_a_page_early_and_none_is_lost() {
        let (paging, _) = page(&[], 1000, "");
        let large = |_: &i64| "x".repeat(2 * 1024 * 1024);
        let (shown, token) = paging.cut(&[5, 4, 3], |row| key(*row), large);
        assert_eq!(shown.len(), 1);
        assert_eq!(page(&[], 1000, &token).0.page.after, key(5));
        let larger = |_: &i64| "x".repeat(5 * 1024 * 1024);
        assert_eq!(paging.cut(&[3], |row| key(*row), larger).0.len(), 1);
    }
}
