//! What a sender needs of a database, whichever client stands behind it.

/// A database that takes line protocol with times in milliseconds.
pub(super) trait Database: Send + 'static {
    /// Writes `lines`, each ended by a line feed, into `bucket`. Writing the same again changes nothing there.
    fn write(&mut self, bucket: &str, lines: &[u8]) -> impl Future<Output = Answer> + Send;

    /// Reads again whatever files the way there depends on, before the next request.
    fn renew(&mut self);
}

/// What became of a request. Texts are short, on one line, and hold no secret.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Answer {
    Stored,
    /// Nothing is stored: at least one line cannot be read.
    Refused(String),
    /// All is stored but so many lines, which never will be.
    Partly {
        lines: u64,
        text: String,
    },
    TooLarge(String),
    /// It takes a person: address, token, organization, bucket.
    Misconfigured(String),
    /// Perhaps later.
    Busy(String),
    /// The connection ended within the request; too large a request can be the reason.
    Broken(String),
}
