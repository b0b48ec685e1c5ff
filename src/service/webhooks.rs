//! Webhooks: made, shown, given another secret, removed; what was sent to them, and sending it again. The sending itself
//! is in three short parts, because no transaction is held over the network: lease, send, settle.

use super::{NoticeKindDto, NoticeView, Service, ServiceError};
use crate::domain::fault::Fault;
use crate::measure::Delivered;
use crate::store::{
    DeliveryRow, DeliveryStatus, Lease, NewWebhook, NoticeKind, Session, Settled, StoreError, ToSend, WebhookRow,
};
use crate::webhook::{Headers, SigningSecret, Targets, again_after_seconds, check_address, headers};
use chrono::{DateTime, Duration, Utc};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// Webhooks of one company: each costs a request for every notice.
pub const WEBHOOKS_MAX: usize = 20;
/// How long the secret before the present one signs beside it.
const OLD_SECRET_SIGNS: Duration = Duration::hours(24);
/// How long a delivery is leased: several times what a request may take.
const LEASE: Duration = Duration::seconds(60);
/// Deliveries leased at once, and of one webhook.
const LEASED_MAX: u16 = 16;
const LEASED_EACH_MAX: u16 = 4;
/// Longest reason kept of a failure.
const FAILURE_CHARS_MAX: usize = 300;
/// The receiver wants no more.
const GONE: u16 = 410;

/// A webhook to make.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct WebhookBody {
    /// Where notices are sent to: `https`, at a public address.
    #[schema(example = "https://example.com/notices", max_length = 500)]
    pub address: String,
    /// Which are wanted; left out or empty: all.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub types: Vec<NoticeKindDto>,
}

/// A webhook as it is shown.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct WebhookView {
    /// Never changes.
    pub id: Uuid,
    /// Where notices are sent to.
    pub address: String,
    /// Which are wanted; empty: all.
    pub types: Vec<NoticeKindDto>,
    /// It is told of notices with higher numbers.
    pub after_number: i64,
    /// When it was made.
    pub created_at: DateTime<Utc>,
    /// Until when the secret before the present one signs, too.
    pub old_secret_until: Option<DateTime<Utc>>,
    /// Since when nothing is sent any more.
    pub off_at: Option<DateTime<Utc>>,
    /// Why.
    pub off_because: Option<String>,
    /// What deliveries are signed with: only in the first reply to the request that made it.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw")]
    pub secret: Option<String>,
    /// For `ETag`.
    #[serde(skip)]
    pub version: i64,
}

/// How a delivery stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum DeliveryStatusDto {
    /// It will be sent, or sent again.
    Waiting,
    /// It has arrived.
    Done,
    /// It is not tried any more.
    Dead,
}

/// A delivery as it is shown.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct DeliveryView {
    /// Never changes.
    pub id: Uuid,
    /// Of the notice.
    pub number: i64,
    /// Of the notice.
    #[serde(rename = "type")]
    #[schema(rename = "type")]
    pub kind: NoticeKindDto,
    /// When the notice became true.
    pub timestamp: DateTime<Utc>,
    /// How it stands.
    pub status: DeliveryStatusDto,
    /// How often it was tried.
    pub tries: i32,
    /// When it is tried next, if it waits; not before earlier notices of its job are done or dead.
    pub due_at: Option<DateTime<Utc>>,
    /// When it was tried last.
    pub tried_at: Option<DateTime<Utc>>,
    /// HTTP status of the last reply.
    pub reply_status: Option<i16>,
    /// What went wrong with the last try.
    pub failure: Option<String>,
    /// When it arrived, or was given up.
    pub settled_at: Option<DateTime<Utc>>,
}

/// A request to send.
#[derive(Debug, Clone)]
pub struct Outgoing {
    /// Where to.
    pub address: String,
    /// Who signs.
    pub headers: Headers,
    /// JSON.
    pub body: Vec<u8>,
    webhook: Uuid,
    tries: i32,
}

impl From<DeliveryStatusDto> for DeliveryStatus {
    fn from(status: DeliveryStatusDto) -> DeliveryStatus {
        match status {
            DeliveryStatusDto::Waiting => DeliveryStatus::Waiting,
            DeliveryStatusDto::Done => DeliveryStatus::Done,
            DeliveryStatusDto::Dead => DeliveryStatus::Dead,
        }
    }
}

