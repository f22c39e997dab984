//! A sender before a database that answers as the test says.

use std::collections::VecDeque;
use std::sync::Mutex;

use tempfile::TempDir;

use super::super::super::clock::SystemClock;
use super::super::super::store::{Commit, HistoryLines, Limits, Store};
use super::*;
use crate::engine::event::Now;
use crate::engine::stamp::Stamp;

/// What the database answers.
type Rule = dyn Fn(&Said, &str) -> Answer + Send + Sync;

/// Answers by a rule, and remembers what it was sent.
#[derive(Clone)]
struct Desk {
    rule: Arc<Rule>,
    said: Arc<Mutex<Said>>,
}

#[derive(Debug, Default)]
struct Said {
    /// Every request, taken or not.
    requests: Vec<String>,
    /// Lines that were taken, in order.
    stored: Vec<String>,
    renewed: u32,
    script: VecDeque<Answer>,
}

impl Desk {
    fn answer(&self, text: &str) -> Answer {
        let mut said = self.said.lock().unwrap();
        let answer = said.script.pop_front().unwrap_or_else(|| (self.rule)(&said, text));
        said.requests.push(text.to_owned());
        if matches!(answer, Answer::Stored | Answer::Partly { .. }) {
            said.stored.extend(text.lines().filter(|line| !line.starts_with("daemon")).map(str::to_owned));
        }
        answer
    }
}

impl Database for Desk {
    async fn write(&mut self, bucket: &str, lines: &[u8]) -> Answer {
        assert_eq!(bucket, "weather");
        tokio::task::yield_now().await;
        self.answer(std::str::from_utf8(lines).unwrap())
    }

    fn renew(&mut self) {
        self.said.lock().unwrap().renewed += 1;
    }
}

struct Bench {
    folder: TempDir,
    store: Store,
    link: Arc<Link>,
    desk: Desk,
}

impl Bench {
    fn new(rule: impl Fn(&Said, &str) -> Answer + Send + Sync + 'static) -> Self {
        let folder = TempDir::new().unwrap();
        let (store, _) = Store::open(&folder.path().join("store.db"), Limits::default()).unwrap();
        let desk = Desk { rule: Arc::new(rule), said: Arc::default() };
        Self { folder, store, link: Arc::default(), desk }
    }

    /// One commit with these lines, as the writer thread makes it.
    fn keep(&mut self, lines: std::ops::Range<u32>) {
        let count = lines.len() as u32;
        let text: String = lines.map(|line| format!("reading v={line} {line}\n")).collect();
        let history = match count {
            0 => Vec::new(),
            _ => vec![HistoryLines { lane: Lane::Reading, lines: count, bytes: text.into_bytes() }],
        };
        let settled = self.link.settled();
        let last = Now { wall: Stamp(1_000), ..Now::default() };
        let done = self.store.commit(&Commit { last, history, history_settled: settled, ..Commit::default() }).unwrap();
        self.link.committed(settled, done.history_dropped, Stamp(1_000), self.store.history());
    }

    fn start(&self, lines: u32) -> tokio::task::JoinHandle<()> {
        let path = self.folder.path().join("store.db");
        let brief = Duration::from_millis(2);
        let sender = Sender {
            lane: Lane::Reading,
            bucket: "weather".to_owned(),
            instance: "thirstd".to_owned(),
            pace: Pace {
                lines,
                bytes: 1_000_000,
                gather: Duration::ZERO,
                first: brief,
                longest: brief * 4,
                fault: brief,
            },
            store: path.clone(),
            link: self.link.clone(),
            quarantine: Arc::new(Quarantine::beside(&path)),
            clock: Arc::new(SystemClock::start()),
            database: self.desk.clone(),
        };
        tokio::spawn(sender.run())
    }

    async fn until(&self, what: &str, condition: impl Fn(&Said) -> bool) {
        for _ in 0..5_000 {
            if condition(&self.desk.said.lock().unwrap()) {
                return;
            }
            sleep(Duration::from_millis(2)).await;
        }
        panic!("{what}: {:?}", self.desk.said.lock().unwrap());
    }

    fn script(&self, answers: impl IntoIterator<Item = Answer>) {
        self.desk.said.lock().unwrap().script.extend(answers);
    }

    fn refused(&self) -> String {
        std::fs::read_to_string(self.folder.path().join("store.db.refused")).unwrap_or_default()
    }
}

fn lines(range: std::ops::Range<u32>) -> Vec<String> {
    range.map(|line| format!("reading v={line} {line}")).collect()
}

fn text(text: &str) -> String {
    text.to_owned()
}

#[tokio::test]
async fn lines_go_oldest_first_in_batches_and_leave_the_store_with_the_next_commit() {
    let mut bench = Bench::new(|_, _| Answer::Stored);
    bench.keep(0..7);
    bench.keep(7..8);
    let sending = bench.start(3);
    bench.until("all to be sent", |said| said.stored == lines(0..8)).await;
    assert!(bench.desk.said.lock().unwrap().requests.iter().all(|request| request.lines().count() <= 3));
    bench.keep(8..20);
    bench.until("what came later", |said| said.stored == lines(0..20)).await;
    for _ in 0..5_000 {
        bench.keep(0..0);
        if bench.store.history().lines == 0 {
            break;
        }
        sleep(Duration::from_millis(2)).await;
    }
    let count = bench.store.history();
    assert_eq!((count.lines, count.bytes, count.sent, count.refused, count.dropped), (0, 0, 20, 0, 0));
    // Row numbers go on although the table is empty: nothing new is taken for something old.
    bench.keep(20..22);
    bench.until("what came after all was gone", |said| said.stored == lines(0..22)).await;
    sending.abort();
}

