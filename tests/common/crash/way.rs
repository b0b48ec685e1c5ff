//! A way between two programs that passes everything on, until it is told to be slow, to hold everything back with both
//! ends open, or to cut what is open. The way to PostgreSQL can stop at a commit as well (see `trap`).

use super::trap::{Traps, Withheld, from_client};
use std::io;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt, split};
use tokio::net::{TcpListener, TcpStream, UnixListener, UnixStream};
use tokio::sync::watch;
use tokio::task::{JoinHandle, JoinSet};

/// Where PostgreSQL's clients look for its socket in a folder.
const SOCKET: &str = ".s.PGSQL.5432";

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mood {
    /// Everything passes.
    Open,
    /// Whatever passes has to wait first.
    Slow(Duration),
    /// Nothing passes, and nobody is told: connections are taken and stay open.
    Held,
    /// New connections end at once.
    Shut,
}

pub(super) struct Shared {
    mood: watch::Sender<Mood>,
    cuts: watch::Sender<u64>,
    pub(super) traps: Traps,
}

/// The way; dropped, it is cut.
pub struct Way {
    shared: Arc<Shared>,
    passing: JoinHandle<()>,
}

enum Target {
    Tcp(SocketAddr),
    Unix(PathBuf),
}

trait Stream: AsyncRead + AsyncWrite + Unpin + Send {}
impl<T: AsyncRead + AsyncWrite + Unpin + Send> Stream for T {}

impl Way {
    /// To a server; with the address of the way.
    pub async fn to_server(to: SocketAddr) -> (Way, SocketAddr) {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = listener.local_addr().unwrap();
        let shared = Arc::new(Shared::new());
        let of_connections = shared.clone();
        let passing = tokio::spawn(async move {
            // Aborted with this task.
            let mut connections = JoinSet::new();
            while let Ok((client, _)) = listener.accept().await {
                let _ = client.set_nodelay(true);
                connections.spawn(connection(client, Target::Tcp(to), of_connections.clone()));
            }
        });
        (Way { shared, passing }, address)
    }

    /// To the PostgreSQL whose socket is in `to`; clients find the way in `folder`.
    pub fn to_postgres(folder: &Path, to: &Path) -> Way {
        let listener = UnixListener::bind(folder.join(SOCKET)).unwrap();
        let to = to.join(SOCKET);
        let shared = Arc::new(Shared::new());
        let of_connections = shared.clone();
        let passing = tokio::spawn(async move {
            let mut connections = JoinSet::new();
            while let Ok((client, _)) = listener.accept().await {
                connections.spawn(connection(client, Target::Unix(to.clone()), of_connections.clone()));
            }
        });
        Way { shared, passing }
    }

    pub fn turn(&self, mood: Mood) {
        self.shared.mood.send_replace(mood);
    }

    /// Ends all connections there are, on both sides.
    pub fn cut(&self) {
        self.shared.cuts.send_modify(|cuts| *cuts += 1);
    }

    pub fn traps(&self) -> &Traps {
        &self.shared.traps
    }
}

impl Drop for Way {
    fn drop(&mut self) {
        self.passing.abort();
    }
}

impl Shared {
    fn new() -> Shared {
        Shared { mood: watch::Sender::new(Mood::Open), cuts: watch::Sender::new(0), traps: Traps::default() }
    }

    /// Until something may pass.
    pub(super) async fn passable(&self) {
        let mut mood = self.mood.subscribe();
        let now = *mood.borrow_and_update();
        if let Mood::Slow(wait) = now {
            tokio::time::sleep(wait).await;
        }
        let _ = mood.wait_for(|mood| *mood != Mood::Held).await;
    }
}

async fn connection(client: impl Stream, to: Target, shared: Arc<Shared>) {
    let mut cuts = shared.cuts.subscribe();
    if *shared.mood.borrow() == Mood::Shut {
        return;
    }
    let passed = async {
        shared.passable().await;
        match to {
            Target::Tcp(to) => {
                let server = TcpStream::connect(to).await?;
                let _ = server.set_nodelay(true);
                both_ways(client, server, &shared).await
            }
            Target::Unix(to) => {
                let server = UnixStream::connect(to).await?;
                to_postgres(client, server, &shared).await
            }
        }
    };
    tokio::select! {
        _ = cuts.changed() => {}
        _ = passed => {}
    }
}

async fn both_ways(client: impl Stream, server: impl Stream, shared: &Shared) -> io::Result<()> {
    let (client_reads, client_writes) = split(client);
    let (server_reads, server_writes) = split(server);
    tokio::try_join!(pump(client_reads, server_writes, shared), pump(server_reads, client_writes, shared))?;
    Ok(())
}

/// An end is passed on as well.
async fn pump(mut from: impl AsyncRead + Unpin, mut to: impl AsyncWrite + Unpin, shared: &Shared) -> io::Result<()> {
    let mut chunk = vec![0; 16_384];
    loop {
        let count = from.read(&mut chunk).await?;
        shared.passable().await;
        if count == 0 {
            return to.shutdown().await;
        }
        to.write_all(&chunk[..count]).await?;
    }
}

/// Either side's end is the end of both: a session of PostgreSQL is not half closed.
async fn to_postgres(client: impl Stream, server: impl Stream, shared: &Shared) -> io::Result<()> {
    let (client_reads, mut client_writes) = split(client);
    let (mut server_reads, server_writes) = split(server);
    let withheld = Withheld::default();
    let back = async {
        let mut chunk = vec![0; 16_384];
        loop {
            let count = server_reads.read(&mut chunk).await?;
            shared.passable().await;
            if count == 0 || !withheld.may_pass(&chunk[..count]).await {
                return Ok(());
            }
            client_writes.write_all(&chunk[..count]).await?;
        }
    };
    tokio::select! {
        ended = from_client(client_reads, server_writes, shared, &withheld) => ended,
        ended = back => ended,
    }
}
