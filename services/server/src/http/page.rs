//! The few pages that people see.

use axum::response::{Html as HtmlAnswer, IntoResponse as _, Response};

use crate::mail::Html;

/// A page that asks whether mail is to end: looking at it ends nothing, since programs follow links in mails
/// before people do.
pub(super) fn asking() -> Response {
    let mut page = Html::page("End this mail");
    page.heading(1, "End this mail?");
    page.paragraph("You will get no more mail about alerts from this subscription.");
    page.button("End this mail", ("List-Unsubscribe", "One-Click"));
    HtmlAnswer(page.done()).into_response()
}

/// A page that says that mail has ended.
pub(super) fn ended() -> Response {
    let mut page = Html::page("Mail has ended");
    page.heading(1, "Mail has ended");
    page.paragraph(
        "You get no more mail from this subscription. Alerts are still shown by `ringtrue alert list`; to get \
         mail again, ask whoever looks after Ringtrue at your network.",
    );
    HtmlAnswer(page.done()).into_response()
}
