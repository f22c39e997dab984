//! Messages that the broker sends again because our acknowledgement was lost: known by packet id and content.
//!
//! A message is remembered from the commit that holds it until its acknowledgement is known to have arrived. Shorter would
//! count it twice after a lost acknowledgement; longer would, one day, take a new message with a reused packet id for an
//! old one. Each commit has one row of them (more after a reconnect), and a row goes when
//! - the broker has answered a ping that was sent after the row's acknowledgements, or
//! - each of its packet ids has come again, or
//! - the broker has gone on to new messages after a reconnect, which it does after it has sent the old ones again (MQTT
//!   3.1.1, section 4.6), or
//! - the session is gone.

use std::collections::{BTreeMap, HashMap};

use super::store::{UnackedChange, UnackedRow};

/// What may come again.
#[derive(Debug, Default)]
pub(super) struct Duplicates {
    /// Per packet id the latest message; it counts only as long as its row does.
    latest: HashMap<u16, Seen>,
    /// Rows and how many of their messages are still the latest of their packet id.
    rows: BTreeMap<i64, usize>,
    next_row: i64,
    /// Rows below belong to earlier connections.
    connection_from: i64,
    /// The first row of this connection that holds a message sent for the first time.
    fresh: Option<i64>,
    change: UnackedChange,
}

#[derive(Clone, Copy, Debug)]
struct Seen {
    hash: u64,
    row: i64,
}

impl Duplicates {
    /// Goes on from what the store knows.
    pub(super) fn restore(rows: &[UnackedRow]) -> Self {
        let mut duplicates = Self::default();
        for row in rows {
            duplicates.next_row = row.id;
            for (packet, hash) in &row.packets {
                duplicates.remember(*packet, *hash);
            }
            // It is in the store already; what it replaces can go.
            duplicates.change.add.clear();
            duplicates.next_row = row.id.saturating_add(1);
        }
        duplicates.connection_from = duplicates.next_row;
        duplicates
    }

    /// A new connection. Without a session the broker has forgotten, and so do we.
    pub(super) fn connected(&mut self, session_present: bool) {
        if !session_present {
            self.latest.clear();
            self.rows.clear();
            self.change = UnackedChange { clear: true, ..UnackedChange::default() };
        }
        self.next_row = self.next_row.saturating_add(1);
        self.connection_from = self.next_row;
        self.fresh = None;
    }

    /// True for a message that is in the store already.
    pub(super) fn knows(&self, packet: u16, hash: u64) -> bool {
        self.latest.get(&packet).is_some_and(|seen| seen.hash == hash && self.rows.contains_key(&seen.row))
    }

    /// Remembers a message in the row being filled, and says which row that is. `dup`: the broker says that it sends it
    /// again.
    pub(super) fn note(&mut self, packet: u16, hash: u64, dup: bool) -> i64 {
        if !dup && self.fresh.is_none() {
            self.fresh = Some(self.next_row);
        }
        self.remember(packet, hash);
        self.next_row
    }

    /// The acknowledgements of these rows have reached the broker.
    pub(super) fn confirmed(&mut self, rows: &[i64]) {
        for row in rows {
            self.forget(*row);
            if self.fresh.is_some_and(|fresh| *row >= fresh) {
                while let Some((&earlier, _)) =
                    self.rows.first_key_value().filter(|(row, _)| **row < self.connection_from)
                {
                    self.forget(earlier);
                }
            }
        }
    }

    /// What the next commit has to write; the next message begins a new row.
    pub(super) fn take_change(&mut self) -> UnackedChange {
        self.next_row = self.next_row.saturating_add(1);
        std::mem::take(&mut self.change)
    }

    /// True when there is something to write.
    pub(super) fn changed(&self) -> bool {
        self.change.clear || !self.change.add.is_empty()
    }

    fn remember(&mut self, packet: u16, hash: u64) {
        let row = self.next_row;
        if let Some(before) = self.latest.insert(packet, Seen { hash, row })
            && let Some(count) = self.rows.get_mut(&before.row)
        {
            *count = count.saturating_sub(1);
            if *count == 0 && before.row != row {
                self.forget(before.row);
            }
        }
        *self.rows.entry(row).or_insert(0) += 1;
        match self.change.add.last_mut().filter(|last| last.id == row) {
            Some(last) => last.packets.push((packet, hash)),
            None => self.change.add.push(UnackedRow { id: row, packets: vec![(packet, hash)] }),
        }
    }

