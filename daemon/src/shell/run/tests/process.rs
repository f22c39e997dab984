//! A daemon in a process of its own, so that it can be killed: this test program, started once more.

use std::path::Path;
use std::process::{Child, Command, ExitStatus, Stdio};
use std::time::Duration;

use super::{run, run_settings};

const PORT: &str = "THIRSTD_TEST_PORT";
const FOLDER: &str = "THIRSTD_TEST_FOLDER";

pub(super) struct Daemon(Child);

impl Daemon {
    pub(super) fn spawn(port: u16, folder: &Path) -> Self {
        let child = Command::new(std::env::current_exe().unwrap())
            .args(["--exact", "shell::run::tests::process::a_daemon_runs_when_another_test_asks_for_it"])
            .env(PORT, port.to_string())
            .env(FOLDER, folder)
            .stdout(Stdio::null())
            .spawn()
            .unwrap();
        Self(child)
    }

    /// SIGKILL: no chance to tidy up.
    pub(super) fn kill(&mut self) {
        self.0.kill().unwrap();
        self.0.wait().unwrap();
    }

    /// SIGTERM.
    pub(super) fn terminate(&self) {
        let status = Command::new("kill").args(["-TERM", &self.0.id().to_string()]).status().unwrap();
        assert!(status.success());
    }

    pub(super) async fn ended(&mut self) -> ExitStatus {
        loop {
            if let Some(status) = self.0.try_wait().unwrap() {
                return status;
            }
            tokio::time::sleep(Duration::from_millis(10)).await;
        }
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// The process above. Without the variables there is nothing to do.
#[tokio::test(flavor = "multi_thread")]
async fn a_daemon_runs_when_another_test_asks_for_it() {
    let (Ok(port), Ok(folder)) = (std::env::var(PORT), std::env::var(FOLDER)) else { return };
    let mut signal = tokio::signal::unix::signal(tokio::signal::unix::SignalKind::terminate()).unwrap();
    let settings = run_settings(port.parse().unwrap(), Path::new(&folder));
    let ended = run(settings, async move {
        signal.recv().await;
    });
    ended.await.unwrap();
}
