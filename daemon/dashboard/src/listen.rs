//! Accepting connections within limits: so many at once, and none that neither asks nor listens.

use std::{
    io,
    net::SocketAddr,
    pin::Pin,
    sync::Arc,
    task::{Context, Poll},
    time::Duration,
};

use axum::{
    extract::connect_info::Connected,
    serve::{IncomingStream, Listener},
};
use tokio::{
    io::{AsyncRead, AsyncWrite, ReadBuf},
    net::{TcpListener, TcpStream},
    sync::{OwnedSemaphorePermit, Semaphore},
    time::{Instant, Sleep, sleep},
};

/// Connections at once. A browser uses up to six, one of them for the stream.
const CONNECTIONS: usize = 192;
/// A connection to which nothing was sent for this long is closed: a request that dribbles in, a page that sleeps. A
/// followed stream sends something every second.
const IDLE: Duration = Duration::from_secs(30);

/// A listener with limits.
#[derive(Debug)]
pub(crate) struct Guarded {
    listener: TcpListener,
    places: Arc<Semaphore>,
}

impl Guarded {
    pub(crate) fn new(listener: TcpListener) -> Self {
        Self { listener, places: Arc::new(Semaphore::new(CONNECTIONS)) }
    }
}

/// The other end of a connection.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Peer(pub(crate) SocketAddr);

impl Connected<IncomingStream<'_, Guarded>> for Peer {
    fn connect_info(stream: IncomingStream<'_, Guarded>) -> Self {
        Self(*stream.remote_addr())
    }
}

impl Listener for Guarded {
    type Io = Connection;
    type Addr = SocketAddr;

    async fn accept(&mut self) -> (Connection, SocketAddr) {
        let place = Arc::clone(&self.places).acquire_owned().await;
        let (stream, address) = Listener::accept(&mut self.listener).await;
        // Deltas are small and wanted at once.
        let _ = stream.set_nodelay(true);
        let idle = Box::pin(sleep(IDLE));
        (Connection { stream, idle, _place: place.ok() }, address)
    }

    fn local_addr(&self) -> io::Result<SocketAddr> {
        self.listener.local_addr()
    }
}

/// One connection: its socket, its deadline, its place among [`CONNECTIONS`].
#[derive(Debug)]
pub(crate) struct Connection {
    stream: TcpStream,
    idle: Pin<Box<Sleep>>,
    _place: Option<OwnedSemaphorePermit>,
}

impl Connection {
    fn check_idle(&mut self, context: &mut Context<'_>) -> io::Result<()> {
        if self.idle.as_mut().poll(context).is_ready() {
            return Err(io::Error::new(io::ErrorKind::TimedOut, "nothing was sent for too long"));
        }
        Ok(())
    }

    fn sent(&mut self, result: &Poll<io::Result<usize>>) {
        if matches!(result, Poll::Ready(Ok(_))) {
            self.idle.as_mut().reset(Instant::now() + IDLE);
        }
    }
}

impl AsyncRead for Connection {
    fn poll_read(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        buffer: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        self.check_idle(context)?;
        Pin::new(&mut self.stream).poll_read(context, buffer)
    }
}

impl AsyncWrite for Connection {
    fn poll_write(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<io::Result<usize>> {
        self.check_idle(context)?;
        let result = Pin::new(&mut self.stream).poll_write(context, bytes);
        self.sent(&result);
        result
    }

    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        parts: &[io::IoSlice<'_>],
    ) -> Poll<io::Result<usize>> {
        self.check_idle(context)?;
        let result = Pin::new(&mut self.stream).poll_write_vectored(context, parts);
        self.sent(&result);
        result
    }

    fn is_write_vectored(&self) -> bool {
        self.stream.is_write_vectored()
    }

    fn poll_flush(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_flush(context)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_shutdown(context)
    }
}
