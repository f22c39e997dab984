//! TLS to the broker: what we trust and show, made anew from the files for every connection, and its faults in plain words.
//!
//! The host's name is always checked, and there is no way to leave that out.

use std::error::Error;
use std::io;
use std::sync::Arc;

use rumqttc::{ConnectionError, TlsConfiguration, Transport};
use rustls::crypto::ring;
use rustls::pki_types::UnixTime;
use rustls::{AlertDescription, CertificateError, ClientConfig, InvalidMessage, RootCertStore};

use crate::config::TlsFiles;
use crate::engine::stamp::{SECOND, Stamp};

/// The transport by the files as they are now. Blocks: it reads them.
///
/// # Errors
/// Why it cannot be made, for the log.
pub(super) fn transport(files: &TlsFiles) -> Result<Transport, String> {
    let contents = files.read().map_err(|fault| fault.to_string())?;
    let mut roots = RootCertStore::empty();
    let authorities = if files.ca_file.is_some() {
        contents.authorities
    } else {
        // What cannot be read of the system's store is left out: some of them hold damaged certificates.
        rustls_native_certs::load_native_certs().certs
    };
    let (taken, _) = roots.add_parsable_certificates(authorities);
    if taken == 0 {
        return Err(match &files.ca_file {
            Some(path) => format!("broker.tls.ca_file {}: no certificate in it can be used", path.display()),
            None => "this system trusts no authority; name one in broker.tls.ca_file".to_owned(),
        });
    }
    // TLS 1.2 and 1.3; rustls has nothing older.
    let config = ClientConfig::builder_with_provider(Arc::new(ring::default_provider()))
        .with_safe_default_protocol_versions()
        .map_err(|error| error.to_string())?
        .with_root_certificates(roots);
    let config = match contents.client {
        Some((chain, key)) => config.with_client_auth_cert(chain, key).map_err(|error| error.to_string())?,
        None => config.with_no_client_auth(),
    };
    Ok(Transport::tls_with_config(TlsConfiguration::Rustls(Arc::new(config))))
}

/// A fault of TLS in plain words; none where the connection failed for another reason.
pub(super) fn cause(error: &ConnectionError) -> Option<String> {
    let Some(error) = find(error) else {
        let ConnectionError::Tls(rumqttc::TlsError::Io(error)) = error else { return None };
        return Some(format!("the broker does not speak TLS on this port, or ended the connection ({error})"));
    };
    Some(match error {
        rustls::Error::InvalidCertificate(error) => of_certificate(error),
        rustls::Error::AlertReceived(alert) => of_alert(*alert),
        rustls::Error::InvalidMessage(InvalidMessage::InvalidContentType) => {
            "the broker does not speak TLS on this port".to_owned()
        }
        error => format!("no TLS with the broker: {error}"),
    })
}

fn of_certificate(error: &CertificateError) -> String {
    match error {
        CertificateError::ExpiredContext { not_after, .. } => {
            format!("the broker's certificate expired on {}; renew it at the broker", text(*not_after))
        }
        CertificateError::NotValidYetContext { not_before, .. } => {
            format!(
                "the broker's certificate is not valid before {}; or the clock of this machine is wrong",
                text(*not_before)
            )
        }
        // A bad signature: an authority of the same name and another key, as one that was renewed.
        CertificateError::UnknownIssuer | CertificateError::BadSignature => {
            "no authority that we trust has signed the broker's certificate; see ca_file in [broker.tls]".to_owned()
        }
        CertificateError::NotValidForNameContext { expected, presented } => {
            let names: Vec<&str> = presented.iter().take(MOST_NAMES).map(|name| plain(name)).collect();
            let names = if names.is_empty() { "no name".to_owned() } else { names.join(", ") };
            format!("the broker's certificate is for {names}, not for {}", expected.to_str())
        }
        error => format!("the broker's certificate is refused: {error}"),
    }
}

