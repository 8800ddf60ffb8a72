//! The program `trug` as people run it: a process with a configuration, a store
//! and a log of its own.

use std::ffi::OsStr;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, ExitStatus, Output, Stdio};
use std::time::Duration;

use trug::store::Reader;

use super::garden::SHIPPED_TRUG;
use super::http::Answer;
use super::{ChildGuard, free_port, wait_until};

/// How long starting and stopping may take on a busy computer.
const LIMIT: Duration = Duration::from_secs(60);

/// A configured trug. It is killed when the test ends.
pub(crate) struct Daemon {
    folder: tempfile::TempDir,
    environment: Vec<(String, String)>,
    /// What `trug run` is given beside the configuration.
    pub(crate) arguments: Vec<&'static str>,
    /// What a shell does before it becomes the daemon.
    pub(crate) before: Option<&'static str>,
    starts: usize,
    page: u16,
    child: Option<ChildGuard>,
    /// A second process that waits for the first to end.
    standby: Option<ChildGuard>,
}

impl Daemon {
    /// The shipped configuration with these gardens in the place of the shipped
    /// one, and the broker of this port. Nothing is started. The garden's time
    /// goes on by the readings' own times.
    pub(crate) fn new(broker_port: u16, gardens: &[(&str, &str)]) -> Self {
        let folder = tempfile::tempdir().expect("a folder for the daemon");
        fs::write(folder.path().join("trug.toml"), SHIPPED_TRUG).expect("the configuration can be written");
        fs::create_dir(folder.path().join("gardens")).expect("the gardens' folder can be made");
        for (name, text) in gardens {
            let file = folder.path().join("gardens").join(format!("{name}.toml"));
            fs::write(file, text).expect("a garden's file can be written");
        }
        let store = folder.path().join("trug.db").display().to_string();
        let mut daemon = Self {
            folder,
            environment: Vec::new(),
            arguments: vec!["--clock", "readings"],
            before: None,
            starts: 0,
            page: 0,
            child: None,
            standby: None,
        };
        daemon.set("TRUG__BROKER__URL", &format!("mqtt://127.0.0.1:{broker_port}"));
        daemon.set("TRUG__STORE__PATH", &store);
        // Port 0: any free one, where nobody asks for the page.
        daemon.set("TRUG__PAGE__LISTEN", "127.0.0.1:0");
        daemon
    }

    /// Sets a key from the environment from the next start on.
    pub(crate) fn set(&mut self, key: &str, value: &str) {
        self.environment.retain(|(known, _)| known != key);
        self.environment.push((key.to_owned(), value.to_owned()));
    }

    /// `trug` with this configuration and these arguments.
    pub(crate) fn command<S: AsRef<OsStr>>(&self, arguments: impl IntoIterator<Item = S>) -> Command {
        let mut command = trug(arguments);
        command.arg("--config").arg(self.folder.path().join("trug.toml"));
        command.envs(self.environment.iter().map(|(key, value)| (key, value)));
        command
    }

    /// Runs one command to its end.
    pub(crate) fn ask<S: AsRef<OsStr>>(&self, arguments: impl IntoIterator<Item = S>) -> Output {
        self.command(arguments).stdin(Stdio::null()).output().expect("trug can be started")
    }

    /// Starts the daemon, and waits for nothing.
    pub(crate) fn start(&mut self) {
        assert!(self.child.is_none(), "it is running already");
        self.starts += 1;
        let log = fs::File::create(self.log_file(self.starts)).expect("the daemon's log can be written");
        let mut command = self.command(["run"].iter().chain(&self.arguments));
        if let Some(before) = self.before {
            let mut shell = Command::new("bash");
            shell.args(["-c", &format!("{before}; exec \"$0\" \"$@\"")]).arg(command.get_program());
            shell.args(command.get_args());
            shell.envs(command.get_envs().filter_map(|(key, value)| Some((key, value?))));
            command = shell;
        }
        let child = command
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(log)
            .spawn()
            .expect("trug can be started");
        self.child = Some(ChildGuard(child));
    }

    /// Starts the daemon with its page on a port that is known, and waits until
    /// the page answers.
    pub(crate) fn start_with_page(&mut self) {
        // Another program may take a port that was free a moment ago.
        for _ in 0..5 {
            self.page = free_port();
            self.set("TRUG__PAGE__LISTEN", &format!("127.0.0.1:{}", self.page));
            self.start();
            let ended = wait_until("the page to answer", LIMIT, || match self.ended() {
                Some(ended) => Some(Some(ended)),
                None => self.get("/health").map(|_| None),
            });
            match ended {
                None => return,
                Some(_) if self.log().contains("opening the page") => self.child = None,
                Some(ended) => panic!("trug ended with {ended}:\n{}", self.log()),
            }
        }
        panic!("no free port for the page:\n{}", self.log());
    }

    /// The address of a path of the page.
    pub(crate) fn url(&self, path: &str) -> String {
        format!("http://127.0.0.1:{}{path}", self.page)
    }

    /// Asks the page; `None` where it does not answer.
    pub(crate) fn get(&self, path: &str) -> Option<Answer> {
        Answer::of(self.page, path)
    }

    /// Sends a form to the page; `None` where it does not answer.
    pub(crate) fn post(&self, path: &str, form: &str) -> Option<Answer> {
        Answer::of_form(self.page, path, form)
    }

    /// Sends the page a whole request; `None` where it does not answer.
    pub(crate) fn request(&self, request: &str) -> Option<Answer> {
        Answer::to(self.page, request)
    }

    /// The number of its process.
    pub(crate) fn process(&self) -> u32 {
        self.child.as_ref().expect("it is running").0.id()
    }

