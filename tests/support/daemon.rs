//! The daemon as a user starts it: the program, a configuration file, a folder.

use std::path::PathBuf;
use std::process::{Command, ExitStatus};

use tempfile::TempDir;

use crate::binaries;
use crate::broker::Broker;
use crate::process::Process;

/// A running daemon; killed when dropped.
pub struct Daemon {
    process: Process,
    configuration: PathBuf,
    folder: TempDir,
}

impl Daemon {
    /// Starts `thirstd run` on `broker` with `configuration`, in whose text `{port}` and `{folder}` are filled in.
    pub fn start(broker: &Broker, configuration: &str) -> Self {
        let folder = tempfile::tempdir().expect("there is a temporary folder");
        let path = folder.path().join("thirstd.toml");
        let text = configuration.replace("{port}", &broker.port().to_string());
        let text = text.replace("{folder}", &folder.path().display().to_string());
        std::fs::write(&path, text).expect("a temporary folder takes files");
        let process = launch(&path, &folder);
        Self { process, configuration: path, folder }
    }

    /// Ends it as the power would: SIGKILL.
    pub fn kill(&mut self) {
        self.process.kill();
    }

    /// Sends SIGTERM and waits for the end.
    pub fn terminate(&mut self) -> ExitStatus {
        self.process.terminate()
    }

    /// Starts it again with the same file and folder.
    pub fn start_again(&mut self) {
        self.process.kill();
        self.process = launch(&self.configuration, &self.folder);
    }

    /// Writes `new` for `old` in its configuration, for the next start.
    ///
    /// # Panics
    /// Where `old` does not stand there.
    pub fn change_configuration(&self, old: &str, new: &str) {
        let text = std::fs::read_to_string(&self.configuration).expect("a file that was written can be read");
        assert!(text.contains(old), "{old:?} does not stand in {text}");
        std::fs::write(&self.configuration, text.replace(old, new)).expect("a temporary folder takes files");
    }

    /// How it ended, once it has.
    pub fn ended(&mut self) -> Option<ExitStatus> {
        self.process.ended()
    }

    /// What the same program answers to `arguments` under the same configuration: all it writes to either output.
    ///
    /// # Panics
    /// Where it cannot be started.
    pub fn asked(&self, arguments: &[&str]) -> String {
        let mut command = Command::new(binaries::ours("thirstd"));
        command.args(arguments).arg("--config").arg(&self.configuration);
        without_settings(&mut command);
        let output = command.output().expect("a program that was built can be started");
        [output.stdout, output.stderr].iter().map(|text| String::from_utf8_lossy(text)).collect()
    }

    /// All it wrote.
    pub fn log(&self) -> String {
        self.process.log()
    }
}

fn launch(configuration: &PathBuf, folder: &TempDir) -> Process {
    let mut command = Command::new(binaries::ours("thirstd"));
    command.arg("run").arg("--config").arg(configuration);
    without_settings(&mut command);
    Process::start("thirstd", &mut command, &folder.path().join("log"))
}

/// What the one who runs the tests has set for their own daemon is none of ours.
fn without_settings(command: &mut Command) {
    for (name, _) in std::env::vars_os() {
        if name.to_string_lossy().starts_with("THIRSTD__") {
            command.env_remove(name);
        }
    }
}