#[tokio::test]
async fn a_busy_database_gets_the_same_bytes_again_and_again() {
    let mut bench = Bench::new(|_, _| Answer::Stored);
    bench.script((0..6).map(|_| Answer::Busy(text("it answered 503"))));
    bench.keep(0..4);
    let sending = bench.start(100);
    bench.until("three requests", |said| said.requests.len() >= 3).await;
    bench.keep(4..5);
    bench.until("all", |said| said.stored == lines(0..5)).await;
    let said = bench.desk.said.lock().unwrap();
    assert!(said.requests[..7].iter().all(|request| *request == said.requests[0]), "{said:?}");
    sending.abort();
}

#[tokio::test]
async fn a_fault_of_the_configuration_keeps_everything_says_so_and_reads_the_files_again() {
    let mut bench = Bench::new(|_, _| Answer::Stored);
    bench.script((0..4).map(|_| Answer::Misconfigured(text("it answered 401 Unauthorized"))));
    bench.keep(0..4);
    let link = bench.link.clone();
    let sending = bench.start(100);
    bench.until("a request", |said| !said.requests.is_empty()).await;
    let trouble = link.sight().trouble;
    bench.until("all", |said| said.stored == lines(0..4) && said.renewed == 4).await;
    assert!(trouble.is_none_or(|trouble| trouble.is_fault && trouble.text.contains("401")));
    while link.sight().trouble.is_some() || link.oldest().is_some() {
        sleep(Duration::from_millis(2)).await;
    }
    sending.abort();
}

#[tokio::test]
async fn lines_that_are_refused_are_found_one_by_one_and_set_aside_with_the_reason() {
    let is_bad = |line: &str| ["v=5 ", "v=6 ", "v=63 "].iter().any(|bad| line.contains(bad));
    let mut bench =
        Bench::new(
            move |_, body| {
                if body.lines().any(is_bad) { Answer::Refused(text("unable to parse")) } else { Answer::Stored }
            },
        );
    bench.keep(0..64);
    let sending = bench.start(100);
    let good: Vec<String> = lines(0..64).into_iter().filter(|line| !is_bad(line)).collect();
    bench.until("the good ones", |said| said.stored == good).await;
    while bench.link.settled().refused < 3 {
        sleep(Duration::from_millis(2)).await;
    }
    let settled = bench.link.settled();
    assert_eq!((settled.sent, settled.refused), (61, 3));
    let refused = bench.refused();
    assert_eq!(refused.lines().filter(|line| is_bad(line)).count(), 3, "{refused}");
    assert_eq!(refused.matches("unable to parse").count(), 3);
    sending.abort();
}

#[tokio::test]
async fn whoever_refuses_every_line_gets_none_set_aside() {
    let mut bench = Bench::new(|said, _| {
        if said.renewed < 3 { Answer::Refused(text("plain HTTP to an HTTPS port")) } else { Answer::Stored }
    });
    bench.keep(0..8);
    let sending = bench.start(100);
    bench.until("all, once it is what it should be", |said| said.stored == lines(0..8)).await;
    assert_eq!((bench.refused(), bench.link.settled().refused), (String::new(), 0));
    sending.abort();
}

#[tokio::test]
async fn what_is_too_large_is_halved_and_less_is_tried_afterwards() {
    let rule = |_: &Said, body: &str| {
        if body.lines().count() > 5 { Answer::TooLarge(text("it answered 413")) } else { Answer::Stored }
    };
    let mut bench = Bench::new(rule);
    bench.keep(0..40);
    let sending = bench.start(40);
    bench.until("all", |said| said.stored == lines(0..40)).await;
    let before = bench.desk.said.lock().unwrap().requests.len();
    bench.keep(40..50);
    bench.until("what came later", |said| said.stored == lines(0..50)).await;
    assert!(bench.desk.said.lock().unwrap().requests[before].lines().count() <= 5);
    sending.abort();
}

#[tokio::test]
async fn connections_that_break_again_and_again_make_batches_smaller() {
    let rule = |_: &Said, body: &str| {
        if body.lines().count() > 3 { Answer::Broken(text("connection reset")) } else { Answer::Stored }
    };
    let mut bench = Bench::new(rule);
    bench.keep(0..16);
    let sending = bench.start(16);
    bench.until("all", |said| said.stored == lines(0..16)).await;
    assert_eq!(bench.refused(), "");
    sending.abort();
}

#[tokio::test]
async fn points_that_the_database_drops_are_counted_and_left_behind() {
    let mut bench = Bench::new(|_, _| Answer::Stored);
    bench.script([Answer::Partly { lines: 3, text: text("partial write: dropped=3") }]);
    bench.keep(0..10);
    let sending = bench.start(100);
    bench.until("it to go on", |said| said.stored.len() == 10).await;
    while bench.link.settled().refused == 0 {
        sleep(Duration::from_millis(2)).await;
    }
    let settled = bench.link.settled();
    assert_eq!((settled.sent, settled.refused), (7, 3));
    assert_eq!(bench.desk.said.lock().unwrap().requests.len(), 1);
    sending.abort();
}

#[tokio::test]
async fn a_store_that_was_opened_anew_loses_nothing_that_was_not_sent() {
    let mut bench = Bench::new(|_, _| Answer::Stored);
    bench.keep(0..3);
    let sending = bench.start(100);
    bench.until("the first", |said| said.stored == lines(0..3)).await;
    // What was settled of the old store must not be taken out of the new one.
    bench.link.begin_anew();
    assert_eq!(bench.link.settled().upto, [0, 0]);
    bench.keep(3..6);
    bench.until("the rest", |said| said.stored.ends_with(&lines(3..6))).await;
    sending.abort();
}