impl DeliveryView {
    fn of(row: DeliveryRow) -> DeliveryView {
        let status = match row.status {
            DeliveryStatus::Waiting => DeliveryStatusDto::Waiting,
            DeliveryStatus::Done => DeliveryStatusDto::Done,
            DeliveryStatus::Dead => DeliveryStatusDto::Dead,
        };
        DeliveryView {
            id: row.id,
            number: row.number,
            kind: row.kind.into(),
            timestamp: row.created_at,
            status,
            tries: row.tries,
            due_at: (row.status == DeliveryStatus::Waiting).then_some(row.due_at),
            tried_at: row.tried_at,
            reply_status: row.reply_status,
            failure: row.failure,
            settled_at: row.settled_at,
        }
    }
}

impl WebhookView {
    fn of(row: WebhookRow, secret: Option<&SigningSecret>) -> WebhookView {
        WebhookView {
            id: row.id,
            address: row.address,
            // Only known words were stored.
            types: row.kinds.iter().filter_map(|word| NoticeKind::parse(word)).map(NoticeKindDto::from).collect(),
            after_number: row.after_number,
            created_at: row.created_at,
            old_secret_until: row.old_secret_until,
            off_at: row.off_at,
            off_because: row.off_because,
            secret: secret.map(SigningSecret::reveal),
            version: row.version,
        }
    }
}

impl Service {
    /// Makes a webhook.
    ///
    /// # Errors
    /// `Invalid`.
    pub async fn create_webhook(&self, session: &mut Session, body: &WebhookBody) -> Result<WebhookView, ServiceError> {
        let address = check_address(&body.address, self.webhook_targets);
        let address = address.map_err(|fault| ServiceError::fault("/address", fault))?;
        let mut kinds: Vec<NoticeKind> = body.types.iter().copied().map(NoticeKind::from).collect();
        kinds.sort_unstable();
        kinds.dedup();
        let secret = SigningSecret::random();
        let new = NewWebhook { address: address.into(), kinds, secret: secret.bytes().to_vec(), at: self.now() };
        let row = session.insert_webhook(&new).await?;
        // Counted after the insertion, which is done by one after the other.
        if session.webhooks().await?.len() > WEBHOOKS_MAX {
            let what = format!("there are {WEBHOOKS_MAX} webhooks, and no more are kept");
            return Err(ServiceError::fault("", Fault::new("too-many", what, "remove one that is not needed")));
        }
        Ok(WebhookView::of(row, Some(&secret)))
    }

