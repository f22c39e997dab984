//! Keeps the world from running ahead: it goes on when the daemon has committed what it was sent, and when everything that
//! the daemon said of it has come back over the broker.

use std::collections::HashMap;
use std::sync::{Mutex, MutexGuard, PoisonError};

use tokio::sync::Notify;

use crate::engine::stamp::Stamp;
use crate::shell::watcher::{Committed, Watcher};

/// A publication as a client of the broker gets it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Publication {
    pub topic: String,
    pub payload: Vec<u8>,
}

/// What was sent, committed and heard.
#[derive(Debug, Default)]
pub struct Lockstep {
    state: Mutex<State>,
    changed: Notify,
}

#[derive(Debug, Default)]
struct State {
    committed: usize,
    /// The time of the last commit, and the next deadline after it.
    now: Stamp,
    deadline: Option<Stamp>,
    /// Committed, and not heard yet.
    owed: HashMap<String, Vec<u8>>,
    owed_answers: Vec<Publication>,
    heard: Vec<Publication>,
}

impl Watcher for Lockstep {
    fn committed(&self, commit: Committed<'_>) {
        let mut state = self.lock();
        state.committed += commit.messages;
        (state.now, state.deadline) = (commit.now, commit.deadline);
        for topic in commit.topics {
            state.owed.insert(topic.topic.clone(), topic.payload.clone());
        }
        for answer in commit.answers {
            state.owed_answers.push(Publication { topic: answer.topic.clone(), payload: answer.payload.clone() });
        }
        self.changed.notify_waiters();
    }
}

impl Lockstep {
    /// Something came over the broker.
    pub fn hear(&self, publication: Publication) {
        let mut state = self.lock();
        if state.owed.get(&publication.topic) == Some(&publication.payload) {
            state.owed.remove(&publication.topic);
        }
        state.owed_answers.retain(|owed| *owed != publication);
        state.heard.push(publication);
        self.changed.notify_waiters();
    }

    /// Messages committed so far.
    pub fn messages(&self) -> usize {
        self.lock().committed
    }

    /// The daemon's next deadline up to `until`.
    pub fn deadline(&self, until: Stamp) -> Option<Stamp> {
        self.lock().deadline.filter(|due| *due <= until)
    }

    /// Waits until `messages` are committed in all, deadlines ran up to `due` where one is given, and nothing is owed; gives
    /// what was heard since the last time.
    pub async fn settled(&self, messages: usize, due: Option<Stamp>) -> Vec<Publication> {
        loop {
            let changed = self.changed.notified();
            {
                let mut state = self.lock();
                let has_run = due.is_none_or(|due| state.now >= due);
                if state.committed >= messages && has_run && state.owed.is_empty() && state.owed_answers.is_empty() {
                    return std::mem::take(&mut state.heard);
                }
            }
            changed.await;
        }
    }

    fn lock(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::shell::store::Topic;

    fn said(payload: &str) -> Publication {
        Publication { topic: "t".to_owned(), payload: payload.into() }
    }

    fn commit(lockstep: &Lockstep, now: i64, messages: usize, payload: &str) {
        let topics = [Topic { topic: "t".to_owned(), owner: String::new(), payload: payload.into() }];
        let topics = if payload.is_empty() { &[][..] } else { &topics };
        lockstep.committed(Committed {
            now: Stamp(now),
            deadline: Some(Stamp(now + 10)),
            messages,
            topics,
            answers: &[],
        });
    }

    /// What is settled right now.
    async fn now(waiting: &mut (impl Future<Output = Vec<Publication>> + Unpin)) -> Option<Vec<Publication>> {
        tokio::select! { biased; heard = waiting => Some(heard), () = std::future::ready(()) => None }
    }

    #[tokio::test]
    async fn the_world_waits_for_the_commit_and_for_the_last_word_on_each_topic() {
        let lockstep = Lockstep::default();
        assert_eq!(lockstep.settled(0, None).await, vec![]);
        let mut waiting = Box::pin(lockstep.settled(2, None));
        assert_eq!(now(&mut waiting).await, None, "nothing came");
        commit(&lockstep, 1, 1, "1");
        lockstep.hear(said("1"));
        assert_eq!(now(&mut waiting).await, None, "one of two is committed");
        commit(&lockstep, 1, 1, "2");
        commit(&lockstep, 1, 0, "3");
        lockstep.hear(said("2"));
        assert_eq!(now(&mut waiting).await, None, "a newer word is on its way");
        lockstep.hear(said("3"));
        assert_eq!(now(&mut waiting).await, Some(vec![said("1"), said("2"), said("3")]));
    }

    #[tokio::test]
    async fn the_world_stops_at_deadlines_until_they_have_run() {
        let lockstep = Lockstep::default();
        commit(&lockstep, 5, 0, "");
        assert_eq!((lockstep.deadline(Stamp(14)), lockstep.deadline(Stamp(15))), (None, Some(Stamp(15))));
        let mut waiting = Box::pin(lockstep.settled(0, Some(Stamp(15))));
        assert_eq!(now(&mut waiting).await, None);
        commit(&lockstep, 15, 0, "");
        assert_eq!(now(&mut waiting).await, Some(vec![]));
    }
}
