//! The real program, served on a free loopback port: what a user starts, not an in-process copy.

use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex, mpsc};
use std::time::Duration;

use crate::caller::Caller;

/// How long a start may take before the test gives up: migrations and a catalogue are read first.
const START_LIMIT: Duration = Duration::from_secs(60);

/// A running `wearmark serve`; killed without warning when dropped.
#[derive(Debug)]
pub struct Served {
    child: Child,
    said: Arc<Mutex<String>>,
    /// `http://127.0.0.1:PORT`.
    pub url: String,
}

impl Served {
    /// Starts `wearmark serve` on a data folder and waits until it listens.
    ///
    /// # Panics
    /// When the program does not come up.
    #[track_caller]
    pub fn start(binary: &Path, data: &Path) -> Served {
        let mut command = Command::new(binary);
        command.args(["serve", "--listen", "127.0.0.1:0", "--data"]).arg(data);
        Served::from_command(command)
    }

    /// Starts any command that ends up serving, and waits for its `listening on URL` line.
    ///
    /// # Panics
    /// When no such line comes in time.
    #[track_caller]
    pub fn from_command(command: Command) -> Served {
        Served::from_command_within(command, START_LIMIT)
    }

    /// The same with a limit of its own, for commands that build or fill something first.
    ///
    /// # Panics
    /// When no such line comes in time.
    #[track_caller]
    pub fn from_command_within(mut command: Command, limit: Duration) -> Served {
        let mut child =
            command.stdin(Stdio::null()).stderr(Stdio::piped()).spawn().expect("the program starts");
        let stderr = child.stderr.take().expect("stderr is piped");
        let (sender, receiver) = mpsc::channel();
        let said = Arc::new(Mutex::new(String::new()));
        let seen = Arc::clone(&said);
        // The reader outlives the start, so that a chatty server never blocks on a full pipe.
        std::thread::spawn(move || {
            for line in BufReader::new(stderr).lines().map_while(Result::ok) {
                if let Some(url) = line.split("listening on ").nth(1) {
                    let _ = sender.send(Ok(url.split_whitespace().next().unwrap_or(url).to_owned()));
                }
                let mut seen = seen.lock().expect("nobody panics while writing");
                seen.push_str(&line);
                seen.push('\n');
            }
            let seen = seen.lock().expect("nobody panics while writing").clone();
            let _ = sender.send(Err(seen));
        });
        match receiver.recv_timeout(limit) {
            Ok(Ok(url)) => Served { child, said, url: url.trim_end_matches('/').to_owned() },
            Ok(Err(said)) => panic!("the program ended before it listened; it said:\n{said}"),
            Err(_) => {
                let _ = child.kill();
                panic!("the program did not listen within {limit:?}")
            }
        }
    }

    /// `127.0.0.1:PORT`.
    pub fn address(&self) -> &str {
        self.url.trim_start_matches("http://")
    }

    /// Somebody who calls it, with a token or none.
    pub fn caller(&self, token: Option<&str>) -> Caller {
        Caller::new(self.address().to_owned(), token.map(str::to_owned))
    }

    /// What the program has said on standard error so far: its log.
    ///
    /// # Panics
    /// When the thread that reads it has.
    pub fn log(&self) -> String {
        self.said.lock().expect("nobody panics while writing").clone()
    }

    /// The process id.
    pub fn pid(&self) -> u32 {
        self.child.id()
    }

    /// SIGKILL, as a power cut would look to the program, and waits for its end.
    pub fn kill(mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }

    /// Whether the process still runs.
    pub fn is_running(&mut self) -> bool {
        matches!(self.child.try_wait(), Ok(None))
    }
}

impl Drop for Served {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// The password of every account that [`add_account`] and [`add_staff`] make.
pub const PASSWORD: &str = "a long password for a test account";

/// Makes a contributor with the command line and gives its token.
///
/// # Panics
/// When the program refuses.
#[track_caller]
pub fn add_account(binary: &Path, data: &Path, name: &str) -> String {
    add_staff(binary, data, name, "contributor")
}

/// Makes an account of any role with the command line and gives its token.
///
/// # Panics
/// When the program refuses.
#[track_caller]
pub fn add_staff(binary: &Path, data: &Path, name: &str, role: &str) -> String {
    let mut child = Command::new(binary)
        .args(["account", "add", name, "--role", role, "--password-stdin", "--json", "--data"])
        .arg(data)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .expect("the program starts");
    std::io::Write::write_all(
        &mut child.stdin.take().expect("stdin is piped"),
        format!("{PASSWORD}\n").as_bytes(),
    )
    .expect("it reads the password");
    let output = child.wait_with_output().expect("it ends");
    assert!(output.status.success(), "account add ended with {}", output.status);
    let answer: serde_json::Value = serde_json::from_slice(&output.stdout).expect("JSON on standard output");
    answer["token"].as_str().expect("a token").to_owned()
}
