//! A server for webhooks that answers, or does not, as it is told to.

use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _, BufReader};
use tokio::net::{TcpListener, TcpStream};
use tokio::task::JoinHandle;
use trug::settings::Settings;

/// One request as it came.
#[derive(Clone, Debug)]
pub(crate) struct Request {
    pub(crate) path: String,
    /// Names in lower case.
    pub(crate) headers: Vec<(String, String)>,
    pub(crate) body: Vec<u8>,
}

impl Request {
    pub(crate) fn header(&self, name: &str) -> &str {
        let found = self.headers.iter().find(|(it, _)| it == name);
        found.map_or_else(|| panic!("no {name} in {:?}", self.headers), |(_, value)| value.as_str())
    }

    pub(crate) fn key(&self) -> &str {
        self.header("trug-key")
    }

    pub(crate) fn json(&self) -> serde_json::Value {
        serde_json::from_slice(&self.body).expect("the body is JSON")
    }
}

/// What it does with a request.
pub(crate) enum Answer {
    Status(u16, &'static str),
    /// With a header line.
    With(u16, String),
    /// It reads and says nothing.
    Never,
    /// It reads and closes.
    Drop,
    /// Status 200 or 500 and a body without an end.
    Huge(u16),
}

type Answers = dyn Fn(usize, &Request) -> Answer + Send + Sync;

/// The server; it ends when it is dropped.
pub(crate) struct Hook {
    pub(crate) port: u16,
    seen: Arc<Mutex<Vec<Request>>>,
    task: JoinHandle<()>,
}

impl Hook {
    /// `answer` gets the number of the request, from 1, and the request.
    pub(crate) async fn start(answer: impl Fn(usize, &Request) -> Answer + Send + Sync + 'static) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").await.expect("a loopback port");
        let port = listener.local_addr().expect("a bound listener has an address").port();
        let seen = Arc::new(Mutex::new(Vec::new()));
        let (noted, answer): (_, Arc<Answers>) = (Arc::clone(&seen), Arc::new(answer));
        let task = tokio::spawn(async move {
            let mut serving = tokio::task::JoinSet::new();
            loop {
                let (stream, _) = listener.accept().await.expect("a connection");
                let (noted, answer) = (Arc::clone(&noted), Arc::clone(&answer));
                serving.spawn(async move {
                    // A client may go away at any time.
                    let _ = serve(stream, &noted, &*answer).await;
                });
                while serving.try_join_next().is_some() {}
            }
        });
        Self { port, seen, task }
    }

    pub(crate) fn url(&self) -> String {
        format!("http://127.0.0.1:{}/garden", self.port)
    }

    pub(crate) fn seen(&self) -> Vec<Request> {
        self.seen.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }
}

impl Drop for Hook {
    fn drop(&mut self) {
        self.task.abort();
    }
}

async fn serve(stream: TcpStream, seen: &Mutex<Vec<Request>>, answer: &Answers) -> std::io::Result<()> {
    let mut stream = BufReader::new(stream);
    let Some(request) = read(&mut stream).await? else { return Ok(()) };
    let number = {
        let mut seen = seen.lock().unwrap_or_else(PoisonError::into_inner);
        seen.push(request.clone());
        seen.len()
    };
    let close = "Connection: close\r\n";
    let text = match answer(number, &request) {
        Answer::Status(status, text) => {
            format!("HTTP/1.1 {status} so\r\n{close}Content-Length: {}\r\n\r\n{text}", text.len())
        }
        Answer::With(status, header) => {
            format!("HTTP/1.1 {status} so\r\n{close}{header}\r\nContent-Length: 0\r\n\r\n")
        }
        Answer::Drop => return Ok(()),
        Answer::Never => {
            // Until the client goes away.
            let _ = stream.read_u8().await;
            return Ok(());
        }
        Answer::Huge(status) => {
            let head = format!("HTTP/1.1 {status} so\r\n{close}\r\n");
            stream.get_mut().write_all(head.as_bytes()).await?;
            loop {
                stream.get_mut().write_all(&[b'x'; 16 * 1024]).await?;
            }
        }
    };
    stream.get_mut().write_all(text.as_bytes()).await?;
    stream.get_mut().shutdown().await
}

async fn read(stream: &mut BufReader<TcpStream>) -> std::io::Result<Option<Request>> {
    let mut head = Vec::new();
    while !head.ends_with(b"\r\n\r\n") {
        match stream.read_u8().await {
            Ok(byte) => head.push(byte),
            Err(_) if head.is_empty() => return Ok(None),
            Err(why) => return Err(why),
        }
    }
    let head = String::from_utf8(head).expect("a head of ASCII");
    let mut lines = head.lines();
    let path = lines.next().and_then(|it| it.split(' ').nth(1)).expect("a path").to_owned();
    let headers: Vec<(String, String)> = lines
        .filter_map(|line| line.split_once(": "))
        .map(|(name, value)| (name.to_ascii_lowercase(), value.to_owned()))
        .collect();
    let length = headers.iter().find(|(name, _)| name == "content-length");
    let length: usize = length.expect("a length").1.parse().expect("a number");
    let mut body = vec![0; length];
    stream.read_exact(&mut body).await?;
    Ok(Some(Request { path, headers, body }))
}

/// The secret of every webhook of the tests.
pub(crate) const SECRET: &str = "a secret of the tests, long enough";

/// Settings with webhooks (name, address, seconds to wait) and files (name, path).
pub(crate) fn settings(webhooks: &[(&str, &str, u32)], files: &[(&str, &str)]) -> Settings {
    let mut text = "[broker]\nurl = \"mqtt://127.0.0.1\"\n[store]\npath = \"t.db\"\n".to_owned();
    let mut env = Vec::new();
    for (name, url, timeout_s) in webhooks {
        text += &format!("[[webhook]]\nname = \"{name}\"\nurl = \"{url}\"\ntimeout_s = {timeout_s}\n");
        env.push((format!("TRUG__WEBHOOK__{}__SECRET", name.to_uppercase()), SECRET.to_owned()));
    }
    for (name, path) in files {
        text += &format!("[[told_file]]\nname = \"{name}\"\npath = \"{path}\"\n");
    }
    let garden = "[site]\nid = \"creek\"\nname = \"Creek\"\ntime_zone = \"Australia/Adelaide\"\n\
                  latitude_deg = -34.9\nelevation_m = 10\n";
    trug::settings::from_text(("trug.toml", &text), &[("creek.toml", garden)], env.into_iter())
        .unwrap_or_else(|faults| panic!("{faults}"))
}

/// Waits for a state, in the time of the runtime.
pub(crate) async fn until(what: &str, mut reached: impl FnMut() -> bool) {
    const LIMIT: Duration = Duration::from_secs(120);
    let wait = async {
        while !reached() {
            tokio::time::sleep(Duration::from_millis(10)).await;
        }
    };
    assert!(tokio::time::timeout(LIMIT, wait).await.is_ok(), "waited {LIMIT:?} for {what}");
}
