//! Requests over connections of one's own, with nothing in between that asks again by itself: what was sent and was not
//! answered in full is seen.

use std::io;
use std::net::SocketAddr;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;

/// What became of a request.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Fate {
    /// Answered in full.
    Answered { status: u16, closes: bool },
    /// There was no connection to send it over.
    Refused,
    /// It was sent, and no answer came, or half of one.
    Dropped(String),
}

pub struct Wire {
    address: SocketAddr,
    connection: Option<TcpStream>,
    /// Whether connections are used more than once.
    keeps: bool,
}

impl Wire {
    pub fn new(address: SocketAddr, keeps: bool) -> Wire {
        Wire { address, connection: None, keeps }
    }

    pub async fn send(&mut self, method: &str, path: &str, token: &str, body: &str) -> Fate {
        let mut connection = match self.connection.take() {
            Some(connection) => connection,
            None => match TcpStream::connect(self.address).await {
                Ok(connection) => connection,
                Err(_) => return Fate::Refused,
            },
        };
        let keep = if self.keeps { "keep-alive" } else { "close" };
        let text = format!(
            "{method} {path} HTTP/1.1\r\nHost: tackfree\r\nAuthorization: Bearer {token}\r\nConnection: {keep}\r\n\
             Content-Type: application/json\r\nIf-Match: *\r\nContent-Length: {}\r\n\r\n{body}",
            body.len()
        );
        let answered = async {
            connection.write_all(text.as_bytes()).await?;
            answer(&mut connection).await
        };
        match answered.await {
            Ok((status, closes)) => {
                if self.keeps && !closes {
                    self.connection = Some(connection);
                }
                Fate::Answered { status, closes }
            }
            Err(error) => Fate::Dropped(error.to_string()),
        }
    }
}

/// The status, and whether the connection ends with it.
async fn answer(connection: &mut TcpStream) -> io::Result<(u16, bool)> {
    let mut text = Vec::new();
    loop {
        if let Some(end) = text.windows(4).position(|four| four == b"\r\n\r\n") {
            let head = String::from_utf8_lossy(&text[..end]).to_ascii_lowercase();
            let value = |name: &str| head.lines().find_map(|line| line.strip_prefix(name)).map(str::trim);
            let body = &text[end + 4..];
            let whole = match value("content-length:") {
                Some(length) => body.len() >= length.parse().unwrap_or(0),
                None if value("transfer-encoding:") == Some("chunked") => body.ends_with(b"0\r\n\r\n"),
                None => true,
            };
            if whole {
                let status = head.split(' ').nth(1).and_then(|word| word.parse().ok()).unwrap_or(0);
                return Ok((status, value("connection:") == Some("close")));
            }
        }
        let mut chunk = [0; 16_384];
        match connection.read(&mut chunk).await? {
            0 => return Err(io::Error::other(format!("the connection ended after {} bytes", text.len()))),
            count => text.extend_from_slice(&chunk[..count]),
        }
    }
}