    fn forget(&mut self, row: i64) {
        if self.rows.remove(&row).is_some() {
            match self.change.add.iter().position(|added| added.id == row) {
                Some(index) => {
                    self.change.add.remove(index);
                }
                None => self.change.remove.push(row),
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rows(duplicates: &Duplicates) -> Vec<i64> {
        duplicates.rows.keys().copied().collect()
    }

    #[test]
    fn a_message_is_known_until_its_acknowledgement_has_arrived() {
        let mut duplicates = Duplicates::default();
        duplicates.connected(true);
        let row = duplicates.note(7, 70, false);
        assert!(duplicates.knows(7, 70));
        assert!(!duplicates.knows(7, 71), "another message under the same packet id");
        assert!(!duplicates.knows(8, 70), "the same message under another packet id");
        let change = duplicates.take_change();
        assert_eq!(change.add, vec![UnackedRow { id: row, packets: vec![(7, 70)] }]);
        duplicates.confirmed(&[row]);
        assert!(!duplicates.knows(7, 70));
        assert_eq!(duplicates.take_change(), UnackedChange { remove: vec![row], ..UnackedChange::default() });
    }

    #[test]
    fn what_the_store_knows_is_known_after_a_restart() {
        let stored =
            [UnackedRow { id: 4, packets: vec![(1, 10), (2, 20)] }, UnackedRow { id: 9, packets: vec![(2, 21)] }];
        let mut duplicates = Duplicates::restore(&stored);
        duplicates.connected(true);
        assert!(duplicates.knows(1, 10));
        assert!(duplicates.knows(2, 21));
        assert!(!duplicates.knows(2, 20), "replaced by a later message");
        assert!(!duplicates.changed());
        assert!(duplicates.note(3, 30, false) > 9);

        let replaced = [UnackedRow { id: 4, packets: vec![(1, 10)] }, UnackedRow { id: 9, packets: vec![(1, 11)] }];
        assert_eq!(Duplicates::restore(&replaced).take_change().remove, vec![4]);
    }

    #[test]
    fn a_lost_session_forgets_everything() {
        let mut duplicates = Duplicates::restore(&[UnackedRow { id: 1, packets: vec![(1, 10)] }]);
        duplicates.connected(false);
        assert!(!duplicates.knows(1, 10));
        duplicates.note(1, 11, false);
        let change = duplicates.take_change();
        assert!(change.clear);
        assert_eq!(change.add.len(), 1);
    }

    #[test]
    fn a_row_goes_when_all_its_packet_ids_have_come_again() {
        let mut duplicates = Duplicates::default();
        duplicates.note(1, 10, false);
        let row = duplicates.note(2, 20, false);
        duplicates.take_change();
        duplicates.note(1, 11, false);
        duplicates.take_change();
        assert!(rows(&duplicates).contains(&row));
        duplicates.note(2, 21, false);
        assert_eq!(duplicates.take_change().remove, vec![row]);
        assert_eq!(rows(&duplicates).len(), 2);
    }

    #[test]
    fn a_packet_id_used_twice_within_a_commit_keeps_the_row() {
        let mut duplicates = Duplicates::default();
        let row = duplicates.note(1, 10, false);
        duplicates.note(1, 11, false);
        assert!(duplicates.knows(1, 11));
        assert_eq!(duplicates.take_change().add[0].id, row);
    }

    #[test]
    fn rows_of_an_earlier_connection_go_only_after_new_messages_are_confirmed() {
        let mut duplicates = Duplicates::restore(&[UnackedRow { id: 3, packets: vec![(1, 10), (2, 20)] }]);
        duplicates.connected(true);
        // The broker sends one of two again and a ping is answered: the other may still come.
        let again = duplicates.note(1, 10, true);
        duplicates.take_change();
        duplicates.confirmed(&[again]);
        assert!(duplicates.knows(2, 20));
        // A new message says that the old ones are through, once its acknowledgement has arrived.
        let fresh = duplicates.note(9, 90, false);
        duplicates.take_change();
        assert!(duplicates.knows(2, 20));
        duplicates.confirmed(&[fresh]);
        assert!(!duplicates.knows(2, 20));
        assert_eq!(duplicates.take_change().remove, vec![fresh, 3]);
        assert!(rows(&duplicates).is_empty());
    }

    #[test]
    fn messages_of_two_connections_in_one_commit_are_two_rows() {
        let mut duplicates = Duplicates::default();
        duplicates.connected(true);
        let old = duplicates.note(1, 10, false);
        duplicates.connected(true);
        let new = duplicates.note(2, 20, false);
        assert_ne!(old, new);
        let ids: Vec<_> = duplicates.take_change().add.iter().map(|row| row.id).collect();
        assert_eq!(ids, vec![old, new]);
    }
}
