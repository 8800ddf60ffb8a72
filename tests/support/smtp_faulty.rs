//! A mail server that goes wrong at one step of the conversation.

use std::sync::{Arc, Mutex, PoisonError};

use tokio::io::{AsyncBufReadExt, AsyncWriteExt, BufReader};
use tokio::net::{TcpListener, TcpStream};
use tokio::task::JoinHandle;

/// The steps of the conversation, each before its answer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum At {
    Greeting,
    Ehlo,
    Auth,
    Mail,
    Rcpt,
    Data,
    /// The whole text has come.
    End,
    Quit,
    /// Nothing goes wrong.
    Never,
}

/// What it does there instead of its answer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Act {
    Say(&'static str),
    /// Keeps the connection and is silent.
    Hang,
    /// Ends the connection.
    Drop,
    /// An answer without end, as fast as it goes.
    Flood,
    /// One line without end, as fast as it goes.
    OneLine,
    /// Speaks up before it is time: the answer to STARTTLS with more behind it.
    AheadOfTls,
    /// An answer without end, a byte at a time, so that each wait is short.
    Drip,
}

/// The server, until it is dropped. It needs the runtime of the test.
pub(crate) struct Faulty {
    port: u16,
    heard: Arc<Mutex<Vec<String>>>,
    task: JoinHandle<()>,
}

impl Faulty {
    pub(crate) async fn start(at: At, act: Act) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").await.expect("a loopback port");
        let port = listener.local_addr().expect("a bound listener has an address").port();
        let heard = Arc::new(Mutex::new(Vec::new()));
        let into = Arc::clone(&heard);
        let task = tokio::spawn(async move {
            while let Ok((stream, _)) = listener.accept().await {
                let into = Arc::clone(&into);
                // It ends with the runtime, or when either side ends the connection.
                tokio::spawn(async move {
                    let _ = Talk { at, act, heard: into }.hold(stream).await;
                });
            }
        });
        Self { port, heard, task }
    }

    pub(crate) fn port(&self) -> u16 {
        self.port
    }

    /// First words of the commands, `.` for each whole text.
    pub(crate) fn heard(&self) -> Vec<String> {
        self.heard.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }
}

impl Drop for Faulty {
    fn drop(&mut self) {
        self.task.abort();
    }
}

struct Talk {
    at: At,
    act: Act,
    heard: Arc<Mutex<Vec<String>>>,
}

impl Talk {
    async fn hold(&self, stream: TcpStream) -> std::io::Result<()> {
        let mut stream = BufReader::new(stream);
        if !self.answer(&mut stream, At::Greeting, "220 mail.test").await? {
            return Ok(());
        }
        loop {
            let Some(line) = read(&mut stream).await? else { return Ok(()) };
            let word = line.split_whitespace().next().unwrap_or_default().to_ascii_uppercase();
            self.note(&word);
            let goes_on = match word.as_str() {
                "EHLO" => {
                    let tls = if self.act == Act::AheadOfTls { "250-STARTTLS\r\n" } else { "" };
                    let usual = format!("250-mail.test\r\n{tls}250 AUTH PLAIN");
                    self.answer(&mut stream, At::Ehlo, &usual).await?
                }
                "STARTTLS" => {
                    stream.write_all(b"220 go on\r\n250-mail.test\r\n250 AUTH PLAIN\r\n").await?;
                    true
                }
                "AUTH" => self.answer(&mut stream, At::Auth, "235 known").await?,
                "MAIL" => self.answer(&mut stream, At::Mail, "250 yes").await?,
                "RCPT" => self.answer(&mut stream, At::Rcpt, "250 yes").await?,
                "DATA" => {
                    let goes_on = self.answer(&mut stream, At::Data, "354 go on").await?;
                    if goes_on && self.at != At::Data {
                        loop {
                            match read(&mut stream).await? {
                                Some(line) if line == "." => break,
                                Some(_) => {}
                                None => return Ok(()),
                            }
                        }
                        self.note(".");
                        self.answer(&mut stream, At::End, "250 taken").await?
                    } else {
                        goes_on
                    }
                }
                "QUIT" => {
                    self.answer(&mut stream, At::Quit, "221 bye").await?;
                    return Ok(());
                }
                _ => {
                    stream.write_all(b"502 not known\r\n").await?;
                    true
                }
            };
            if !goes_on {
                return Ok(());
            }
        }
    }

    fn note(&self, word: &str) {
        self.heard.lock().unwrap_or_else(PoisonError::into_inner).push(word.to_owned());
    }

    /// Answers, or does what goes wrong here; `false` where the connection is over.
    async fn answer(&self, stream: &mut BufReader<TcpStream>, at: At, usual: &str) -> std::io::Result<bool> {
        let act = if self.at == at { self.act } else { Act::Say("") };
        match act {
            Act::Say(own) => {
                let said = if self.at == at { own } else { usual };
                stream.write_all(format!("{said}\r\n").as_bytes()).await?;
                Ok(true)
            }
            Act::Hang => std::future::pending().await,
            Act::Drop => Ok(false),
            Act::Flood => loop {
                stream.write_all(b"250-and another thing\r\n").await?;
            },
            Act::OneLine => loop {
                stream.write_all(&[b'2'; 4096]).await?;
            },
            Act::AheadOfTls => Ok(true),
            Act::Drip => loop {
                stream.write_all(b"2").await?;
                tokio::time::sleep(std::time::Duration::from_millis(20)).await;
            },
        }
    }
}

/// One line without its end; `None` where the other side has ended.
async fn read(stream: &mut BufReader<TcpStream>) -> std::io::Result<Option<String>> {
    let mut bytes = Vec::new();
    let count = stream.read_until(b'\n', &mut bytes).await?;
    let line = String::from_utf8_lossy(&bytes).trim_end_matches(['\r', '\n']).to_owned();
    Ok((count > 0).then_some(line))
}
