//! How far the history database is behind, for people and for programs, as of the last commit.

use serde_json::{Value as Json, json};

use super::words::age;
use crate::engine::stamp::{SECOND, Stamp};
use crate::shell::store::HistoryCount;

/// A sentence; `oldest`: when the oldest line was kept that waits.
pub(super) fn words(count: &HistoryCount, oldest: Option<Stamp>, now: Stamp) -> String {
    let lines = if count.sent == 1 { "line" } else { "lines" };
    let mut words = vec![format!("{} {lines} sent", count.sent)];
    words.push(match oldest {
        Some(oldest) if count.lines > 0 => {
            format!("{} ({}) waiting, the oldest for {}", count.lines, bytes(count.bytes), age(now.since(oldest)))
        }
        _ => "none waiting".to_owned(),
    });
    if count.refused > 0 {
        words.push(format!("{} refused by the database", count.refused));
    }
    if count.dropped > 0 {
        words.push(format!("{} given up for want of space", count.dropped));
    }
    format!("{}.", words.join(", "))
}

pub(super) fn json(count: &HistoryCount, oldest: Option<Stamp>, now: Stamp) -> Json {
    json!({
        "sent_lines": count.sent,
        "waiting_lines": count.lines,
        "waiting_bytes": count.bytes,
        "oldest_waiting_seconds": oldest.map(|oldest| now.since(oldest) / SECOND),
        "refused_lines": count.refused,
        "dropped_lines": count.dropped,
    })
}

fn bytes(count: u64) -> String {
    match count {
        0..1_024 => format!("{count} B"),
        1_024..1_048_576 => format!("{} KiB", count / 1_024),
        _ => format!("{} MiB", count / 1_048_576),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::stamp::MINUTE;

    #[test]
    fn what_waits_what_was_sent_and_what_is_lost_is_said_in_one_sentence() {
        let check = |count: HistoryCount, oldest: Option<i64>, expected: &str| {
            let now = Stamp(0);
            assert_eq!(words(&count, oldest.map(|minutes| now.plus(-minutes * MINUTE)), now), expected);
        };
        check(HistoryCount::default(), None, "0 lines sent, none waiting.");
        check(HistoryCount { sent: 1, ..HistoryCount::default() }, None, "1 line sent, none waiting.");
        check(
            HistoryCount { lines: 40, bytes: 5_000, sent: 7, refused: 2, dropped: 3 },
            Some(5),
            "7 lines sent, 40 (4 KiB) waiting, the oldest for 5 minutes, 2 refused by the database, 3 given up for want of \
             space.",
        );
    }
}
