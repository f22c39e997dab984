//! History databases of our own, on free ports and in temporary folders: victoria-metrics, which takes the write API of
//! version 2 itself, and influxd 1.x behind a door that speaks it.

use std::io::{Read, Write};
use std::net::{Ipv4Addr, SocketAddr, TcpListener, TcpStream};
use std::path::Path;
use std::process::Command;
use std::time::Duration;

use tempfile::TempDir;

use crate::broker::free_port;
use crate::process::Process;
use crate::{binaries, wait};

/// Which program.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    VictoriaMetrics,
    Influxd,
}

/// A database; ends when dropped.
pub struct Database {
    kind: Kind,
    process: Process,
    port: u16,
    /// Where version 2 is spoken.
    door: u16,
    folder: TempDir,
}

impl Database {
    /// Starts one and waits until it answers.
    ///
    /// # Panics
    /// Where the program is missing or does not start.
    pub fn start(kind: Kind) -> Self {
        let folder = tempfile::tempdir().expect("there is a temporary folder");
        let port = free_port();
        let process = launch(kind, folder.path(), port);
        let door = if kind == Kind::Influxd { open_door(port) } else { port };
        let database = Self { kind, process, port, door, folder };
        database.wait();
        database
    }

    pub fn url(&self) -> String {
        format!("http://127.0.0.1:{}", self.door)
    }

    /// Ends it in order: what it has answered for, it has.
    pub fn stop(&mut self) {
        self.process.terminate();
    }

    /// Starts it again on the same port with what it has kept.
    pub fn start_again(&mut self) {
        self.process = launch(self.kind, self.folder.path(), self.port);
        self.wait();
    }

    /// How many values of the field `field` of `measurement` it has: one for each time, however often it was written.
    pub fn count(&self, measurement: &str, field: &str) -> u64 {
        match self.kind {
            Kind::VictoriaMetrics => {
                ask(self.port, "GET", "/internal/force_flush", "");
                let (_, text) = ask(self.port, "GET", &format!("/api/v1/export?match[]={measurement}_{field}"), "");
                let series = text.lines().filter_map(|line| serde_json::from_str::<serde_json::Value>(line).ok());
                series.map(|one| one["timestamps"].as_array().map_or(0, |times| times.len() as u64)).sum()
            }
            Kind::Influxd => {
                let query = format!("/query?db=weather&q=SELECT%20count({field})%20FROM%20{measurement}");
                let (_, text) = ask(self.port, "GET", &query, "");
                let answer: serde_json::Value = serde_json::from_str(&text).unwrap_or_default();
                answer["results"][0]["series"][0]["values"][0][1].as_u64().unwrap_or(0)
            }
        }
    }

    /// Lines that it could not read; None: it does not say.
    pub fn invalid(&self) -> Option<u64> {
        let (_, text) = ask(self.port, "GET", "/metrics", "");
        let line = text.lines().find_map(|line| line.strip_prefix("vm_rows_invalid_total{type=\"influx\"} "))?;
        line.trim().parse().ok()
    }

    fn wait(&self) {
        wait::until("the history database to answer", || {
            let path = if self.kind == Kind::Influxd { "/ping" } else { "/health" };
            let (status, _) = ask(self.port, "GET", path, "");
            (200..300).contains(&status).then_some(())
        });
        if self.kind == Kind::Influxd {
            let (status, text) = ask(self.port, "POST", "/query?q=CREATE%20DATABASE%20weather", "");
            assert_eq!(status, 200, "{text}");
        }
    }
}

fn launch(kind: Kind, folder: &Path, port: u16) -> Process {
    let place = folder.display();
    let mut command = match kind {
        Kind::VictoriaMetrics => {
            let mut command = Command::new(binaries::systems("victoria-metrics", "victoria-metrics"));
            // Its own retention of a month would drop what is older without a word.
            command.args([
                &format!("-httpListenAddr=127.0.0.1:{port}"),
                &format!("-storageDataPath={place}/data"),
                "-retentionPeriod=100y",
                "-search.latencyOffset=0s",
                "-search.disableCache",
                "-loggerLevel=WARN",
                "-memory.allowedPercent=10",
            ]);
            command
        }
        Kind::Influxd => {
            let other = free_port();
            let text = format!(
                "reporting-disabled = true\nbind-address = \"127.0.0.1:{other}\"\n[meta]\ndir = \"{place}/meta\"\n\
                 [data]\ndir = \"{place}/data\"\nwal-dir = \"{place}/wal\"\nindex-version = \"tsi1\"\n\
                 [monitor]\nstore-enabled = false\n[http]\nbind-address = \"127.0.0.1:{port}\"\nlog-enabled = false\n"
            );
            std::fs::write(folder.join("influxd.conf"), text).expect("a temporary folder takes files");
            let mut command = Command::new(binaries::systems("influxd", "influxdb"));
            command.arg("run").arg("-config").arg(folder.join("influxd.conf"));
            command
        }
    };
    Process::start("the history database", &mut command, &folder.join("log"))
}

