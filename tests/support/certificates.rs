//! An authority of our own, and the certificates that it signs, made by `openssl`.

use std::path::{Path, PathBuf};
use std::process::Command;

use tempfile::TempDir;
use thirst_replay::clock;
use thirstd::engine::stamp::DAY;

use crate::binaries;

/// A private authority in a temporary folder.
pub struct Authority {
    folder: TempDir,
}

/// Files of a certificate and its key, PEM.
#[derive(Clone, Debug)]
pub struct Issued {
    pub certificate: PathBuf,
    pub key: PathBuf,
}

impl Authority {
    /// A new one, valid for a month.
    ///
    /// # Panics
    /// Where `openssl` is missing or too old; it takes version 1.1.1.
    pub fn found() -> Self {
        let folder = tempfile::tempdir().expect("there is a temporary folder");
        openssl(folder.path(), &format!("req -x509 {NEW_KEY} -keyout ca.key -out ca.pem -days 30 -subj /CN=Authority"));
        for (name, text) in [("ca.conf", SETTINGS), ("index", "")] {
            std::fs::write(folder.path().join(name), text).expect("a temporary folder takes files");
        }
        Self { folder }
    }

    /// Its own certificate.
    pub fn certificate(&self) -> PathBuf {
        self.folder.path().join("ca.pem")
    }

    /// Signs a certificate that has been valid for a month and ends in `days` (below 0: it ended so long ago), for a host
    /// given as in `DNS:localhost`, in files called `name`. Signing again replaces them in place.
    pub fn issue(&self, name: &str, host: &str, days: i64) -> Issued {
        self.issue_between(name, host, -30, days)
    }

    /// The same, valid from and until so many days from now.
    pub fn issue_between(&self, name: &str, host: &str, from: i64, until: i64) -> Issued {
        let folder = self.folder.path();
        let moment = |days| clock::wall().plus(days * DAY).utc().format("%Y%m%d%H%M%SZ");
        let (from, until) = (moment(from), moment(until));
        openssl(
            folder,
            &format!(
                "req -new {NEW_KEY} -keyout {name}.key -out {name}.csr -subj /CN={name} -addext subjectAltName={host}"
            ),
        );
        openssl(
            folder,
            &format!(
                "ca -batch -notext -config ca.conf -in {name}.csr -out {name}.pem -startdate {from} -enddate {until}"
            ),
        );
        Issued { certificate: folder.join(format!("{name}.pem")), key: folder.join(format!("{name}.key")) }
    }
}

/// Runs `openssl` in `folder`; no argument holds a blank.
fn openssl(folder: &Path, arguments: &str) {
    let mut command = Command::new(binaries::systems("openssl", "openssl"));
    let done = command.current_dir(folder).args(arguments.split_whitespace()).output().expect("openssl can be started");
    assert!(done.status.success(), "openssl {arguments}:\n{}", String::from_utf8_lossy(&done.stderr));
}

/// What `openssl ca` wants to be told; files stand in the folder where it runs.
const SETTINGS: &str = "
[ca]
default_ca = authority
[authority]
certificate = ca.pem
private_key = ca.key
database = index
new_certs_dir = .
rand_serial = yes
unique_subject = no
default_md = sha256
policy = names
copy_extensions = copy
[names]
commonName = supplied
";

const NEW_KEY: &str = "-newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes";
