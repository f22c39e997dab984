//! A mosquitto of our own, on a free port and in a temporary folder.

use std::fmt::Write as _;
use std::net::{Ipv4Addr, TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Duration;

use tempfile::TempDir;

use crate::certificates::{Authority, Issued};
use crate::process::Process;
use crate::{binaries, wait};

/// What kind of broker a test needs.
#[derive(Clone, Debug, Default)]
pub struct Options {
    /// Sessions and retained messages survive a clean restart, and a kill up to the last second.
    pub persistence: bool,
    /// Names and passwords. With none, everybody may come.
    pub users: Vec<(&'static str, &'static str)>,
    /// Text of the access list: `user NAME` and `topic read|write FILTER` lines. With none, all is allowed.
    pub access_list: Option<&'static str>,
    /// A second listener, with TLS.
    pub tls: Option<Tls>,
    /// A whole configuration as it ships, instead of what this stage writes: with its examples in force, on free ports and in
    /// a temporary folder.
    pub shipped: Option<&'static str>,
}

/// How a broker shows who it is.
#[derive(Clone, Debug)]
pub struct Tls {
    pub issued: Issued,
    /// The authority that clients need a certificate of; else they need none.
    pub wants: Option<PathBuf>,
}

impl Tls {
    /// A broker by the name of `localhost`, valid for a month, that wants nothing of clients.
    pub fn of(authority: &Authority) -> Self {
        Self { issued: authority.issue("broker", "DNS:localhost", 30), wants: None }
    }
}

/// A running broker; ends when dropped.
pub struct Broker {
    process: Process,
    port: u16,
    tls_port: u16,
    folder: TempDir,
}

impl Broker {
    /// A broker that keeps nothing and lets everybody in.
    pub fn plain() -> Self {
        Self::start(&Options::default())
    }

    /// Starts a broker and waits until it listens.
    ///
    /// # Panics
    /// Where mosquitto is missing or does not start.
    pub fn start(options: &Options) -> Self {
        let folder = tempfile::tempdir().expect("there is a temporary folder");
        write_logins(folder.path(), options);
        // Another program can take a free port before the broker does: then there are others.
        for _ in 0..10 {
            let (port, tls_port) = (free_port(), free_port());
            write_configuration(folder.path(), port, tls_port, options);
            if let Some(process) = launch(folder.path(), port) {
                return Self { process, port, tls_port, folder };
            }
        }
        panic!("no broker came up:\n{}", std::fs::read_to_string(folder.path().join("log")).unwrap_or_default());
    }

    pub fn port(&self) -> u16 {
        self.port
    }

    /// Where it speaks TLS, if it does.
    pub fn tls_port(&self) -> u16 {
        self.tls_port
    }

    /// All it wrote.
    pub fn log(&self) -> String {
        self.process.log()
    }

    /// Ends it as the power would: SIGKILL.
    pub fn kill(&mut self) {
        self.process.kill();
    }

    /// Ends it cleanly; with persistence it writes its state.
    pub fn stop(&mut self) {
        self.process.terminate();
    }

    /// Starts it again on the same port, with what it kept in its folder.
    ///
    /// # Panics
    /// Where it does not come up again.
    pub fn start_again(&mut self) {
        self.process.kill();
        let (folder, port) = (self.folder.path(), self.port);
        self.process = wait::until("the broker on its old port", || launch(folder, port));
    }

    /// Throws away all that it kept; only while it is stopped.
    pub fn forget(&self) {
        // A broker without persistence has written nothing.
        let _ = std::fs::remove_file(self.folder.path().join("mosquitto.db"));
    }
}

/// A port that nobody listens on.
pub fn free_port() -> u16 {
    let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).expect("this machine has a free port");
    listener.local_addr().expect("a bound socket has an address").port()
}

