//! For whoever in this process has to know what is durable: who plays time, for example, and waits before it goes on.

use crate::engine::stamp::Stamp;

use super::store::{Answer, Topic};

/// Told by the writer thread; must not block.
pub trait Watcher: Send + Sync {
    /// A commit is done; its acknowledgements are out, and its publications are about to go out.
    fn committed(&self, commit: Committed<'_>);
}

/// What a commit made durable.
#[derive(Clone, Copy, Debug)]
pub struct Committed<'a> {
    /// Deadlines ran up to this instant.
    pub now: Stamp,
    /// The next one.
    pub deadline: Option<Stamp>,
    /// Messages in it that were to be acknowledged.
    pub messages: usize,
    /// Topics and their new payloads.
    pub topics: &'a [Topic],
    /// Answers to commands.
    pub answers: &'a [Answer],
}
