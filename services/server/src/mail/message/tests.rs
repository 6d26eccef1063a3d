//! Checks of headers: what a mail is told by, and that nobody's words begin one.

use super::*;

const URL: &str =
    "https://ringtrue.example.org/unsubscribe/0123456789012345678901234567890123456789abc";

fn content(subject: &str) -> Content {
    Content {
        subject: subject.to_owned(),
        text: "Größe\n".to_owned(),
        html: "<p>Größe</p>\n".to_owned(),
    }
}

fn written(content: &Content, unsubscribe: Option<&str>) -> String {
    let from: Mailbox = "Ringtrue <ringtrue@example.org>"
        .parse()
        .expect("a mailbox");
    let to = address("lab@example.org").expect("an address");
    let subscription = SubscriptionId::new("m1").expect("an id");
    let id = message_id(&subscription, "a1", &from);
    let envelope = Envelope {
        from: &from,
        to: &to,
        message_id: &id,
        unsubscribe,
        now: "2026-11-27T15:00:00Z".parse().expect("a moment"),
    };
    let message = message(content, &envelope).expect("a message");
    String::from_utf8(message.formatted()).expect("a mail is ASCII")
}

fn headers(mail: &str) -> Vec<String> {
    let (headers, _) = mail.split_once("\r\n\r\n").expect("headers end");
    headers
        .replace("\r\n ", " ")
        .split("\r\n")
        .map(str::to_owned)
        .collect()
}

#[test]
fn a_mail_says_that_a_machine_wrote_it_and_how_to_end_it() {
    let mail = written(&content("K2: due"), Some(URL));
    let headers = headers(&mail);
    for wanted in [
        "From: Ringtrue <ringtrue@example.org>",
        "To: lab@example.org",
        "Subject: K2: due",
        "Date: Fri, 27 Nov 2026 15:00:00 +0000",
        "Auto-Submitted: auto-generated",
        &format!("List-Unsubscribe: <{URL}>"),
        "List-Unsubscribe-Post: List-Unsubscribe=One-Click",
        "MIME-Version: 1.0",
    ] {
        assert!(
            headers.iter().any(|header| header == wanted),
            "{wanted}\n{mail}"
        );
    }
    assert!(mail.is_ascii());
    assert!(mail.split("\r\n").all(|line| line.len() <= 998), "{mail}");
}

#[test]
fn one_click_is_offered_over_https_only_and_nothing_without_a_link() {
    let plain = written(&content("s"), Some("http://127.0.0.1:7146/unsubscribe/x"));
    assert!(plain.contains("List-Unsubscribe: ") && !plain.contains("List-Unsubscribe-Post"));
    assert!(!written(&content("s"), None).contains("List-Unsubscribe"));
}

#[test]
fn nobodys_words_begin_a_header() {
    let subject = "K2\r\nBcc: other@example.org\r\n\r\nbody\u{0}";
    for unsubscribe in [None, Some("https://a.example/x\r\nBcc: other@example.org")] {
        let mail = written(&content(subject), unsubscribe);
        for header in headers(&mail) {
            assert!(!header.to_lowercase().starts_with("bcc"), "{mail}");
        }
        assert_eq!(
            headers(&mail)
                .iter()
                .filter(|header| header.starts_with("Subject: K2 Bcc: other@example.org body"))
                .count(),
            1,
            "{mail}"
        );
    }
}

#[test]
fn a_repeat_is_the_same_to_the_byte_and_another_topic_has_another_id() {
    let (one, again) = (written(&content("s"), None), written(&content("s"), None));
    assert_eq!(one, again);
    let from: Mailbox = "ringtrue@example.org".parse().expect("a mailbox");
    let id = |subscription: &str, topic: &str| {
        let subscription = SubscriptionId::new(subscription).expect("an id");
        message_id(&subscription, topic, &from)
    };
    assert_eq!(id("m1", "a1"), id("m1", "a1"));
    assert_ne!(id("m1", "a1"), id("m1", "a2"));
    assert_ne!(id("m1", "a1"), id("m2", "a1"));
    assert!(id("m1", "a1").ends_with("@example.org>"));
}

#[test]
fn addresses_are_bare_and_mail_can_go_to_them() {
    for good in [
        "lab@example.org",
        "first.last+ringtrue@mail.example.org",
        "a@xn--bcher-kva.example",
    ] {
        assert!(address(good).is_ok(), "{good}");
    }
    let long = format!("{}@example.org", "x".repeat(250));
    for bad in [
        "",
        "lab",
        "lab@",
        "@example.org",
        "Lab <lab@example.org>",
        "a@example.org,b@example.org",
        "a b@example.org",
        "lab@example.org\r\nBcc: b@example.org",
        "lab@exämple.org",
        "lab@[127.0.0.1]",
        "\"lab\"@example.org",
        "lab@example..org",
        &long,
    ] {
        assert_eq!(address(bad), Err(NotAnAddress), "{bad}");
    }
}