    /// All webhooks, oldest first.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn webhooks(&self, session: &mut Session) -> Result<Vec<WebhookView>, ServiceError> {
        Ok(session.webhooks().await?.into_iter().map(|row| WebhookView::of(row, None)).collect())
    }

    /// One webhook.
    ///
    /// # Errors
    /// `NotFound`.
    pub async fn webhook(&self, session: &mut Session, id: Uuid) -> Result<WebhookView, ServiceError> {
        Ok(WebhookView::of(session.webhook(id).await?, None))
    }

    /// Gives it another secret; the present one signs beside it for a day.
    ///
    /// # Errors
    /// `NotFound`, `Stale`.
    pub async fn rotate_webhook(
        &self,
        session: &mut Session,
        id: Uuid,
        version: i64,
    ) -> Result<WebhookView, ServiceError> {
        let secret = SigningSecret::random();
        let row = session.rotate_webhook(id, version, secret.bytes(), self.now() + OLD_SECRET_SIGNS).await?;
        Ok(WebhookView::of(row, Some(&secret)))
    }

    /// Up to `limit` deliveries to a webhook that stand so, newest notice first, with numbers below `below`.
    ///
    /// # Errors
    /// `NotFound`.
    pub async fn deliveries(
        &self,
        session: &mut Session,
        webhook: Uuid,
        status: Option<DeliveryStatusDto>,
        below: Option<i64>,
        limit: u32,
    ) -> Result<Vec<DeliveryView>, ServiceError> {
        session.webhook(webhook).await?;
        let rows = session.deliveries(webhook, status.map(DeliveryStatus::from), below, limit).await?;
        Ok(rows.into_iter().map(DeliveryView::of).collect())
    }

    /// Has a delivery sent again, at once and with all tries before it.
    ///
    /// # Errors
    /// `NotFound`, `WebhookOff`.
    pub async fn replay_delivery(
        &self,
        session: &mut Session,
        webhook: Uuid,
        id: Uuid,
    ) -> Result<DeliveryView, ServiceError> {
        let row = session.webhook(webhook).await?;
        if let Some(because) = row.off_because {
            return Err(ServiceError::WebhookOff(because));
        }
        Ok(DeliveryView::of(session.replay_delivery(webhook, id, self.now()).await?))
    }

    /// Leases what is due, of all companies.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn lease_deliveries(&self) -> Result<Vec<Lease>, ServiceError> {
        let now = self.now();
        Ok(self.store.lease_deliveries(now, now + LEASE, LEASED_MAX, LEASED_EACH_MAX).await?)
    }

    /// What is to be sent under a lease; nothing, when it has been lost.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn outgoing(&self, lease: &Lease) -> Result<Option<Outgoing>, ServiceError> {
        let mut session = self.store.snapshot(lease.company).await?;
        session.leased_delivery(lease).await?.map(|found| self.signed(found)).transpose()
    }

    fn signed(&self, found: ToSend) -> Result<Outgoing, ServiceError> {
        let now = self.now();
        let notice = NoticeView::new(found.notice_id, found.number, found.kind, found.created_at, found.doc);
        let body = serde_json::to_vec(&notice).map_err(StoreError::BadDocument)?;
        let old = found.old_secret.filter(|_| found.old_secret_until > Some(now));
        let secrets: Vec<SigningSecret> =
            [Some(found.secret), old].into_iter().flatten().map(SigningSecret::from_bytes).collect();
        let headers = headers(&found.notice_id.to_string(), now, &body, &secrets);
        let (address, webhook, tries) = (found.address, found.webhook_id, found.tries);
        Ok(Outgoing { address, headers, body, webhook, tries })
    }

    /// Writes down what came of sending: done, to be tried again, or dead; 410 switches the webhook off.
    ///
    /// # Errors
    /// `Unavailable`: it is sent again when the lease has run out.
    pub async fn settle(&self, lease: &Lease, sent: &Outgoing, reply: Result<u16, String>) -> Result<(), ServiceError> {
        let at = self.now();
        let mut session = self.store.session(lease.company).await?;
        let status = reply.as_ref().ok().copied();
        let again = again_after_seconds(sent.tries, lease.id.as_u128());
        let (stands, due_at, failure) = match (reply, again) {
            (Ok(200..=299), _) => (DeliveryStatus::Done, at, None),
            (Ok(GONE), _) => (DeliveryStatus::Dead, at, Some("the receiver answers that it is gone".to_owned())),
            (other, Some(seconds)) => (DeliveryStatus::Waiting, at + Duration::seconds(seconds), Some(why(other))),
            (other, None) => (DeliveryStatus::Dead, at, Some(why(other))),
        };
        let settled = Settled { status: stands, due_at, reply_status: status, failure, at };
        let held = session.settle_delivery(lease, &settled).await?;
        if held && status == Some(GONE) {
            session.switch_webhook_off(sent.webhook, at, "the receiver answered with status 410").await?;
        }
        session.commit().await?;
        if held {
            self.meters.delivery(match stands {
                DeliveryStatus::Done => Delivered::Done,
                DeliveryStatus::Waiting => Delivered::Again,
                DeliveryStatus::Dead => Delivered::Dead,
            });
        }
        Ok(())
    }

    /// To which addresses webhooks may lead.
    pub fn with_webhook_targets(self, targets: Targets) -> Service {
        Service { webhook_targets: targets, ..self }
    }

    /// To which addresses webhooks may lead.
    pub fn webhook_targets(&self) -> Targets {
        self.webhook_targets
    }
}

fn why(reply: Result<u16, String>) -> String {
    match reply {
        Ok(status) => format!("the receiver answers with status {status}"),
        Err(cause) => cause.chars().take(FAILURE_CHARS_MAX).collect(),
    }
}
