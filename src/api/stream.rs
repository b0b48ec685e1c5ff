//! Server-sent events (WHATWG HTML, section 9.2): how notices are written, how many streams there may be, and the task
//! behind each. A stream keeps nothing but the last number it has sent; what is new it reads from the database when it is
//! woken, and now and then without being woken.

use super::caller::Credential;
use super::problem::Problem;
use super::registry;
use crate::service::{NoticePage, NoticeView, Service};
use crate::store::{CompanyId, FoundToken, NoticesFor};
use actix_web::http::header;
use bytes::Bytes;
use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use tokio::sync::mpsc::{Receiver, Sender, channel};
use tokio::time::{Instant, MissedTickBehavior, interval_at};

/// Chunks written ahead of a reader; each holds one page of notices at most.
const AHEAD: usize = 4;
/// Milliseconds after which a browser connects again.
const RETRY_MILLISECONDS: u64 = 2_000;

/// How many streams, and how patient.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StreamLimits {
    /// Of one company on one server.
    pub of_company: usize,
    /// Of one server.
    pub of_server: usize,
    /// How often something is sent when there is nothing to tell, so that everybody knows that the line is good.
    pub heartbeat: Duration,
    /// How often to look without having been woken.
    pub poll: Duration,
    /// How long a reader may leave what is sent unread before the stream ends.
    pub patience: Duration,
}

impl Default for StreamLimits {
    fn default() -> StreamLimits {
        StreamLimits {
            of_company: 50,
            of_server: 500,
            heartbeat: Duration::from_secs(15),
            poll: Duration::from_secs(5),
            patience: Duration::from_secs(30),
        }
    }
}

/// Streams that are open on this server.
#[derive(Debug, Default)]
pub(super) struct Streams {
    limits: StreamLimits,
    open: Arc<Mutex<BTreeMap<CompanyId, usize>>>,
}

/// A place among them, free again when dropped.
struct Place {
    open: Arc<Mutex<BTreeMap<CompanyId, usize>>>,
    company: CompanyId,
}

impl Drop for Place {
    fn drop(&mut self) {
        let mut open = self.open.lock().unwrap_or_else(PoisonError::into_inner);
        match open.get_mut(&self.company) {
            Some(count) if *count > 1 => *count -= 1,
            _ => drop(open.remove(&self.company)),
        }
    }
}

/// Who reads, and from where.
pub(super) struct Reader {
    /// Whose token it is.
    pub(super) token: FoundToken,
    /// What it came in with: it may be taken back while the stream is open.
    pub(super) credential: Credential,
    /// The last number seen; `None`: only what is new from now on.
    pub(super) after: Option<i64>,
}

impl Streams {
    pub(super) fn new(limits: StreamLimits) -> Streams {
        Streams { limits, open: Arc::default() }
    }

    fn place(&self, company: CompanyId) -> Result<Place, Problem> {
        let mut open = self.open.lock().unwrap_or_else(PoisonError::into_inner);
        let all: usize = open.values().sum();
        let own = open.get(&company).copied().unwrap_or(0);
        if own >= self.limits.of_company {
            let detail = format!("{own} streams of this company are open on this server");
            return Err(Problem::new(registry::TOO_MANY_STREAMS, detail).header(header::RETRY_AFTER, "30"));
        }
        if all >= self.limits.of_server {
            let detail = format!("{all} streams are open");
            return Err(Problem::new(registry::STREAMS_FULL, detail).header(header::RETRY_AFTER, "30"));
        }
        open.insert(company, own + 1);
        Ok(Place { open: self.open.clone(), company })
    }

    /// Opens a stream; what it sends comes out of the receiver, which ends when the stream does.
    pub(super) async fn open(&self, service: &Service, reader: Reader) -> Result<Receiver<Bytes>, Problem> {
        let place = self.place(reader.token.company)?;
        let seen = match reader.after {
            Some(after) => after,
            None => service.last_notice(reader.token.company).await?,
        };
        let (sender, receiver) = channel(AHEAD);
        let stream = Stream { service: service.clone(), limits: self.limits.clone(), reader, sender, seen };
        actix_web::rt::spawn(async move {
            stream.run().await;
            drop(place);
        });
        Ok(receiver)
    }
}

/// The task behind one stream.
struct Stream {
    service: Service,
    limits: StreamLimits,
    reader: Reader,
    sender: Sender<Bytes>,
    seen: i64,
}