/// Status and body of a request, without a connection that lasts; status 0: there was no answer.
pub fn ask(port: u16, method: &str, path: &str, body: &str) -> (u16, String) {
    let request = format!("{method} {path} HTTP/1.0\r\ncontent-length: {}\r\n\r\n{body}", body.len());
    let answer = exchange(port, request.as_bytes()).unwrap_or_default();
    let text = String::from_utf8_lossy(&answer);
    let (head, body) = text.split_once("\r\n\r\n").unwrap_or_default();
    let status = head.split(' ').nth(1).and_then(|status| status.parse().ok()).unwrap_or(0);
    (status, body.to_owned())
}

fn exchange(port: u16, request: &[u8]) -> std::io::Result<Vec<u8>> {
    let address = SocketAddr::from((Ipv4Addr::LOCALHOST, port));
    let mut stream = TcpStream::connect_timeout(&address, Duration::from_secs(2))?;
    stream.set_read_timeout(Some(Duration::from_secs(20)))?;
    stream.write_all(request)?;
    let mut answer = Vec::new();
    stream.read_to_end(&mut answer)?;
    Ok(answer)
}

/// Speaks version 2 and hands on to version 1 at `port`: the bucket is its database, and a partial write is 422, as in
/// version 2. Ends with the program.
fn open_door(port: u16) -> u16 {
    let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).expect("this machine has a free port");
    let door = listener.local_addr().expect("a bound socket has an address").port();
    std::thread::spawn(move || {
        for stream in listener.incoming().flatten() {
            std::thread::spawn(move || pass_on(stream, port));
        }
    });
    door
}

fn pass_on(mut client: TcpStream, port: u16) -> Option<()> {
    let (head, body) = read_request(&mut client)?;
    let target = head.split(' ').nth(1)?;
    let value = |name: &str| {
        let query = target.split_once('?')?.1;
        query.split('&').find_map(|pair| pair.strip_prefix(name)?.strip_prefix('='))
    };
    let (bucket, precision) = (value("bucket")?, value("precision")?);
    let packed = if head.to_lowercase().contains("content-encoding: gzip") { "content-encoding: gzip\r\n" } else { "" };
    let mut request = format!(
        "POST /write?db={bucket}&precision={precision} HTTP/1.0\r\n{packed}content-length: {}\r\n\r\n",
        body.len()
    )
    .into_bytes();
    request.extend_from_slice(&body);
    // Where there is no answer the door shuts, as a database that is down.
    let answer = exchange(port, &request).ok().filter(|answer| !answer.is_empty())?;
    let text = String::from_utf8_lossy(&answer).into_owned();
    let (head, body) = text.split_once("\r\n\r\n")?;
    let status = head.split(' ').nth(1)?;
    let status = if status == "400" && body.contains("partial write") { "422" } else { status };
    let answer =
        format!("HTTP/1.1 {status} Answer\r\ncontent-length: {}\r\nconnection: close\r\n\r\n{body}", body.len());
    client.write_all(answer.as_bytes()).ok()
}

/// Head and body of a request; None where it ends too early.
pub fn read_request(client: &mut TcpStream) -> Option<(String, Vec<u8>)> {
    let (mut bytes, mut piece) = (Vec::new(), [0; 65_536]);
    let mut more = |bytes: &mut Vec<u8>| {
        let count = client.read(&mut piece).ok().filter(|count| *count > 0)?;
        bytes.extend_from_slice(&piece[..count]);
        Some(())
    };
    let end = loop {
        if let Some(end) = bytes.windows(4).position(|four| four == b"\r\n\r\n") {
            break end + 4;
        }
        more(&mut bytes)?;
    };
    let head = String::from_utf8_lossy(&bytes[..end]).into_owned();
    let length: usize =
        head.lines().find_map(|line| line.to_lowercase().strip_prefix("content-length: ")?.parse().ok())?;
    while bytes.len() < end + length {
        more(&mut bytes)?;
    }
    Some((head, bytes.split_off(end)))
}
