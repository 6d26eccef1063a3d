//! Resource names: what is accepted is written back as it was read, so no name has two spellings, and a name is of one
//! kind only.

use ringtrue_fleet::act::ActSubject;
use ringtrue_fleet::finding::Subject;
use ringtrue_fleet::key::{
    ActKey, AdjustmentKey, AlertId, BatchId, CredentialId, EnrolmentId, FeedKey, FindingId,
    FurnaceKey, GaugeKey, ProgrammeKey, ReadingKey, SiteGroupId, SiteId, SubscriptionKey,
};
use ringtrue_fleet::rule::{RuleKey, RulePlace};
use ringtrue_fleet::sign_off::SignOffSubject;

/// Most bytes of a name: eight segments of the longest ids and words.
const LONGEST: usize = 300;

/// Reads an input as a name of every kind.
pub fn read(input: &[u8]) {
    let Ok(name) = std::str::from_utf8(input) else {
        return;
    };
    let one_kind = [
        SiteId::parse(name).ok().map(|key| key.name()),
        BatchId::parse(name).ok().map(|key| key.name()),
        FindingId::parse(name).ok().map(|key| key.name()),
        FurnaceKey::parse(name).ok().map(|key| key.name()),
        ProgrammeKey::parse(name).ok().map(|key| key.name()),
        GaugeKey::parse(name).ok().map(|key| key.name()),
        ReadingKey::parse(name).ok().map(|key| key.name()),
        AdjustmentKey::parse(name).ok().map(|key| key.name()),
        AlertId::parse(name).ok().map(|key| key.name()),
        CredentialId::parse(name).ok().map(|key| key.name()),
        EnrolmentId::parse(name).ok().map(|key| key.name()),
        SiteGroupId::parse(name).ok().map(|key| key.name()),
        ActKey::parse(name).ok().map(|key| key.name()),
        FeedKey::parse(name).ok().map(|key| key.name()),
        SubscriptionKey::parse(name).ok().map(|key| key.name()),
        RuleKey::parse(name).ok().flatten().map(|key| key.name()),
    ];
    let several_kinds = [
        ActSubject::parse(name).ok().map(|subject| subject.name()),
        Subject::parse(name).ok().map(|subject| subject.name()),
        RulePlace::parse(name).ok().map(|place| place.name()),
        SignOffSubject::parse(name)
            .ok()
            .map(|subject| subject.name()),
    ];
    let accepted = one_kind.iter().flatten().count();
    assert!(accepted <= 1, "`{name}` is a name of {accepted} kinds");
    for written in one_kind.iter().chain(&several_kinds).flatten() {
        assert_eq!(written, name, "a name with two spellings");
        assert!(name.len() <= LONGEST, "a name of {} bytes", name.len());
        let plain = |byte: u8| byte.is_ascii_alphanumeric() || b"-/_".contains(&byte);
        assert!(name.bytes().all(plain), "`{name}` has strange characters");
    }
}
