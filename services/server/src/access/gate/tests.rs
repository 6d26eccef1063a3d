//! What the gate reads from a call.

use super::*;

fn stated(operator: &str) -> Result<Option<String>, Error> {
    let mut headers = HeaderMap::new();
    headers.insert(OPERATOR, operator.parse().expect("valid in a header"));
    super::operator(&headers).map(|operator| operator.map(str::to_owned))
}

#[test]
fn the_staff_code_is_read() {
    assert_eq!(stated("ab-7").ok(), Some(Some("ab-7".to_owned())));
    assert_eq!(stated("").ok(), Some(None));
    assert_eq!(stated(&"x".repeat(40)).ok(), Some(Some("x".repeat(40))));
    assert_eq!(operator(&HeaderMap::new()).ok(), Some(None));
}

#[test]
fn what_is_not_a_staff_code_is_refused() {
    for wrong in [&"x".repeat(41), "a b", "a\tb"] {
        let Err(Error::Invalid(violations)) = stated(wrong) else {
            panic!("{wrong} was taken");
        };
        assert_eq!(violations.0[0].field, OPERATOR);
    }
}
