//! The connection to a mail server, bounded and kept from answering too early.
//!
//! The mail library reads a line until it ends, however long, and what a server sends in
//! plain text before the TLS handshake it takes for answers within it: somebody on the way
//! could slip in an answer that way (RFC 3207, section 6, asks that such knowledge be
//! discarded; CVE-2011-0411 is this fault in another program). So no more than one line of
//! plain text is passed on at a time, and what is left over when TLS begins ends the
//! connection.

use std::io;
use std::net::SocketAddr;
use std::pin::Pin;
use std::task::{Context, Poll, ready};

use lettre::transport::smtp::client::AsyncTokioStream;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::TcpStream;

/// Bytes that a server may send between two things that we say: an answer has at most 512
/// in a line (RFC 5321, section 4.5.3.1.5), and a handshake some tens of thousands.
pub(super) const ANSWER_MAX: usize = 128 * 1024;

/// What is said when a server sends more.
pub(super) const TOO_LONG: &str = "its answer has no end";

/// What is said when something was sent before TLS began.
pub(super) const TOO_EARLY: &str = "it sent something in plain text before TLS began, which somebody on the way may have added; \
     security = \"tls\" in [mail] leaves no room for that";

/// The first byte of a TLS handshake (RFC 8446, section 5.1: a record's content type).
/// No command of SMTP begins with it.
const HANDSHAKE: u8 = 22;

/// A connection that is read with bounds.
#[derive(Debug)]
pub(super) struct GuardedStream<S> {
    stream: S,
    peer: SocketAddr,
    /// Read in plain text and not passed on yet.
    ahead: Vec<u8>,
    plain: bool,
    /// Bytes since we last said something.
    answered: usize,
}

impl GuardedStream<TcpStream> {
    /// A connection that begins in plain text.
    pub(super) fn plain(stream: TcpStream) -> io::Result<Self> {
        let peer = stream.peer_addr()?;
        Ok(Self { stream, peer, ahead: Vec::new(), plain: true, answered: 0 })
    }
}

impl<S> GuardedStream<S> {
    /// A connection that is TLS already.
    pub(super) fn tls(stream: S, peer: SocketAddr) -> Self {
        Self { stream, peer, ahead: Vec::new(), plain: false, answered: 0 }
    }
}

impl<S: AsyncRead + Unpin> GuardedStream<S> {
    /// Reads at least one byte into `ahead`, unless the server has ended the connection.
    fn fill(&mut self, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        let mut bytes = [0; 1024];
        let mut read = ReadBuf::new(&mut bytes);
        ready!(Pin::new(&mut self.stream).poll_read(context, &mut read))?;
        self.ahead.extend_from_slice(read.filled());
        Poll::Ready(Ok(()))
    }

    fn count(&mut self, bytes: usize) -> io::Result<()> {
        self.answered += bytes;
        if self.answered > ANSWER_MAX { Err(io::Error::other(TOO_LONG)) } else { Ok(()) }
    }
}

impl<S: AsyncRead + Unpin> AsyncRead for GuardedStream<S> {
    fn poll_read(
        self: Pin<&mut Self>,
        context: &mut Context<'_>,
        into: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        let it = self.get_mut();
        let before = into.filled().len();
        if it.plain {
            if it.ahead.is_empty() {
                ready!(it.fill(context))?;
            }
            let line = it.ahead.iter().position(|byte| *byte == b'\n').map_or(it.ahead.len(), |end| end + 1);
            let line = line.min(into.remaining());
            into.put_slice(&it.ahead[..line]);
            it.ahead.drain(..line);
        } else {
            ready!(Pin::new(&mut it.stream).poll_read(context, into))?;
        }
        Poll::Ready(it.count(into.filled().len() - before))
    }
}

impl<S: AsyncWrite + Unpin> AsyncWrite for GuardedStream<S> {
    fn poll_write(self: Pin<&mut Self>, context: &mut Context<'_>, bytes: &[u8]) -> Poll<io::Result<usize>> {
        let it = self.get_mut();
        if it.plain && bytes.first() == Some(&HANDSHAKE) {
            if !it.ahead.is_empty() {
                return Poll::Ready(Err(io::Error::other(TOO_EARLY)));
            }
            it.plain = false;
        }
        it.answered = 0;
        Pin::new(&mut it.stream).poll_write(context, bytes)
    }

    fn poll_flush(self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.get_mut().stream).poll_flush(context)
    }

    fn poll_shutdown(self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.get_mut().stream).poll_shutdown(context)
    }
}

impl<S> AsyncTokioStream for GuardedStream<S>
where
    S: AsyncRead + AsyncWrite + Send + Sync + Unpin + std::fmt::Debug,
{
    fn peer_addr(&self) -> io::Result<SocketAddr> {
        Ok(self.peer)
    }
}
