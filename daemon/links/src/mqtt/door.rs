//! The door of the embedded broker: takes connections, and carries their bytes to and fro without waiting for anything.
//!
//! Towards clients it sets TCP_NODELAY. Towards the broker it acknowledges each segment at once, so that the broker's own
//! waiting for acknowledgements ends before it begins.

use std::{
    io,
    net::{SocketAddr, TcpListener as StdListener, TcpStream as StdStream},
    os::linux::net::TcpStreamExt,
    sync::Arc,
    time::Duration,
};

use tokio::{
    io::{AsyncReadExt, AsyncWriteExt},
    net::{
        TcpListener, TcpStream,
        tcp::{OwnedReadHalf, OwnedWriteHalf},
    },
    sync::Semaphore,
};

/// Connections at once: as many as the broker takes.
const MOST_CONNECTIONS: usize = 256;
/// Pause after a connection that could not be taken, for want of files.
const PAUSE: Duration = Duration::from_millis(50);
/// Unit: octet.
const CHUNK: usize = 8 * 1024;

/// Opens it, on a thread of its own like the broker's. It ends with the process.
pub(crate) fn open(front: StdListener, broker: SocketAddr) -> io::Result<()> {
    front.set_nonblocking(true)?;
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    let serve = move || runtime.block_on(serve(front, broker));
    std::thread::Builder::new().name("broker-door".to_owned()).spawn(serve).map(drop)
}

async fn serve(front: StdListener, broker: SocketAddr) {
    let front = match TcpListener::from_std(front) {
        Ok(front) => front,
        Err(error) => return tracing::error!(%error, "the embedded broker has no door"),
    };
    let room = Arc::new(Semaphore::new(MOST_CONNECTIONS));
    loop {
        let Ok(place) = Arc::clone(&room).acquire_owned().await else { return };
        let Ok((client, _)) = front.accept().await else {
            tokio::time::sleep(PAUSE).await;
            continue;
        };
        tokio::spawn(async move {
            // However it ended: both sides see their connection closed.
            let _ = carry(client, broker).await;
            drop(place);
        });
    }
}

/// One connection, until either side closes it.
async fn carry(client: TcpStream, broker: SocketAddr) -> io::Result<()> {
    client.set_nodelay(true)?;
    let inner = TcpStream::connect(broker).await?.into_std()?;
    inner.set_nodelay(true)?;
    let quick = inner.try_clone()?;
    let (from_broker, to_broker) = TcpStream::from_std(inner)?.into_split();
    let (from_client, to_client) = client.into_split();
    tokio::select! {
        ended = pass(from_client, to_broker, None) => ended,
        ended = pass(from_broker, to_client, Some(&quick)) => ended,
    }
}

/// One direction. The system forgets `quick` after some segments, so it is asked anew with each.
async fn pass(
    mut from: OwnedReadHalf,
    mut to: OwnedWriteHalf,
    quick: Option<&StdStream>,
) -> io::Result<()> {
    let mut bytes = vec![0; CHUNK];
    loop {
        if let Some(quick) = quick {
            quick.set_quickack(true)?;
        }
        match from.read(&mut bytes).await? {
            0 => return Ok(()),
            count => to.write_all(&bytes[..count]).await?,
        }
    }
}
