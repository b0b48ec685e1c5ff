//! A client that costs little: HTTP/1.1 over kept connections of its own, one request at a time on each. It reads replies
//! whole and looks at no more of them than is counted.

use std::net::SocketAddr;
use std::sync::Mutex;
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;

/// Longest wait for a reply: longer than anything the server is given to do.
const REPLY_MAX: Duration = Duration::from_secs(20);
const BUFFER_OCTETS: usize = 16 << 10;

/// What came back.
#[derive(Debug, Clone, Default)]
pub struct Reply {
    pub status: u16,
    pub etag: Option<String>,
    /// Seconds of `Retry-After`, where they were given as a number.
    pub retry_after: Option<u64>,
    pub body: Vec<u8>,
}

struct Connection {
    stream: TcpStream,
    buffer: Vec<u8>,
    have: usize,
}

/// Connections that are not in use.
pub struct Wire {
    address: SocketAddr,
    idle: Mutex<Vec<Connection>>,
}

/// A request's octets. `headers` end in line ends.
pub fn request(method: &str, path: &str, headers: &str, body: &str) -> Vec<u8> {
    let length = if body.is_empty() && method == "GET" {
        String::new()
    } else {
        format!("Content-Type: application/json\r\nContent-Length: {}\r\n", body.len())
    };
    format!("{method} {path} HTTP/1.1\r\nHost: load\r\n{headers}{length}\r\n{body}").into_bytes()
}

impl Wire {
    pub fn to(address: SocketAddr) -> Wire {
        Wire { address, idle: Mutex::default() }
    }

    /// Sends it and reads the reply; on a connection that had been closed meanwhile, once more on another.
    pub async fn ask(&self, request: &[u8]) -> Result<Reply, String> {
        let kept = self.idle.lock().unwrap().pop();
        if let Some(mut kept) = kept
            && let Ok(reply) = self.ask_on(&mut kept, request).await
        {
            self.keep(kept, &reply);
            return Ok(reply);
        }
        let stream = TcpStream::connect(self.address).await.map_err(|error| format!("connect: {error}"))?;
        stream.set_nodelay(true).map_err(|error| error.to_string())?;
        let mut fresh = Connection { stream, buffer: vec![0; BUFFER_OCTETS], have: 0 };
        let reply = self.ask_on(&mut fresh, request).await?;
        self.keep(fresh, &reply);
        Ok(reply)
    }

    fn keep(&self, connection: Connection, reply: &Reply) {
        if reply.status != 0 {
            self.idle.lock().unwrap().push(connection);
        }
    }

    async fn ask_on(&self, connection: &mut Connection, request: &[u8]) -> Result<Reply, String> {
        let asked = async {
            connection.stream.write_all(request).await.map_err(|error| format!("send: {error}"))?;
            connection.reply(request.starts_with(b"HEAD")).await
        };
        tokio::time::timeout(REPLY_MAX, asked).await.unwrap_or_else(|_| Err("no reply in time".into()))
    }
}

impl Connection {
    async fn more(&mut self) -> Result<(), String> {
        if self.have == self.buffer.len() {
            self.buffer.resize(self.have * 2, 0);
        }
        match self.stream.read(&mut self.buffer[self.have..]).await {
            Ok(0) => Err("the server closed the connection".into()),
            Ok(count) => {
                self.have += count;
                Ok(())
            }
            Err(error) => Err(format!("read: {error}")),
        }
    }

    async fn reply(&mut self, headless: bool) -> Result<Reply, String> {
        self.have = 0;
        let end = loop {
            self.more().await?;
            if let Some(end) = self.buffer[..self.have].windows(4).position(|four| four == b"\r\n\r\n") {
                break end;
            }
        };
        let head = String::from_utf8_lossy(&self.buffer[..end]).into_owned();
        let mut reply = Reply::default();
        let (mut length, mut chunked) = (0, false);
        for (number, line) in head.split("\r\n").enumerate() {
            if number == 0 {
                reply.status = line.split(' ').nth(1).and_then(|text| text.parse().ok()).ok_or("no status")?;
                continue;
            }
            let Some((name, value)) = line.split_once(':') else { continue };
            let value = value.trim();
            match name.to_ascii_lowercase().as_str() {
                "content-length" => length = value.parse().map_err(|_| "a length that is none")?,
                "transfer-encoding" => chunked = value.eq_ignore_ascii_case("chunked"),
                "etag" => reply.etag = Some(value.to_owned()),
                "retry-after" => reply.retry_after = value.parse().ok(),
                _ => {}
            }
        }
        let begin = end + 4;
        if reply.status == 304 || headless {
            return Ok(reply);
        }
        if chunked {
            reply.body = self.chunks(begin).await?;
            return Ok(reply);
        }
        while self.have < begin + length {
            self.more().await?;
        }
        reply.body = self.buffer[begin..begin + length].to_vec();
        Ok(reply)
    }

    /// RFC 9112, section 7.1, without trailers, which the server never sends.
    async fn chunks(&mut self, mut at: usize) -> Result<Vec<u8>, String> {
        let mut body = Vec::new();
        loop {
            let line = loop {
                if let Some(end) = self.buffer[at..self.have].windows(2).position(|two| two == b"\r\n") {
                    break end;
                }
                self.more().await?;
            };
            let size = std::str::from_utf8(&self.buffer[at..at + line]).ok();
            let size = size.and_then(|text| usize::from_str_radix(text.trim(), 16).ok()).ok_or("a chunk of no size")?;
            at += line + 2;
            while self.have < at + size + 2 {
                self.more().await?;
            }
            body.extend_from_slice(&self.buffer[at..at + size]);
            at += size + 2;
            if size == 0 {
                return Ok(body);
            }
        }
    }
}
