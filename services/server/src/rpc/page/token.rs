//! Page tokens as they travel: protobuf in hexadecimal.

use data_encoding::{HEXLOWER, HEXLOWER_PERMISSIVE};
use prost::Message;
use ringtrue_store::PagePart;

/// Longest token that is looked at, bytes; two ids of 63 characters need less.
const LONGEST: usize = 1024;

/// Counts changes of what a token holds.
const VERSION: u32 = 1;

/// Leads from one page of a list to the next. It grants nothing, so nothing keeps callers from making their own.
#[doc(hidden)]
#[derive(Debug, Clone, PartialEq)]
pub struct PageToken {
    /// Tells which list it belongs to.
    pub(super) list: Vec<u8>,
    /// The key of the last item shown.
    pub(super) after: Vec<PagePart>,
}

#[derive(Clone, PartialEq, Message)]
struct Sent {
    #[prost(uint32, tag = "1")]
    version: u32,
    #[prost(bytes = "vec", tag = "2")]
    list: Vec<u8>,
    #[prost(message, repeated, tag = "3")]
    after: Vec<Part>,
}

#[derive(Clone, PartialEq, Message)]
struct Part {
    #[prost(oneof = "PartValue", tags = "1, 2")]
    value: Option<PartValue>,
}

#[derive(Clone, PartialEq, prost::Oneof)]
enum PartValue {
    #[prost(string, tag = "1")]
    Text(String),
    #[prost(sint64, tag = "2")]
    Number(i64),
}

impl PageToken {
    /// Reads a token; none when it is none.
    pub fn read(text: &str) -> Option<Self> {
        let sent = Sent::decode(bytes(text)?.as_slice()).ok()?;
        if sent.version != VERSION {
            return None;
        }
        let mut after = Vec::with_capacity(sent.after.len());
        for part in sent.after {
            after.push(match part.value? {
                PartValue::Text(text) => PagePart::Text(text),
                PartValue::Number(number) => PagePart::Number(number),
            });
        }
        let list = sent.list;
        Some(Self { list, after })
    }

    /// Writes it.
    pub fn text(&self) -> String {
        let mut after = Vec::with_capacity(self.after.len());
        for part in &self.after {
            let value = match part {
                PagePart::Text(text) => PartValue::Text(text.clone()),
                PagePart::Number(number) => PartValue::Number(*number),
            };
            after.push(Part { value: Some(value) });
        }
        let sent = Sent {
            version: VERSION,
            list: self.list.clone(),
            after,
        };
        HEXLOWER.encode(&sent.encode_to_vec())
    }
}

fn bytes(digits: &str) -> Option<Vec<u8>> {
    if digits.len() > LONGEST {
        return None;
    }
    HEXLOWER_PERMISSIVE.decode(digits.as_bytes()).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_token_of_another_version_is_none() {
        let token = PageToken {
            list: vec![7; 8],
            after: vec![PagePart::Number(-3), PagePart::Text("k2".to_owned())],
        };
        assert_eq!(PageToken::read(&token.text()), Some(token.clone()));
        let other = Sent {
            version: 2,
            list: token.list,
            after: Vec::new(),
        };
        assert_eq!(
            PageToken::read(&HEXLOWER.encode(&other.encode_to_vec())),
            None
        );
    }
}
