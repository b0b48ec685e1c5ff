//! Stops a session of PostgreSQL at a chosen place: before a statement, before a COMMIT has arrived ("sent but not
//! committed"), or after it was done and before anybody is told ("committed but not answered"). Messages are read as far
//! as that takes: see PostgreSQL's documentation, "Message Formats".

use super::way::Shared;
use std::collections::BTreeMap;
use std::io;
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};
use tokio::sync::oneshot;

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Point {
    /// Before a statement that holds the word.
    Statement,
    /// Before the COMMIT of a transaction with such a statement.
    BeforeCommit,
    /// When PostgreSQL has said that it is done.
    AfterCommit,
}

/// What was stopped; it goes on when it is let go, and its connection ends when this is dropped.
pub struct Stopped(oneshot::Sender<()>);

impl Stopped {
    pub fn let_go(self) {
        let _ = self.0.send(());
    }
}

struct Armed {
    word: &'static str,
    point: Point,
    sprung: oneshot::Sender<Stopped>,
}

#[derive(Default)]
pub struct Traps {
    armed: Mutex<Option<Armed>>,
    commits: AtomicU64,
}

impl Traps {
    /// Springs once. What is received stands for what was stopped.
    pub fn arm(&self, word: &'static str, point: Point) -> oneshot::Receiver<Stopped> {
        let (sprung, wait) = oneshot::channel();
        *self.armed.lock().unwrap() = Some(Armed { word, point, sprung });
        wait
    }

    pub fn disarm(&self) {
        *self.armed.lock().unwrap() = None;
    }

    /// How many have passed.
    pub fn commits(&self) -> u64 {
        self.commits.load(Ordering::Relaxed)
    }

    fn sprung_by(&self, text: &str, said: &[String]) -> Option<Armed> {
        let commit = text == "COMMIT";
        let springs = |armed: &Armed| match armed.point {
            Point::Statement => text.contains(armed.word),
            Point::BeforeCommit | Point::AfterCommit => commit && said.iter().any(|text| text.contains(armed.word)),
        };
        self.armed.lock().unwrap().take_if(|armed| springs(armed))
    }
}

/// A reply that is kept back.
#[derive(Default)]
pub(super) struct Withheld(Mutex<Option<Armed>>);

impl Withheld {
    /// Whether what the server says goes on to the client. The reply to a COMMIT is one small message.
    pub(super) async fn may_pass(&self, said: &[u8]) -> bool {
        let armed = self.0.lock().unwrap().take();
        let Some(armed) = armed else { return true };
        assert!(said.starts_with(b"C\0\0\0\x0bCOMMIT\0"), "no commit: {}", String::from_utf8_lossy(said));
        stopped(armed).await
    }
}

/// Whether it was let go.
async fn stopped(armed: Armed) -> bool {
    let (stopped, go_on) = oneshot::channel();
    armed.sprung.send(Stopped(stopped)).is_ok() && go_on.await.is_ok()
}

/// What one session has said.
#[derive(Default)]
struct Session {
    begun: bool,
    statements: BTreeMap<Vec<u8>, String>,
    /// Since the transaction began.
    said: Vec<String>,
}

impl Session {
    /// What a message has PostgreSQL do, if it is known.
    fn text(&mut self, kind: u8, body: &[u8]) -> Option<String> {
        let mut words = body.split(|byte| *byte == 0);
        match kind {
            b'Q' => Some(String::from_utf8_lossy(words.next()?).into_owned()),
            b'P' => {
                let (name, text) = (words.next()?.to_vec(), words.next()?);
                self.statements.insert(name, String::from_utf8_lossy(text).into_owned());
                None
            }
            b'B' => self.statements.get(words.nth(1)?).cloned(),
            _ => None,
        }
    }
}

/// Passes on what the client says, message by message.
pub(super) async fn from_client(
    mut from: impl AsyncRead + Unpin,
    mut to: impl AsyncWrite + Unpin,
    shared: &Shared,
    withheld: &Withheld,
) -> io::Result<()> {
    let mut session = Session::default();
    let (mut text, mut chunk) = (Vec::new(), vec![0; 16_384]);
    loop {
        let count = from.read(&mut chunk).await?;
        shared.passable().await;
        if count == 0 {
            return Ok(());
        }
        text.extend_from_slice(&chunk[..count]);
        let mut done = 0;
        while let Some(length) = message(&text[done..], session.begun) {
            let (kind, body) = if session.begun { (text[done], &text[done + 5..done + length]) } else { (0, &[][..]) };
            session.begun = true;
            if let Some(said) = session.text(kind, body) {
                if let Some(armed) = shared.traps.sprung_by(&said, &session.said) {
                    to.write_all(&text[..done]).await?;
                    text.drain(..done);
                    done = 0;
                    if armed.point == Point::AfterCommit {
                        *withheld.0.lock().unwrap() = Some(armed);
                    } else if !stopped(armed).await {
                        return Ok(());
                    }
                }
                if said.starts_with("BEGIN") {
                    session.said.clear();
                }
                shared.traps.commits.fetch_add(u64::from(said == "COMMIT"), Ordering::Relaxed);
                session.said.push(said);
            }
            done += length;
        }
        to.write_all(&text[..done]).await?;
        text.drain(..done);
    }
}

/// The length of the message at the front, if it is whole. The first one of a session has no letter in front.
fn message(text: &[u8], begun: bool) -> Option<usize> {
    let letter = usize::from(begun);
    let length = text.get(letter..letter + 4)?;
    let length = letter + u32::from_be_bytes(length.try_into().unwrap()) as usize;
    (text.len() >= length).then_some(length)
}