    /// How it ended, if it has.
    pub(crate) fn ended(&mut self) -> Option<ExitStatus> {
        self.child.as_mut()?.0.try_wait().expect("the daemon is our child")
    }

    /// # Panics
    /// When it is not running.
    pub(crate) fn assert_alive(&mut self) {
        if let Some(ended) = self.ended() {
            panic!("trug ended with {ended}:\n{}", self.log());
        }
        assert!(self.child.is_some(), "trug was not started");
    }

    /// SIGKILL: what a power cut does.
    ///
    /// # Panics
    /// When it had ended by itself.
    pub(crate) fn kill(&mut self) {
        self.assert_alive();
        self.child = None;
    }

    /// Starts a second daemon on the same record, and waits until it stands by.
    pub(crate) fn stand_by(&mut self) {
        self.starts += 1;
        let path = self.log_file(self.starts);
        let log = fs::File::create(&path).expect("the daemon's log can be written");
        let mut command = self.command(["run", "--standby"].iter().chain(&self.arguments));
        let child = command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(log).spawn();
        self.standby = Some(ChildGuard(child.expect("trug can be started")));
        wait_until("the second daemon to stand by", LIMIT, || {
            fs::read_to_string(&path).is_ok_and(|log| log.contains("standing by")).then_some(())
        });
    }

    /// SIGKILL, and the daemon that stands by takes its place.
    ///
    /// # Panics
    /// When it had ended by itself, or none stands by.
    pub(crate) fn fail_over(&mut self) {
        self.kill();
        self.child = self.standby.take();
        assert!(self.child.is_some(), "no daemon stands by");
    }

    /// SIGTERM: what the system does when it stops a service.
    pub(crate) fn terminate(&mut self) -> ExitStatus {
        self.assert_alive();
        let child = self.child.as_ref().expect("it is running");
        let asked = Command::new("kill").arg(child.0.id().to_string()).status();
        assert!(asked.is_ok_and(|status| status.success()), "trug can be asked to end");
        let ended = wait_until("trug to end", LIMIT, || self.ended());
        self.child = None;
        ended
    }

    /// Waits until it has made its store, and reads beside it.
    pub(crate) fn reader(&mut self) -> Reader {
        let store = self.store();
        wait_until("the store to be there", LIMIT, || {
            self.assert_alive();
            Reader::open(&store).ok()
        })
    }

    /// Waits until so many readings are stored and everybody has been told.
    pub(crate) fn wait_for(&mut self, readings: usize, limit: Duration) -> Reader {
        let reader = self.reader();
        let wanted = u64::try_from(readings).expect("a count fits");
        wait_until(&format!("{readings} readings in the store"), limit, || {
            self.assert_alive();
            let there = reader.count().expect("the store can be read");
            assert!(there <= wanted, "{there} readings are stored, {wanted} were sent");
            (there == wanted).then_some(())
        });
        wait_until("the letters to be out", LIMIT, || {
            self.assert_alive();
            reader.letters(0, 1).expect("the store can be read").is_empty().then_some(())
        });
        reader
    }

    pub(crate) fn store(&self) -> PathBuf {
        let set = self.environment.iter().find(|(key, _)| key == "TRUG__STORE__PATH");
        set.map(|(_, path)| PathBuf::from(path)).expect("its path is set from the beginning")
    }

    /// Sends it a signal by its name.
    pub(crate) fn signal(&self, name: &str) {
        let sent = Command::new("kill").args([&format!("-{name}"), &self.process().to_string()]).status();
        assert!(sent.is_ok_and(|status| status.success()), "trug can be sent {name}");
    }

    /// SIGSTOP, and waits until each of its threads has stopped: on a busy machine they run on
    /// for a while after the signal was sent.
    pub(crate) fn pause(&self) {
        self.signal("STOP");
        let tasks = PathBuf::from(format!("/proc/{}/task", self.process()));
        wait_until("each thread to stop", LIMIT, || {
            let mut tasks = fs::read_dir(&tasks).expect("its threads can be listed");
            tasks
                .all(|task| {
                    let stat = fs::read_to_string(task.expect("a thread is listed").path().join("stat"));
                    // The state stands behind the name, which is in brackets; none where it has ended.
                    stat.map_or(true, |stat| {
                        stat.rsplit_once(") ").is_some_and(|(_, rest)| rest.starts_with('T'))
                    })
                })
                .then_some(())
        });
    }

    /// Adds to trug.toml.
    pub(crate) fn add(&self, more: &str) {
        let path = self.folder.path().join("trug.toml");
        let text = fs::read_to_string(&path).expect("the configuration can be read");
        fs::write(path, format!("{text}\n{more}")).expect("the configuration can be written");
    }

    /// The folder of its configuration.
    pub(crate) fn folder(&self) -> &Path {
        self.folder.path()
    }

    /// Everything that it has logged in all its runs.
    pub(crate) fn log(&self) -> String {
        (1..=self.starts)
            .map(|start| {
                String::from_utf8_lossy(&fs::read(self.log_file(start)).unwrap_or_default()).into_owned()
            })
            .collect()
    }

    fn log_file(&self, start: usize) -> PathBuf {
        self.folder.path().join(format!("log-{start}"))
    }
}

/// `trug` with these arguments, and none of its keys from our own environment.
pub(crate) fn trug<S: AsRef<OsStr>>(arguments: impl IntoIterator<Item = S>) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_trug"));
    for (key, _) in std::env::vars_os() {
        if key.to_string_lossy().starts_with("TRUG__") {
            command.env_remove(key);
        }
    }
    command.args(arguments);
    command
}
