//! Opens a serial device or a connection.

use std::{io, pin::Pin, time::Duration};

use tokio::{
    io::{AsyncRead, AsyncWrite},
    net::TcpStream,
    time::timeout,
};
use tokio_serial::{DataBits, Parity, SerialPortBuilderExt, StopBits};
use wiring::links::ModbusSettings;

/// A connection that takes longer is tried again.
const CONNECTS_IN: Duration = Duration::from_secs(3);

/// A stream of bytes to the units.
pub(super) trait Stream: AsyncRead + AsyncWrite + Send + Unpin {}
impl<T: AsyncRead + AsyncWrite + Send + Unpin> Stream for T {}

pub(super) async fn open(settings: &ModbusSettings) -> io::Result<Pin<Box<dyn Stream>>> {
    if settings.tcp {
        let connecting = timeout(CONNECTS_IN, TcpStream::connect(&settings.device));
        let stream = connecting.await.map_err(|_| io::Error::from(io::ErrorKind::TimedOut))??;
        stream.set_nodelay(true)?;
        return Ok(Box::pin(stream));
    }
    let parity = match settings.parity {
        'O' => Parity::Odd,
        'N' => Parity::None,
        _ => Parity::Even,
    };
    let stop = if settings.stop == 2 { StopBits::Two } else { StopBits::One };
    let builder = tokio_serial::new(&settings.device, settings.baud)
        .data_bits(DataBits::Eight)
        .parity(parity)
        .stop_bits(stop);
    Ok(Box::pin(builder.open_native_async()?))
}
