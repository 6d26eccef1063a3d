//! Calls about signatures.

use ringtrue_fleet::key::{SiteId, shown};
use ringtrue_fleet::sign_off::{
    AwaitedSignOff, MOST_PHRASE, Meaning, SignOff, SignOffSubject, SignOffWish, check_phrase,
};
use ringtrue_fleet::violation::Violations;
use ringtrue_proto::v1;
use ringtrue_proto::v1::sign_off_service_server::SignOffService;
use ringtrue_store::{PagePart, Read};
use tonic::{Request, Response, Status};

use super::access::{Method, method};
use super::caller::Asking;
use super::fields::{choice, found, name, settled, timestamp};
use super::page::{Order, Paging};
use super::request::repeatable;
use super::sites;
use super::status::answer;
use crate::app::{self, App, Error, Phrase};

const SIGN: Method = method("/ringtrue.v1.SignOffService/SignOff");
const LIST: Method = method("/ringtrue.v1.SignOffService/ListSignOffs");
const AWAITED: Method = method("/ringtrue.v1.SignOffService/ListAwaitedSignOffs");
const SET_PHRASE: Method = method("/ringtrue.v1.SignOffService/SetSigningPhrase");

/// Answers calls about signatures.
#[derive(Clone)]
pub(crate) struct SignOffs(pub(crate) App);

#[tonic::async_trait]
impl SignOffService for SignOffs {
    async fn sign_off(
        &self,
        request: Request<v1::SignOffRequest>,
    ) -> Result<Response<v1::SignOffResponse>, Status> {
        answer(sign_off(&self.0, request).await)
    }

    async fn list_sign_offs(
        &self,
        request: Request<v1::ListSignOffsRequest>,
    ) -> Result<Response<v1::ListSignOffsResponse>, Status> {
        answer(list(&self.0, request).await)
    }

    async fn list_awaited_sign_offs(
        &self,
        request: Request<v1::ListAwaitedSignOffsRequest>,
    ) -> Result<Response<v1::ListAwaitedSignOffsResponse>, Status> {
        answer(awaited(&self.0, request).await)
    }

    async fn set_signing_phrase(
        &self,
        request: Request<v1::SetSigningPhraseRequest>,
    ) -> Result<Response<v1::SetSigningPhraseResponse>, Status> {
        answer(set_phrase(&self.0, request).await)
    }
}

async fn sign_off(
    app: &App,
    request: Request<v1::SignOffRequest>,
) -> Result<v1::SignOffResponse, Error> {
    let asking = Asking::of(SIGN, &request)?;
    let mut asked = request.into_inner();
    let mut violations = Violations::default();
    let request_id = std::mem::take(&mut asked.request_id);
    // Out of the request before its digest is taken: that is kept, and a fast digest of a phrase tells the phrase.
    let phrase = std::mem::take(&mut asked.signing_phrase);
    let repeat = repeatable(SIGN, &request_id, &asked, &mut violations);
    let wish = wish(asked.sign_off.unwrap_or_default(), &mut violations);
    violations.text("signing_phrase", &phrase, 1, MOST_PHRASE);
    let wish = settled(wish, violations)?;
    let _scope = asking.site(wish.subject.site())?;
    let phrase = Phrase::new(phrase);
    let signed = app::sign_off(app, &asking.caller, wish, phrase, &repeat).await?;
    Ok(v1::SignOffResponse {
        sign_off: Some(message(&signed)),
    })
}

async fn set_phrase(
    app: &App,
    request: Request<v1::SetSigningPhraseRequest>,
) -> Result<v1::SetSigningPhraseResponse, Error> {
    let asking = Asking::of(SET_PHRASE, &request)?;
    let asked = request.into_inner();
    let mut violations = Violations::default();
    check_phrase("new_phrase", &asked.new_phrase, &mut violations);
    violations.text("old_phrase", &asked.old_phrase, 0, MOST_PHRASE);
    settled(Some(()), violations)?;
    let (new, old) = (Phrase::new(asked.new_phrase), Phrase::new(asked.old_phrase));
    app::set_signing_phrase(app, &asking.caller, new, old).await?;
    Ok(v1::SetSigningPhraseResponse {})
}

/// Whose signatures are wanted: a site's, or a record's.
enum Whose {
    Site(SiteId),
    Record(SignOffSubject),
}

impl Whose {
    fn read(parent: &str, violations: &mut Violations) -> Option<Self> {
        if let Ok(site) = SiteId::parse(parent) {
            return Some(Self::Site(site));
        }
        let record = SignOffSubject::parse(parent).ok().map(Self::Record);
        if record.is_none() {
            violations.add(
                "parent",
                "NOT_A_NAME",
                format!(
                    "`{}` is not the name of a site, a reading or an adjustment; check the name",
                    shown(parent)
                ),
            );
        }
        record
    }

