//! A child process that never outlives its test.

use std::fs::File;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Stdio};

use crate::wait;

/// A running child; killed when dropped. What it writes goes to a file that a failed test can show.
pub struct Process {
    name: String,
    child: Child,
    log: PathBuf,
}

impl Process {
    /// Starts `command`; its output is appended to `log`.
    ///
    /// # Panics
    /// Where it cannot be started.
    pub fn start(name: &str, command: &mut Command, log: &Path) -> Self {
        let output = File::options().create(true).append(true).open(log).expect("a temporary folder takes files");
        let errors = output.try_clone().expect("an open file can be opened twice");
        let child = command.stdin(Stdio::null()).stdout(output).stderr(errors).spawn();
        let child = child.unwrap_or_else(|fault| panic!("{name} cannot be started: {fault}"));
        Self { name: name.to_owned(), child, log: log.to_owned() }
    }

    pub fn id(&self) -> u32 {
        self.child.id()
    }

    /// How it ended, once it has.
    pub fn ended(&mut self) -> Option<ExitStatus> {
        self.child.try_wait().expect("our own child can be asked")
    }

    /// All it wrote.
    pub fn log(&self) -> String {
        String::from_utf8_lossy(&std::fs::read(&self.log).unwrap_or_default()).into_owned()
    }

    /// Ends it as the power would: SIGKILL.
    pub fn kill(&mut self) {
        // A child that has ended already needs no end.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }

    /// Sends SIGTERM and waits for the end.
    pub fn terminate(&mut self) -> ExitStatus {
        self.signal("TERM")
    }

    /// Sends SIGINT, as Ctrl-C does, and waits for the end.
    pub fn interrupt(&mut self) -> ExitStatus {
        self.signal("INT")
    }

    fn signal(&mut self, signal: &str) -> ExitStatus {
        let sent = Command::new("kill").args(["-s", signal, &self.id().to_string()]).status();
        assert!(sent.is_ok_and(|status| status.success()), "{} takes no signal:\n{}", self.name, self.log());
        self.wait()
    }

    /// Waits for the end.
    pub fn wait(&mut self) -> ExitStatus {
        let what = format!("the end of {}", self.name);
        wait::within(wait::LIMIT, || self.ended()).unwrap_or_else(|| panic!("waited for {what}:\n{}", self.log()))
    }
}

impl Drop for Process {
    fn drop(&mut self) {
        self.kill();
        if std::thread::panicking() {
            eprintln!("---- {} wrote ----\n{}", self.name, self.log());
        }
    }
}