/// The stream is over.
struct Over;

impl Stream {
    async fn run(mut self) {
        let stop = self.service.stopping().clone();
        let sender = self.sender.clone();
        tokio::select! {
            () = stop.stopped() => {}
            () = sender.closed() => {}
            _ = self.tell() => {}
        }
    }

    async fn tell(&mut self) -> Result<(), Over> {
        let mut knocks = self.service.wakes().of(self.reader.token.company);
        let mut heartbeat = interval_at(Instant::now() + self.limits.heartbeat, self.limits.heartbeat);
        heartbeat.set_missed_tick_behavior(MissedTickBehavior::Delay);
        // So that somebody who is cut off before the first notice goes on from here.
        self.send(format!("retry: {RETRY_MILLISECONDS}\nid: {}\n\n", self.seen)).await?;
        loop {
            // Before looking: what comes in while we look wakes us again.
            knocks.heard();
            self.send_news().await?;
            tokio::select! {
                () = knocks.knock() => {}
                () = tokio::time::sleep(self.limits.poll) => {}
                _ = heartbeat.tick() => {
                    self.still_allowed().await?;
                    self.send(format!(": {}\nid: {}\n\n", "the line is good", self.seen)).await?;
                }
            }
        }
    }

    async fn send_news(&mut self) -> Result<(), Over> {
        let token = &self.reader.token;
        let readers = token.crew_id.map_or(NoticesFor::Everybody, NoticesFor::Crew);
        loop {
            let page = match self.service.notices_after(token.company, self.seen, readers).await {
                Ok(page) => page,
                Err(error) => {
                    // The line stays: when the database is back, it goes on where it was.
                    tracing::debug!(%error, "a stream could not look for news");
                    return Ok(());
                }
            };
            self.seen = page.seen;
            let more = page.more;
            let text = written(&page);
            if !text.is_empty() {
                self.send(text).await?;
            }
            if !more {
                return Ok(());
            }
        }
    }

    /// Whoever was shut out, signed out or has run out of time reads no further.
    async fn still_allowed(&self) -> Result<(), Over> {
        let gone = match &self.reader.credential {
            Credential::Token(secret) => matches!(self.service.store().find_token(secret).await, Ok(None)),
            Credential::Browser(secret) => matches!(self.service.browser(secret).await, Ok(None)),
        };
        if gone { Err(Over) } else { Ok(()) }
    }

    /// A reader who does not read is not waited for: he comes again and goes on where he was.
    async fn send(&self, text: String) -> Result<(), Over> {
        let sent = tokio::time::timeout(self.limits.patience, self.sender.send(Bytes::from(text))).await;
        sent.map_or(Err(Over), |sent| sent.map_err(|_| Over))
    }
}

fn written(page: &NoticePage) -> String {
    let mut text = String::new();
    if page.missed {
        let oldest = page.notices.first().map(|notice| notice.number);
        let data = serde_json::json!({ "oldest_number": oldest, "last_number": page.seen });
        text.push_str(&format!("event: stream.missed\ndata: {data}\n\n"));
    }
    page.notices.iter().for_each(|notice| text.push_str(&event(notice)));
    text
}

/// JSON has no line breaks of its own, so one `data` line holds it.
fn event(notice: &NoticeView) -> String {
    let data = serde_json::to_string(notice).unwrap_or_default().replace(['\n', '\r'], " ");
    format!("id: {}\nevent: {}\ndata: {data}\n\n", notice.number, notice.word())
}

#[cfg(test)]
mod tests {
    use super::*;
    use uuid::Uuid;

    #[test]
    fn places_are_counted_for_each_company_and_for_all_and_given_back() {
        let streams = Streams::new(StreamLimits { of_company: 2, of_server: 3, ..StreamLimits::default() });
        let [one, other] = [1, 2].map(|id| CompanyId(Uuid::from_u128(id)));
        let code = |company| streams.place(company).map(drop).map_err(|problem| problem.kind().code);
        let held = [streams.place(one).ok().unwrap(), streams.place(one).ok().unwrap()];
        assert_eq!(code(one), Err("too-many-streams"));
        let third = streams.place(other).ok().unwrap();
        assert_eq!(code(other), Err("streams-full"));
        drop(third);
        assert_eq!(code(other), Ok(()));
        drop(held);
        assert_eq!(code(one), Ok(()));
        assert!(streams.open.lock().unwrap().is_empty());
    }
}
