//! The page on a port of its own, and a caller that can also speak nonsense.

use std::io::{Read, Write};
use std::net::TcpStream;
use std::sync::Arc;
use std::time::Duration;

use tempfile::TempDir;
use tokio::net::TcpListener;
use tokio::runtime::Runtime;
use tokio::task::JoinHandle;
use tokio::time::timeout;
use tokio_util::sync::CancellationToken;
use trug::page::access::Rules;
use trug::page::{PageSetup, PageSource, RecordReader, serve};
use trug::settings::GardenFile;
use trug::store::{Reader, Store};

use super::garden::shipped;

/// The page, served until it is dropped.
pub(crate) struct Served {
    runtime: Runtime,
    port: u16,
    stop: CancellationToken,
    task: JoinHandle<std::io::Result<()>>,
    /// Keeps the store's folder until the page has ended.
    _folder: Option<TempDir>,
}

impl Served {
    /// The page over an empty store of the demonstration's garden.
    pub(crate) fn new(views: impl PageSource, notice: Option<&str>) -> Self {
        Self::ruled(views, Rules::default(), notice)
    }

    /// The same, with rules for who may do what.
    pub(crate) fn ruled(views: impl PageSource, rules: Rules, notice: Option<&str>) -> Self {
        let folder = tempfile::tempdir().expect("a folder for the store");
        let path = folder.path().join("trug.db");
        let settings = shipped();
        drop(Store::open(&path, &settings.gardens).expect("a new store"));
        let reader = Reader::open(&path).expect("the store can be read");
        let gardens: Vec<_> = settings.gardens.into_iter().map(Arc::new).collect();
        let mut served = Self::over_ruled(views, RecordReader::new(reader, gardens.into()), rules, notice);
        served._folder = Some(folder);
        served
    }

    /// The page over a store that the caller keeps.
    pub(crate) fn over(views: impl PageSource, record: RecordReader, notice: Option<&str>) -> Self {
        Self::over_ruled(views, record, Rules::default(), notice)
    }

    /// The same, with rules for who may do what.
    pub(crate) fn over_ruled(
        views: impl PageSource,
        record: RecordReader,
        rules: Rules,
        notice: Option<&str>,
    ) -> Self {
        Self::over_files(views, record, rules, notice, Vec::new())
    }

    /// The same, with the gardens' files, which the page may write.
    pub(crate) fn over_files(
        views: impl PageSource,
        record: RecordReader,
        rules: Rules,
        notice: Option<&str>,
        garden_files: Vec<GardenFile>,
    ) -> Self {
        let runtime = Runtime::new().expect("a runtime");
        let listener = runtime.block_on(TcpListener::bind("127.0.0.1:0")).expect("a loopback port");
        let port = listener.local_addr().expect("a bound listener has an address").port();
        let stop = CancellationToken::new();
        let notice = notice.map(str::to_owned);
        let page = PageSetup { views, record, rules, notice, garden_files };
        let task = runtime.spawn(serve(listener, page, stop.clone()));
        Self { runtime, port, stop, task, _folder: None }
    }

    pub(crate) fn port(&self) -> u16 {
        self.port
    }

    pub(crate) fn url(&self, path: &str) -> String {
        format!("http://127.0.0.1:{}{path}", self.port)
    }

    /// Asks for a path and reads the whole answer.
    pub(crate) fn get(&self, path: &str) -> Answer {
        self.ask(&format!("GET {path} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n"))
    }

    /// Sends a form.
    pub(crate) fn post(&self, path: &str, form: &str) -> Answer {
        self.ask(&posted(path, form))
    }

    /// Sends bytes as they are.
    pub(crate) fn ask(&self, request: &str) -> Answer {
        let mut stream = self.connect();
        stream.write_all(request.as_bytes()).expect("the request can be sent");
        Answer::read(&mut stream)
    }

    pub(crate) fn connect(&self) -> TcpStream {
        let stream = TcpStream::connect(("127.0.0.1", self.port)).expect("the page listens");
        stream.set_read_timeout(Some(Duration::from_secs(20))).expect("a timeout above zero");
        stream
    }

    /// Stops the page and waits for its end.
    pub(crate) fn stop(self) -> std::io::Result<()> {
        self.stop.cancel();
        self.runtime
            .block_on(async { timeout(Duration::from_secs(20), self.task).await })
            .expect("the page ends in time")
            .expect("the page ends without a panic")
    }
}

/// A form as a browser sends it.
fn posted(path: &str, form: &str) -> String {
    format!(
        "POST {path} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\
         Content-Type: application/x-www-form-urlencoded\r\nContent-Length: {}\r\n\r\n{form}",
        form.len()
    )
}

/// What the page answered.
pub(crate) struct Answer {
    pub(crate) status: u16,
    /// In lower case.
    pub(crate) headers: Vec<(String, String)>,
    pub(crate) body: String,
}

impl Answer {
    /// Asks a program on this computer; `None` where nobody listens or the answer
    /// is cut off.
    pub(crate) fn of(port: u16, path: &str) -> Option<Self> {
        Self::to(port, &format!("GET {path} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n"))
    }

    /// The same for a form.
    pub(crate) fn of_form(port: u16, path: &str, form: &str) -> Option<Self> {
        Self::to(port, &posted(path, form))
    }

    /// The same for a whole request.
    pub(crate) fn to(port: u16, request: &str) -> Option<Self> {
        let mut stream = TcpStream::connect(("127.0.0.1", port)).ok()?;
        stream.set_read_timeout(Some(Duration::from_secs(20))).ok()?;
        stream.write_all(request.as_bytes()).ok()?;
        let mut bytes = Vec::new();
        stream.read_to_end(&mut bytes).ok()?;
        bytes.windows(4).any(|four| four == b"\r\n\r\n").then(|| Self::parse(bytes))
    }

    pub(crate) fn read(stream: &mut TcpStream) -> Self {
        let mut bytes = Vec::new();
        // A refused request may be followed by a reset; what came before counts.
        let _ = stream.read_to_end(&mut bytes);
        Self::parse(bytes)
    }

    fn parse(bytes: Vec<u8>) -> Self {
        let text = String::from_utf8(bytes).expect("the answer is UTF-8");
        let (head, body) = text.split_once("\r\n\r\n").unwrap_or_else(|| panic!("no head in {text:?}"));
        let mut lines = head.lines();
        let status = lines.next().and_then(|line| line.split(' ').nth(1)?.parse().ok());
        let headers = lines
            .filter_map(|line| line.split_once(": "))
            .map(|(name, value)| (name.to_ascii_lowercase(), value.to_owned()))
            .collect();
        Self { status: status.expect("a status"), headers, body: body.to_owned() }
    }

    pub(crate) fn header(&self, name: &str) -> Option<&str> {
        self.headers.iter().find(|(key, _)| key == name).map(|(_, value)| value.as_str())
    }
}
