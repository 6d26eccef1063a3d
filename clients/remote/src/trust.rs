//! Why an encrypted connection came to nothing, in words a person can act on.

use std::error::Error;

use rustls::{AlertDescription, CertificateError};
use tonic::Code;
use x509_parser::time::ASN1Time;

use crate::Failure;

/// Reasons of failures that only a person can mend: nothing was sent, and asking again changes nothing.
const REASONS: [&str; 6] = [
    "UNKNOWN_AUTHORITY",
    "CERTIFICATE_EXPIRED",
    "CERTIFICATE_NOT_YET_VALID",
    "WRONG_NAME",
    "CLIENT_CERTIFICATE_REFUSED",
    "NO_ENCRYPTION",
];

/// Says whether a reason is one of an encrypted connection that came to nothing.
pub(crate) fn is_about_trust(reason: &str) -> bool {
    REASONS.contains(&reason)
}

/// Alerts about the certificate that a client showed, or did not show (RFC 8446, 6.2).
const OF_CLIENT: [AlertDescription; 9] = [
    AlertDescription::CertificateRequired,
    AlertDescription::UnknownCA,
    AlertDescription::BadCertificate,
    AlertDescription::UnsupportedCertificate,
    AlertDescription::CertificateRevoked,
    AlertDescription::CertificateExpired,
    AlertDescription::CertificateUnknown,
    AlertDescription::AccessDenied,
    AlertDescription::DecryptError,
];

/// How an alert reads that arrived after the client's own part of the handshake was done; the transport passes it
/// on as a text. A test provokes it through the transport, so that a new version with another text is noticed.
const LATE_ALERT: &str = "received fatal alert: ";

/// Finds why encryption came to nothing among the causes of an error; none when that was not it.
pub(crate) fn failure(error: &(dyn Error + 'static)) -> Option<Failure> {
    let mut cause = Some(error);
    while let Some(at) = cause {
        if let Some(fault) = at.downcast_ref::<rustls::Error>() {
            return Some(of(fault));
        }
        // An error of the system shows its cause's cause as its own.
        let within = at
            .downcast_ref::<std::io::Error>()
            .and_then(|io| io.get_ref());
        if let Some(within) = within
            && let Some(found) = failure(within)
        {
            return Some(found);
        }
        if at.is::<std::io::Error>()
            && let Some((_, alert)) = at.to_string().split_once(LATE_ALERT)
            && let Some(alert) = OF_CLIENT
                .into_iter()
                .find(|known| format!("{known:?}") == alert)
        {
            return Some(of(&rustls::Error::AlertReceived(alert)));
        }
        cause = at.source();
    }
    None
}

/// Says why a handshake failed.
pub(crate) fn of(fault: &rustls::Error) -> Failure {
    let (reason, message) = match fault {
        rustls::Error::InvalidCertificate(fault) => of_certificate(fault),
        rustls::Error::AlertReceived(alert) => of_alert(*alert),
        rustls::Error::InvalidMessage(_) => (
            "NO_ENCRYPTION",
            "what answers at this address does not encrypt; see that the port is right, and write http:// for a server \
             without encryption on this machine itself"
                .to_owned(),
        ),
        other => ("NO_ENCRYPTION", no_agreement(&other.to_string())),
    };
    Failure::plain(Code::Unavailable, reason, &message)
}

fn of_certificate(fault: &CertificateError) -> (&'static str, String) {
    match fault {
        CertificateError::Expired => ("CERTIFICATE_EXPIRED", expired(None)),
        CertificateError::ExpiredContext { not_after, .. } => (
            "CERTIFICATE_EXPIRED",
            expired(day(not_after.as_secs()).as_deref()),
        ),
        CertificateError::NotValidYet => ("CERTIFICATE_NOT_YET_VALID", not_yet(None)),
        CertificateError::NotValidYetContext { not_before, .. } => (
            "CERTIFICATE_NOT_YET_VALID",
            not_yet(day(not_before.as_secs()).as_deref()),
        ),
        CertificateError::NotValidForName => ("WRONG_NAME", wrong_name(None, &[])),
        CertificateError::NotValidForNameContext {
            expected,
            presented,
        } => (
            "WRONG_NAME",
            wrong_name(Some(&expected.to_str()), presented),
        ),
        other => {
            let detail = match other {
                CertificateError::UnknownIssuer => String::new(),
                other => format!(" ({other})"),
            };
            let message = format!(
                "the server shows a certificate that this client does not trust{detail}: it is another server, somebody \
                 stands in between, or its authority was made anew; do not go on before the administrator of the server \
                 has told you its pin, then connect anew with that pin"
            );
            ("UNKNOWN_AUTHORITY", message)
        }
    }
}

fn of_alert(alert: AlertDescription) -> (&'static str, String) {
    match alert {
        AlertDescription::CertificateRequired => (
            "CLIENT_CERTIFICATE_REFUSED",
            "the server lets in only clients that show a certificate: ask its administrator for one".to_owned(),
        ),
        refused if OF_CLIENT.contains(&refused) => (
            "CLIENT_CERTIFICATE_REFUSED",
            format!(
                "the server does not accept the certificate that this client shows ({alert:?}): it has ended, or is not \
                 from the server's authority; ask the server's administrator for a new one"
            ),
        ),
        other => ("NO_ENCRYPTION", no_agreement(&format!("{other:?}"))),
    }
}

fn expired(on: Option<&str>) -> String {
    let on = on.map(|on| format!(" on {on}")).unwrap_or_default();
    format!(
        "the server's certificate has ended{on}: ask its administrator to renew it, and see that the clock of this \
         machine is right"
    )
}

fn not_yet(on: Option<&str>) -> String {
    let on = on
        .map(|on| format!(", but from {on} on"))
        .unwrap_or_default();
    format!(
        "the server's certificate does not hold yet{on}: see that the clock of this machine is right, then tell the \
         server's administrator"
    )
}

fn wrong_name(expected: Option<&str>, presented: &[String]) -> String {
    let this = expected.unwrap_or("this address");
    let names: Vec<&str> = presented.iter().map(|name| bare(name)).collect();
    let names = if names.is_empty() {
        "others".to_owned()
    } else {
        names.join(", ")
    };
    format!(
        "the server's certificate is not for {this} but for {names}: connect by one of these names, or ask the server's \
         administrator for a certificate with this one"
    )
}

fn no_agreement(cause: &str) -> String {
    format!(
        "no encrypted connection could be agreed on ({cause}): see that the address is that of the server, and that \
         client and server are of the same age"
    )
}

/// `DnsName("porto")` and `IpAddress(192.0.2.7)` without what is around the name.
fn bare(name: &str) -> &str {
    let within = name
        .split_once('(')
        .and_then(|(_, rest)| rest.strip_suffix(')'));
    within.unwrap_or(name).trim_matches('"')
}

/// A day as people and programs read it, in UTC.
fn day(seconds: u64) -> Option<String> {
    let moment = ASN1Time::from_timestamp(i64::try_from(seconds).ok()?).ok()?;
    let moment = moment.to_datetime();
    Some(format!(
        "{}-{:02}-{:02}",
        moment.year(),
        u8::from(moment.month()),
        moment.day()
    ))
}