/// The broker once it listens; `None` where it ended at once.
fn launch(folder: &Path, port: u16) -> Option<Process> {
    let mosquitto = binaries::systems("mosquitto", "mosquitto");
    let mut command = Command::new(mosquitto);
    let mut process = Process::start("the broker", command.arg("-c").arg(folder.join("conf")), &folder.join("log"));
    wait::until("the broker to listen or to give up", || {
        if process.ended().is_some() {
            return Some(false);
        }
        let address = (Ipv4Addr::LOCALHOST, port).into();
        TcpStream::connect_timeout(&address, Duration::from_secs(1)).is_ok().then_some(true)
    })
    // Somebody else may have answered on that port: then ours has ended.
    .then(|| process.ended().is_none())
    .filter(|alive| *alive)
    .map(|_| process)
}

fn write_logins(folder: &Path, options: &Options) {
    if let Some(access_list) = options.access_list {
        std::fs::write(folder.join("access.acl"), access_list).expect("a temporary folder takes files");
    }
    let passwords = folder.join("passwords");
    for (index, (name, password)) in options.users.iter().enumerate() {
        let mut command = Command::new(binaries::systems("mosquitto_passwd", "mosquitto"));
        if index == 0 {
            command.arg("-c");
        }
        let done = command.arg("-b").arg(&passwords).args([name, password]).status();
        assert!(done.is_ok_and(|status| status.success()), "mosquitto_passwd failed");
    }
}

/// A shipped configuration as somebody sets it up who follows its comments.
fn set_up(shipped: &str, folder: &Path, port: u16, tls_port: u16, tls: &Tls) -> String {
    let place = folder.display();
    let is_example = |line: &str| line.starts_with('#') && !line.starts_with("# ");
    let lines = shipped.lines().map(|line| if is_example(line) { &line[1..] } else { line });
    let text = lines.collect::<Vec<_>>().join("\n");
    let authority = tls.wants.as_deref().expect("the shipped configuration asks clients for certificates");
    let text = text
        .replace("listener 1883", &format!("listener {port} 127.0.0.1"))
        .replace("listener 8883", &format!("listener {tls_port} 127.0.0.1"))
        .replace("/etc/mosquitto/certs/broker.pem", &tls.issued.certificate.display().to_string())
        .replace("/etc/mosquitto/certs/broker.key", &tls.issued.key.display().to_string())
        .replace("/etc/mosquitto/certs/ca.pem", &authority.display().to_string())
        .replace("/etc/mosquitto/", &format!("{place}/"))
        .replace("/var/lib/mosquitto/", &format!("{place}/"));
    format!("{text}\nuser root\n")
}

fn write_configuration(folder: &Path, port: u16, tls_port: u16, options: &Options) {
    let conf = folder.join("conf");
    if let (Some(shipped), Some(tls)) = (options.shipped, &options.tls) {
        let text = set_up(shipped, folder, port, tls_port, tls);
        return std::fs::write(conf, text).expect("a temporary folder takes files");
    }
    let place = folder.display();
    let mut text = format!("listener {port} 127.0.0.1\nallow_anonymous {}\n", options.users.is_empty());
    // As root it would become another user, who may not write here; as anybody else it passes over this line.
    text.push_str("user root\nmax_inflight_messages 1000\nmax_queued_messages 1000000\n");
    // Writing to a String cannot fail.
    if options.persistence {
        let _ = write!(text, "persistence true\npersistence_location {place}/\nautosave_interval 1\n");
    }
    if !options.users.is_empty() {
        let _ = writeln!(text, "password_file {place}/passwords");
    }
    if options.access_list.is_some() {
        let _ = writeln!(text, "acl_file {place}/access.acl");
    }
    if let Some(Tls { issued, wants }) = &options.tls {
        let (certificate, key) = (issued.certificate.display(), issued.key.display());
        let _ = write!(text, "listener {tls_port} 127.0.0.1\ncertfile {certificate}\nkeyfile {key}\n");
        if let Some(authority) = wants {
            let _ = write!(text, "cafile {}\nrequire_certificate true\n", authority.display());
        }
    }
    std::fs::write(conf, text).expect("a temporary folder takes files");
}
