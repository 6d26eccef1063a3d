//! Codes as people type them.

use proptest::prelude::*;

use super::*;

#[test]
fn a_code_is_read_as_people_type_it() {
    let code = Code::parse("7K3M-Q9XW-2B4D").expect("a code");
    assert_eq!(code.text(), "7K3M-Q9XW-2B4D");
    for typed in ["7k3mq9xw2b4d", " 7K3M q9xw 2B4D ", "7K3M-Q9XW-2b4d"] {
        assert_eq!(Code::parse(typed), Ok(code.clone()), "{typed}");
    }
    assert_eq!(Code::parse("iLo0-0000-0000"), Code::parse("1100-0000-0000"));
    assert!(!format!("{code:?}").contains("2B4D"));
}

#[test]
fn what_is_no_code_is_refused() {
    for wrong in [
        "",
        "7K3M-Q9XW-2B4",
        "7K3M-Q9XW-2B4DD",
        "7K3M-Q9XW-2B4U",
        "7K3M-Q9XW-2B4é",
    ] {
        assert_eq!(Code::parse(wrong), Err(BadCode), "{wrong}");
    }
}

proptest! {
    #[test]
    fn every_code_reads_back(random in any::<u64>()) {
        let code = Code::of(random);
        prop_assert_eq!(Code::parse(&code.text()), Ok(code.clone()));
        prop_assert_eq!(Code::parse(&code.text().to_lowercase()), Ok(code));
    }

    #[test]
    fn any_text_is_read_or_refused(text in "\\PC{0,40}") {
        if let Ok(code) = Code::parse(&text) {
            prop_assert_eq!(Code::parse(&code.text()), Ok(code));
        }
    }
}
