//! Another program that notices are sent to: it remembers what came, and answers as it is told to.

#![allow(clippy::unwrap_used, reason = "a panic in a test is a failed test")]
#![allow(dead_code, reason = "no test program needs everything here")]

use serde_json::Value;
use std::collections::{BTreeMap, VecDeque};
use std::sync::{Arc, Mutex};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::task::{JoinHandle, JoinSet};

/// How one request is answered.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Answer {
    /// With this status.
    Status(u16),
    /// To another place.
    Elsewhere,
    /// Not at all.
    Never,
    /// The connection ends.
    Cut,
}

/// What came.
#[derive(Debug, Clone)]
pub struct Came {
    pub path: String,
    /// Names in small letters.
    pub headers: BTreeMap<String, String>,
    pub body: String,
}

impl Came {
    pub fn json(&self) -> Value {
        serde_json::from_str(&self.body).unwrap()
    }

    pub fn number(&self) -> i64 {
        self.json()["number"].as_i64().unwrap()
    }
}

#[derive(Default)]
struct Memory {
    came: Vec<Came>,
    answers: VecDeque<Answer>,
}

/// The running program; dropped, it is gone.
pub struct Receiver {
    pub address: String,
    memory: Arc<Mutex<Memory>>,
    running: JoinHandle<()>,
}

impl Receiver {
    pub async fn start() -> Receiver {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = format!("http://{}/in", listener.local_addr().unwrap());
        let memory = Arc::new(Mutex::new(Memory::default()));
        let shared = memory.clone();
        let running = tokio::spawn(async move {
            // Aborted with this task.
            let mut connections = JoinSet::new();
            while let Ok((stream, _)) = listener.accept().await {
                let shared = shared.clone();
                connections.spawn(async move {
                    let _ = serve(stream, &shared).await;
                });
            }
        });
        Receiver { address, memory, running }
    }

    /// The next requests are answered so; all others with 204.
    pub fn will_answer(&self, answers: &[Answer]) {
        self.memory.lock().unwrap().answers.extend(answers);
    }

    /// What came since this was asked last.
    pub fn came(&self) -> Vec<Came> {
        std::mem::take(&mut self.memory.lock().unwrap().came)
    }

    /// Their numbers, in the order in which they came.
    pub fn numbers(&self) -> Vec<i64> {
        self.came().iter().map(Came::number).collect()
    }
}

impl Drop for Receiver {
    fn drop(&mut self) {
        self.running.abort();
    }
}

async fn serve(mut stream: TcpStream, memory: &Mutex<Memory>) -> std::io::Result<()> {
    let mut text = Vec::new();
    let mut chunk = [0u8; 4_096];
    loop {
        let Some(came) = parsed(&mut text) else {
            match stream.read(&mut chunk).await? {
                0 => return Ok(()),
                count => text.extend_from_slice(&chunk[..count]),
            }
            continue;
        };
        let answer = {
            let mut memory = memory.lock().unwrap();
            memory.came.push(came);
            memory.answers.pop_front().unwrap_or(Answer::Status(204))
        };
        let reply = match answer {
            Answer::Status(status) => format!("HTTP/1.1 {status} Said\r\nContent-Length: 0\r\n\r\n"),
            Answer::Elsewhere => "HTTP/1.1 302 Found\r\nLocation: /elsewhere\r\nContent-Length: 0\r\n\r\n".to_owned(),
            Answer::Never => std::future::pending().await,
            Answer::Cut => return Ok(()),
        };
        stream.write_all(reply.as_bytes()).await?;
    }
}

/// A whole request, if there is one; it is taken off the front.
fn parsed(text: &mut Vec<u8>) -> Option<Came> {
    let end = text.windows(4).position(|four| four == b"\r\n\r\n")?;
    let head = String::from_utf8(text[..end].to_vec()).unwrap();
    let mut lines = head.split("\r\n");
    let path = lines.next()?.split(' ').nth(1)?.to_owned();
    let headers: BTreeMap<String, String> = lines
        .filter_map(|line| line.split_once(": "))
        .map(|(name, value)| (name.to_ascii_lowercase(), value.to_owned()))
        .collect();
    let length: usize = headers.get("content-length").map_or(0, |length| length.parse().unwrap());
    let body = text.get(end + 4..end + 4 + length)?.to_vec();
    text.drain(..end + 4 + length);
    Some(Came { path, headers, body: String::from_utf8(body).unwrap() })
}
