//! Every problem that the API can answer with: one list, from which replies, the pages under `/problems/` and the
//! documentation come.

use actix_web::http::StatusCode;

/// A kind of problem.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Kind {
    /// Stable, for programs; last part of the type's address.
    pub code: &'static str,
    /// Of the reply.
    pub status: StatusCode,
    /// The same for every occurrence.
    pub title: &'static str,
    /// What would make it right, in general.
    pub cure: &'static str,
}

macro_rules! problems {
    ($($name:ident = $code:literal, $status:ident, $title:literal, $cure:literal;)*) => {
        $(
            #[doc = $title]
            pub const $name: Kind = Kind { code: $code, status: StatusCode::$status, title: $title, cure: $cure };
        )*

        /// All of them.
        pub const ALL: &[Kind] = &[$($name),*];
    };
}

problems! {
    BAD_JSON = "bad-json", BAD_REQUEST, "The body is not the JSON that is expected here",
        "Mend what `errors` points at; the shapes are in /openapi.json.";
    BAD_QUERY = "bad-query", BAD_REQUEST, "A part of the address cannot be used",
        "Correct the parameter that `detail` names; cursors come from the Link header of the page before.";
    BAD_HEADER = "bad-header", BAD_REQUEST, "A header of the request cannot be used",
        "Correct the header that `detail` names.";
    UNAUTHENTICATED = "unauthenticated", UNAUTHORIZED, "No valid token",
        "Send `Authorization: Bearer TOKEN` with a token that is neither revoked nor expired.";
    ROLE_NEEDED = "role-needed", FORBIDDEN, "The token's role may not do this",
        "Use a token with the role that `detail` names; the office makes tokens.";
    CSRF_TOKEN_NEEDED = "csrf-token-needed", FORBIDDEN, "A browser's change does not come from a page of this server",
        "Send the content of the page's `<meta name=\"csrf\">` as X-CSRF-Token; programs send a token instead of the cookie.";
    NOT_YOUR_CREW = "not-your-crew", FORBIDDEN, "A crew's token speaks for that crew only",
        "Name that crew, or leave `crew` out; the office may ask and report for all.";
    OPERATOR_NEEDED = "operator-needed", FORBIDDEN, "Companies are founded by the operator of this server",
        "Start the server with an operator token, and send that.";
    NOT_FOUND = "not-found", NOT_FOUND, "There is no such thing in this company",
        "Look it up in its list again; it may be archived, or another company's.";
    UNKNOWN_PATH = "unknown-path", NOT_FOUND, "There is nothing at this address",
        "See /docs/ for all addresses.";
    METHOD_NOT_ALLOWED = "method-not-allowed", METHOD_NOT_ALLOWED, "This address is not used with this method",
        "Use one of the methods in the Allow header.";
    KEY_TAKEN = "key-taken", CONFLICT, "The key is in use",
        "Choose another key, or change the one that has it.";
    IN_USE = "in-use", CONFLICT, "What is in use is not put away",
        "End the use that `detail` names first.";
    BUILT_IN = "built-in-method", CONFLICT, "The method comes with the program and is not changed",
        "POST a method of the same key: it takes the built-in one's place in your company.";
    OUT_OF_ORDER = "out-of-order", CONFLICT, "The report does not follow from those before it",
        "Do what `errors` says: usually another report is missing.";
    RECORDS_CHANGED = "records-changed", CONFLICT, "Somebody else has reported on this step in the meantime",
        "Look at the records of the job again, and report what is still news.";
    EVENT_CONTRADICTS = "event-contradicts", CONFLICT, "The event cannot be so as well as what is known",
        "Find out which is so. The event is kept, and changes nothing; `errors` says what stands against it and who told that.";
    CANNOT_PLAN = "cannot-plan", CONFLICT, "The company's documents do not fit together",
        "Mend what `errors` points at; the pointers are into GET /v1/planning-file.";
    PLAN_OUTDATED = "plan-outdated", CONFLICT, "The plan does not fit what is known now",
        "Make a new plan, look at what it changes, and publish that.";
    NOT_A_DRAFT = "not-a-draft", CONFLICT, "Only drafts are published or rejected",
        "Make a new plan.";
    CREW_DOUBLE_BOOKED = "crew-double-booked", CONFLICT, "The plan has a crew in two places at once",
        "Make a new plan, and tell the operator: this one should not exist.";
    IDEMPOTENCY_IN_PROGRESS = "idempotency-in-progress", CONFLICT, "A request with this Idempotency-Key is being answered",
        "Wait as long as Retry-After says, and send it again.";
    NO_GRIDPOINT = "no-gridpoint", CONFLICT, "The region does not say where its forecast is",
        "Give the region a `gridpoint`: the weather service tells it of any place under /points/{latitude},{longitude}.";
    NO_WEATHER_SERVICE = "no-weather-service", CONFLICT, "This server asks no weather service",
        "Have the operator start it with --weather-contact, or bring the forecast by hand.";
    WEBHOOK_OFF = "webhook-off", CONFLICT, "Nothing is sent to a webhook that is switched off",
        "Make a new webhook; notices of the last 30 days can be read from the stream.";
    BODY_TOO_SLOW = "body-too-slow", REQUEST_TIMEOUT, "The body did not arrive in time",
        "Send it again over a better connection, or less of it.";
    STALE = "stale", PRECONDITION_FAILED, "It has been changed in the meantime",
        "Read it again, apply the change to what it is now, and send that with the ETag it has now.";
    BODY_TOO_LARGE = "body-too-large", PAYLOAD_TOO_LARGE, "The body is larger than this address takes",
        "Send less, or in parts.";
    UNSUPPORTED_MEDIA_TYPE = "unsupported-media-type", UNSUPPORTED_MEDIA_TYPE, "The body is of a kind that is not taken here",
        "Send `Content-Type: application/json`, without a Content-Encoding.";
    INVALID_DOCUMENT = "invalid-document", UNPROCESSABLE_ENTITY, "The document has faults",
        "Mend every place in `errors`; all that could be found are listed at once.";
    IDEMPOTENCY_OTHER_REQUEST = "idempotency-other-request", UNPROCESSABLE_ENTITY,
        "The Idempotency-Key was used for another request", "Use a new key for each new request.";
    EVENT_ID_USED = "event-id-used", UNPROCESSABLE_ENTITY, "Another event was told with this id",
        "Make a new id (a random UUID) for each event; send the same body again only for the same event.";
    PRECONDITION_REQUIRED = "precondition-required", PRECONDITION_REQUIRED, "A change says what it is a change of",
        "Read it first, and send its ETag as If-Match; `If-Match: *` changes it whatever it is.";
    TOO_MANY_REQUESTS = "too-many-requests", TOO_MANY_REQUESTS, "More was asked for than one caller may",
        "Wait as long as Retry-After says. A program that needs more asks less often for what has not changed (If-None-Match), or reads the stream.";
    PLANNING_BUSY = "planning-busy", TOO_MANY_REQUESTS, "Other plans are being made",
        "Wait as long as Retry-After says, and send it again.";
    TOO_MANY_STREAMS = "too-many-streams", TOO_MANY_REQUESTS, "The company has as many streams open as it may",
        "Close streams that nobody reads: one for each program is enough. Then try again.";
    PLAN_REJECTED = "plan-rejected", INTERNAL_SERVER_ERROR, "The audit refused the planner's plan",
        "Try another seed, and send the operator GET /v1/planning-file: this is a defect of the program.";
    INTERNAL = "internal", INTERNAL_SERVER_ERROR, "The program failed",
        "Tell the operator the X-Request-Id of this reply.";
    WEATHER_FAILED = "weather-failed", BAD_GATEWAY, "The weather service gave no forecast",
        "Try again later; the forecast that is there stays until then.";
    STREAMS_FULL = "streams-full", SERVICE_UNAVAILABLE, "This server has as many streams open as it can",
        "Wait as long as Retry-After says, and try again; another copy of the server may have room.";
    SERVER_BUSY = "server-busy", SERVICE_UNAVAILABLE, "The server has as much to do as it can",
        "Wait as long as Retry-After says, and send it again. Nothing was done.";
    SERVER_STOPPING = "server-stopping", SERVICE_UNAVAILABLE, "The server is being stopped",
        "Send it again: another copy of the server answers, or this one when it is started again. Nothing was done.";
    DATABASE_BUSY = "database-busy", SERVICE_UNAVAILABLE, "The database is too busy",
        "Wait as long as Retry-After says, and send it again. Nothing was done.";
    DATABASE_UNAVAILABLE = "database-unavailable", SERVICE_UNAVAILABLE, "The database cannot be reached",
        "Wait as long as Retry-After says, and look whether it was done before you send it again.";
}

/// The kind of this code.
pub fn find(code: &str) -> Option<&'static Kind> {
    ALL.iter().find(|kind| kind.code == code)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    #[test]
    fn codes_are_distinct_and_fit_into_an_address() {
        let codes: BTreeSet<&str> = ALL.iter().map(|kind| kind.code).collect();
        assert_eq!(codes.len(), ALL.len());
        assert!(codes.iter().all(|code| code.chars().all(|c| c.is_ascii_lowercase() || c == '-')));
        assert_eq!(find("stale").map(|kind| kind.status.as_u16()), Some(412));
        assert_eq!(find("stale "), None);
    }
}
