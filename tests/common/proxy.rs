//! A way to PostgreSQL that can be cut and mended: a Unix socket that passes everything on.

#![allow(clippy::unwrap_used, reason = "a panic in a test is a failed test")]
#![allow(dead_code, reason = "no test program needs everything here")]

use std::path::{Path, PathBuf};
use tempfile::TempDir;
use tokio::io::copy_bidirectional;
use tokio::net::{UnixListener, UnixStream};
use tokio::task::{JoinHandle, JoinSet};

/// Where PostgreSQL's clients look for its socket in a folder.
const SOCKET: &str = ".s.PGSQL.5432";

/// The way; dropped, it is cut.
pub struct Proxy {
    folder: TempDir,
    server: PathBuf,
    passing: Option<JoinHandle<()>>,
}

impl Proxy {
    /// To the server whose socket is in `server`.
    pub fn new(server: &Path) -> Proxy {
        let mut proxy = Proxy { folder: TempDir::new().unwrap(), server: server.join(SOCKET), passing: None };
        proxy.mend();
        proxy
    }

    /// What clients are told as the folder of the socket.
    pub fn folder(&self) -> &Path {
        self.folder.path()
    }

    /// Ends all connections, and takes no more.
    pub async fn cut(&mut self) {
        if let Some(passing) = self.passing.take() {
            passing.abort();
            let _ = passing.await;
        }
        let _ = std::fs::remove_file(self.folder.path().join(SOCKET));
    }

    /// Passes on again.
    pub fn mend(&mut self) {
        let listener = UnixListener::bind(self.folder.path().join(SOCKET)).unwrap();
        let server = self.server.clone();
        self.passing = Some(tokio::spawn(async move {
            // Aborted with this task.
            let mut connections = JoinSet::new();
            while let Ok((mut client, _)) = listener.accept().await {
                let server = server.clone();
                connections.spawn(async move {
                    let mut server = UnixStream::connect(server).await.unwrap();
                    let _ = copy_bidirectional(&mut client, &mut server).await;
                });
            }
        }));
    }
}

impl Drop for Proxy {
    fn drop(&mut self) {
        if let Some(passing) = &self.passing {
            passing.abort();
        }
    }
}
