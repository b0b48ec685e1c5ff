//! The last word to whoever came too late: connections that the system took in while the server was closing its door, and
//! that nobody would answer. They were sent requests, and are told to send them again.

use super::problem::{PROBLEM_JSON, ProblemBody};
use super::registry;
use std::net::TcpListener;
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::task::JoinSet;

/// As many as the system keeps waiting at a door.
const LATE_MAX: usize = 4_096;
/// How long one may take to say what he wants, and to hear the answer.
const EACH: Duration = Duration::from_secs(1);

/// Closes the door, once the server has left it: takes in whoever stands before it, and turns them away.
pub async fn turn_away(door: TcpListener) {
    let mut late = JoinSet::new();
    if door.set_nonblocking(true).is_ok() {
        while late.len() < LATE_MAX
            && let Ok((connection, _)) = door.accept()
        {
            late.spawn(tokio::time::timeout(EACH, told(connection)));
        }
    }
    drop(door);
    while late.join_next().await.is_some() {}
}

async fn told(connection: std::net::TcpStream) -> std::io::Result<()> {
    connection.set_nonblocking(true)?;
    let mut connection = TcpStream::from_std(connection)?;
    let mut chunk = [0; 4_096];
    // Whoever has not asked anything need not be answered.
    if connection.read(&mut chunk).await? == 0 {
        return Ok(());
    }
    connection.write_all(answer().as_bytes()).await?;
    connection.shutdown().await?;
    // What is left unread when a connection ends takes the answer with it.
    while connection.read(&mut chunk).await? > 0 {}
    Ok(())
}

fn answer() -> String {
    let kind = &registry::SERVER_STOPPING;
    let body = ProblemBody::of(kind, "it came while the server was closing its door, and nothing was done".to_owned());
    let body = serde_json::to_string(&body).unwrap_or_default();
    format!(
        "HTTP/1.1 503 Service Unavailable\r\nContent-Type: {PROBLEM_JSON}\r\nRetry-After: 1\r\nConnection: close\r\n\
         Content-Length: {}\r\n\r\n{body}",
        body.len()
    )
}
