//! For whoever in this process has to know what is durable: who plays time, for example, and waits before it goes on.

use super::store::Topic;

/// Told by the writer thread; must not block.
pub trait Watcher: Send + Sync {
    /// A commit is done, and its acknowledgements and publications are about to go out: `messages` publications to be
    /// acknowledged were in it, and these topics got these payloads.
    fn committed(&self, messages: usize, topics: &[Topic]);
}
