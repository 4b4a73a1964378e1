//! Where a line of bytes goes: a serial device, or the same bytes over TCP.

use std::{io, pin::Pin, time::Duration};

use tokio::{
    io::{AsyncRead, AsyncWrite},
    net::TcpStream,
    time::timeout,
};
use tokio_serial::{DataBits, Parity, SerialPortBuilderExt, StopBits};
use wiring::links::{LccSettings, ModbusSettings, SerialSettings};

/// A connection that takes longer is tried again.
const CONNECTS_IN: Duration = Duration::from_secs(3);

/// A stream of bytes, whatever carries it.
pub(crate) trait Stream: AsyncRead + AsyncWrite + Send + Unpin {}
impl<T: AsyncRead + AsyncWrite + Send + Unpin> Stream for T {}

/// What can be opened.
#[derive(Clone, Debug, Eq, PartialEq)]
pub(crate) enum Device {
    /// `HOST:PORT`.
    Tcp(String),
    /// A serial device with eight data bits.
    Serial { path: String, baud: u32, parity: Parity, stop: StopBits },
}

impl Device {
    pub(crate) async fn open(&self) -> io::Result<Pin<Box<dyn Stream>>> {
        match self {
            Self::Tcp(address) => {
                let connecting = timeout(CONNECTS_IN, TcpStream::connect(address));
                let stream =
                    connecting.await.map_err(|_| io::Error::from(io::ErrorKind::TimedOut))??;
                stream.set_nodelay(true)?;
                Ok(Box::pin(stream))
            }
            Self::Serial { path, baud, parity, stop } => {
                let builder = tokio_serial::new(path, *baud)
                    .data_bits(DataBits::Eight)
                    .parity(*parity)
                    .stop_bits(*stop);
                Ok(Box::pin(builder.open_native_async()?))
            }
        }
    }

    fn plain(path: &str, baud: u32) -> Self {
        Self::Serial { path: path.to_owned(), baud, parity: Parity::None, stop: StopBits::One }
    }
}

impl From<&SerialSettings> for Device {
    fn from(it: &SerialSettings) -> Self {
        match it.device.strip_prefix("tcp://") {
            Some(address) => Self::Tcp(address.to_owned()),
            None => Self::plain(&it.device, it.baud),
        }
    }
}

impl From<&LccSettings> for Device {
    fn from(it: &LccSettings) -> Self {
        if it.tcp { Self::Tcp(it.device.clone()) } else { Self::plain(&it.device, it.baud) }
    }
}

impl From<&ModbusSettings> for Device {
    fn from(it: &ModbusSettings) -> Self {
        if it.tcp {
            return Self::Tcp(it.device.clone());
        }
        let parity = match it.parity {
            'O' => Parity::Odd,
            'N' => Parity::None,
            _ => Parity::Even,
        };
        let stop = if it.stop == 2 { StopBits::Two } else { StopBits::One };
        Self::Serial { path: it.device.clone(), baud: it.baud, parity, stop }
    }
}