fn of_alert(alert: AlertDescription) -> String {
    match alert {
        AlertDescription::CertificateExpired => "the broker says that our certificate has expired".to_owned(),
        AlertDescription::CertificateRequired => NEEDS_OURS.to_owned(),
        // Before TLS 1.3 this may have other reasons too, and some brokers say it with 1.3.
        AlertDescription::HandshakeFailure => format!("the broker ended the TLS handshake; perhaps {NEEDS_OURS}"),
        AlertDescription::UnknownCA => {
            "the broker does not trust the authority that signed our certificate; see cert_file in [broker.tls]"
                .to_owned()
        }
        AlertDescription::BadCertificate
        | AlertDescription::UnsupportedCertificate
        | AlertDescription::CertificateRevoked
        | AlertDescription::CertificateUnknown => format!("the broker refuses our certificate ({alert:?})"),
        alert => format!("the broker ended TLS ({alert:?})"),
    }
}

/// The error of TLS inside an error of the client. An [`io::Error`] hides what it carries from `source`.
fn find<'a>(error: &'a (dyn Error + 'static)) -> Option<&'a rustls::Error> {
    let mut next = Some(error);
    while let Some(error) = next {
        if let Some(found) = error.downcast_ref::<rustls::Error>() {
            return Some(found);
        }
        next = match error.downcast_ref::<io::Error>().and_then(io::Error::get_ref) {
            Some(inner) => Some(inner),
            None => error.source(),
        };
    }
    None
}

/// A moment in UTC.
fn text(at: UnixTime) -> String {
    Stamp(i64::try_from(at.as_secs()).unwrap_or(i64::MAX).saturating_mul(SECOND)).text()
}

/// `DnsName("broker.example")`, as the library gives it, without its wrapping.
fn plain(name: &str) -> &str {
    name.split_once('"').and_then(|(_, rest)| rest.rsplit_once('"')).map_or(name, |(name, _)| name)
}

const NEEDS_OURS: &str = "the broker wants a certificate from us; see cert_file and key_file in [broker.tls]";

/// Names of a certificate in a log line.
const MOST_NAMES: usize = 5;

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use rustls::pki_types::ServerName;

    use super::*;

    fn check(error: rustls::Error, expected: &str) {
        // The way in which the client hands it over while it connects.
        let error = ConnectionError::Tls(rumqttc::TlsError::Io(io::Error::new(io::ErrorKind::InvalidData, error)));
        assert_eq!(cause(&error).as_deref(), Some(expected));
    }

    #[test]
    fn faults_of_certificates_are_told_in_plain_words() {
        let at = |seconds| UnixTime::since_unix_epoch(Duration::from_secs(seconds));
        let certificate = rustls::Error::InvalidCertificate;
        // 2027-06-02T00:00:00Z is 1,811,894,400 s.
        check(
            certificate(CertificateError::ExpiredContext { time: at(1_811_894_401), not_after: at(1_811_894_400) }),
            "the broker's certificate expired on 2027-06-02T00:00:00Z; renew it at the broker",
        );
        check(
            certificate(CertificateError::NotValidYetContext { time: at(0), not_before: at(1_811_894_400) }),
            "the broker's certificate is not valid before 2027-06-02T00:00:00Z; or the clock of this machine is wrong",
        );
        check(
            certificate(CertificateError::NotValidForNameContext {
                expected: ServerName::try_from("mqtt.example").unwrap(),
                presented: vec!["DnsName(\"other.example\")".into(), "IpAddress(127.0.0.1)".into()],
            }),
            "the broker's certificate is for other.example, IpAddress(127.0.0.1), not for mqtt.example",
        );
        check(rustls::Error::AlertReceived(AlertDescription::CertificateRequired), NEEDS_OURS);
    }

    #[test]
    fn other_faults_are_no_faults_of_tls() {
        let refused = || io::Error::from(io::ErrorKind::ConnectionRefused);
        for error in [ConnectionError::Io(refused()), ConnectionError::NetworkTimeout, ConnectionError::RequestsDone] {
            assert_eq!(cause(&error), None);
        }
    }
}
