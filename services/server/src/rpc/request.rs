//! What makes a change repeatable: the caller's request id and the digest of what was asked.

use prost::Message;
use ringtrue_fleet::violation::Violations;
use sha2::{Digest as _, Sha256};
use uuid::Uuid;

use super::access::Method;
use crate::app;

/// Gives the idempotency of a change; `message` is the request with its `request_id` emptied.
pub(crate) fn repeatable<M: Message>(
    method: Method,
    request_id: &str,
    message: &M,
    violations: &mut Violations,
) -> app::Request {
    let mut id = None;
    if !request_id.is_empty() {
        match Uuid::try_parse(request_id) {
            Ok(uuid) => id = Some(uuid),
            Err(_) => violations.add(
                "request_id",
                "NOT_A_UUID",
                "is not a UUID; send a new one for each change, the same one for each repeat of it",
            ),
        }
    }
    app::Request {
        id,
        method: method.path,
        digest: Sha256::digest(message.encode_to_vec()).into(),
    }
}

#[cfg(test)]
mod tests {
    use ringtrue_proto::v1;

    use super::super::access::method;
    use super::*;

    const CREATE: Method = method("/ringtrue.v1.SiteService/CreateSite");

    fn asked(display_name: &str) -> v1::CreateSiteRequest {
        let site = v1::Site {
            display_name: display_name.to_owned(),
            ..v1::Site::default()
        };
        v1::CreateSiteRequest {
            site: Some(site),
            ..v1::CreateSiteRequest::default()
        }
    }

    #[test]
    fn the_digest_tells_one_content_from_another() {
        let mut violations = Violations::default();
        let id = "01890a5d-ac96-774b-bcce-b302099a8057";
        let one = repeatable(CREATE, id, &asked("North"), &mut violations);
        let again = repeatable(CREATE, &id.to_uppercase(), &asked("North"), &mut violations);
        let other = repeatable(CREATE, id, &asked("South"), &mut violations);
        assert_eq!(violations, Violations::default());
        assert_eq!(one.id.map(|id| id.to_string()).as_deref(), Some(id));
        assert_eq!((one.id, one.digest), (again.id, again.digest));
        assert_ne!(one.digest, other.digest);
        assert_eq!(one.method, "/ringtrue.v1.SiteService/CreateSite");
    }

    #[test]
    fn a_request_id_that_is_not_a_uuid_is_refused_and_a_missing_one_is_not() {
        let mut violations = Violations::default();
        let without = repeatable(CREATE, "", &asked("North"), &mut violations);
        assert_eq!((without.id, violations.0.len()), (None, 0));
        let with = repeatable(CREATE, "today", &asked("North"), &mut violations);
        assert_eq!(with.id, None);
        assert_eq!(violations.0[0].field, "request_id");
    }
}