    fn site(&self) -> &SiteId {
        match self {
            Self::Site(site) => site,
            Self::Record(record) => record.site(),
        }
    }

    async fn existing(&self, read: &Read) -> Result<(), Error> {
        match self {
            Self::Site(site) => found(read.site(site).await?, sites::KIND, site.name()).map(drop),
            Self::Record(SignOffSubject::Reading(reading)) => {
                let recorded = read.recorded(reading).await?;
                found(recorded, "ringtrue.v1/Reading", reading.name()).map(drop)
            }
            Self::Record(SignOffSubject::Adjustment(adjustment)) => {
                let recorded = read.adjustment(adjustment).await?;
                found(recorded, "ringtrue.v1/Adjustment", adjustment.name()).map(drop)
            }
        }
    }
}

async fn list(
    app: &App,
    request: Request<v1::ListSignOffsRequest>,
) -> Result<v1::ListSignOffsResponse, Error> {
    let asking = Asking::of(LIST, &request)?;
    let asked = request.into_inner();
    let mut violations = Violations::default();
    let whose = Whose::read(&asked.parent, &mut violations);
    let paging = Paging::read(
        LIST,
        &[&asked.parent],
        Order::LatestFirst,
        asked.page_size,
        &asked.page_token,
        &mut violations,
    );
    let whose = settled(whose, violations)?;
    let read = app.store.read(&asking.site(whose.site())?);
    whose.existing(&read).await?;
    let subject = match &whose {
        Whose::Site(_) => None,
        Whose::Record(record) => Some(record),
    };
    let rows = read.sign_offs(whose.site(), subject, &paging.page).await?;
    let place = |signed: &SignOff| {
        vec![
            PagePart::Number(signed.signed_at.as_microsecond()),
            PagePart::Text(signed.id.to_string()),
        ]
    };
    let (sign_offs, next_page_token) = paging.cut(&rows, place, message);
    Ok(v1::ListSignOffsResponse {
        sign_offs,
        next_page_token,
    })
}

async fn awaited(
    app: &App,
    request: Request<v1::ListAwaitedSignOffsRequest>,
) -> Result<v1::ListAwaitedSignOffsResponse, Error> {
    let asking = Asking::of(AWAITED, &request)?;
    let mut violations = Violations::default();
    let site = name(
        "parent",
        &request.get_ref().parent,
        SiteId::parse,
        &mut violations,
    );
    let site = settled(site, violations)?;
    let read = app.store.read(&asking.site(&site)?).on_one_connection();
    found(read.site(&site).await?, sites::KIND, site.name())?;
    let rows = read.awaited_sign_offs(&site).await?;
    Ok(v1::ListAwaitedSignOffsResponse {
        awaited: rows.iter().map(awaited_message).collect(),
    })
}

/// Reads what is to be signed, and what that is to mean.
fn wish(given: v1::SignOffRecord, violations: &mut Violations) -> Option<SignOffWish> {
    let subject = name(
        "sign_off.subject",
        &given.subject,
        SignOffSubject::parse,
        violations,
    );
    let meaning = match choice("sign_off.meaning", given.meaning, violations) {
        Some(v1::SignOffMeaning::Reviewed) => Some(Meaning::Reviewed),
        Some(v1::SignOffMeaning::Rejected) => Some(Meaning::Rejected),
        Some(v1::SignOffMeaning::Unspecified) => {
            violations.add(
                "sign_off.meaning",
                "REQUIRED",
                "is not given; send reviewed or rejected",
            );
            None
        }
        None => None,
    };
    let wish = SignOffWish {
        subject: subject?,
        meaning: meaning?,
        comment: given.comment,
    };
    wish.check("sign_off", violations);
    Some(wish)
}

fn message(signed: &SignOff) -> v1::SignOffRecord {
    let meaning = match signed.meaning {
        Meaning::Reviewed => v1::SignOffMeaning::Reviewed,
        Meaning::Rejected => v1::SignOffMeaning::Rejected,
    };
    v1::SignOffRecord {
        name: signed.name(),
        subject: signed.subject.name(),
        meaning: meaning.into(),
        comment: signed.comment.clone(),
        person: signed.person.clone(),
        sign_time: Some(timestamp(signed.signed_at)),
        record_sha256: signed.record_digest.clone(),
    }
}

fn awaited_message(awaited: &AwaitedSignOff) -> v1::AwaitedSignOff {
    v1::AwaitedSignOff {
        subject: awaited.subject.name(),
        record_time: Some(timestamp(awaited.recorded_at)),
        performed_by: awaited.performed_by.clone(),
        summary: awaited.words(),
    }
}
