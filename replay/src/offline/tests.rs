//! The time of a run, and what a run refuses.

use thirstd::engine::stamp::{HOUR, MINUTE, SECOND};

use super::*;
use crate::topic::Kind;

/// Keeps outputs as text with their times, and warnings.
#[derive(Default)]
struct Kept {
    outputs: Vec<(Stamp, String)>,
    warnings: Vec<String>,
}

impl Sink for Kept {
    fn output(&mut self, at: Stamp, output: &Output) -> io::Result<()> {
        self.outputs.push((at, format!("{output:?}")));
        Ok(())
    }

    fn warning(&mut self, text: &str) -> io::Result<()> {
        self.warnings.push(text.to_owned());
        Ok(())
    }
}

fn settings() -> Arc<Settings> {
    Arc::new(Settings {
        version: 1,
        prefix: "thirst/v1".into(),
        instance: "test".into(),
        feeds: Vec::new(),
        sites: Vec::new(),
        history: false,
    })
}

fn run_text(text: &str, options: Options) -> Result<(Summary, Kept), String> {
    let mut kept = Kept::default();
    let summary = run(Reader::new("yard.ndjson", text.as_bytes()), settings(), options, &mut kept);
    summary.map(|summary| (summary, kept)).map_err(|fault| fault.to_string())
}

const SIX: Stamp = Stamp(1_806_732_000_000); // 2027-04-03T06:00:00Z

/// Feeds `(time after six, entry)` and gives the last time the engine was told: wall, uptime, listening after six.
fn times(lines: &[(i64, Entry)]) -> (i64, i64, i64) {
    let mut run = Offline::new(settings(), 1, SIX);
    for (after, entry) in lines {
        run.feed(Line { at: SIX.plus(*after), entry: entry.clone() }, &mut Kept::default()).unwrap();
    }
    let last = run.driver.last();
    assert!(last.trusted);
    (last.wall.since(SIX), last.uptime, last.listening)
}

fn message() -> Entry {
    Entry::Message { topic: "yard/oak/mast/state".into(), payload: b"4.1".to_vec(), retain: false, dup: false }
}

fn up() -> Entry {
    Entry::BrokerUp { session_present: true, refused: Vec::new() }
}

#[test]
fn uptime_and_listening_run_with_the_lines() {
    assert_eq!(times(&[(0, message()), (MINUTE, message())]), (MINUTE, MINUTE, MINUTE));
}

#[test]
fn listening_stands_still_while_the_broker_is_away() {
    let lines = [
        (0, message()),
        (MINUTE, Entry::BrokerDown),
        (2 * MINUTE, Entry::BrokerDown),
        (10 * MINUTE, up()),
        (12 * MINUTE, message()),
    ];
    assert_eq!(times(&lines), (12 * MINUTE, 12 * MINUTE, 3 * MINUTE));
}

#[test]
fn a_clock_that_is_set_moves_the_wall_clock_and_nothing_else() {
    let ahead = [(0, message()), (HOUR + MINUTE, Entry::ClockStep { by: HOUR }), (HOUR + 2 * MINUTE, message())];
    assert_eq!(times(&ahead), (HOUR + 2 * MINUTE, 2 * MINUTE, 2 * MINUTE));
    let back = [(0, message()), (MINUTE - HOUR, Entry::ClockStep { by: -HOUR }), (2 * MINUTE - HOUR, message())];
    assert_eq!(times(&back), (2 * MINUTE - HOUR, 2 * MINUTE, 2 * MINUTE));
}

#[test]
fn lines_that_go_back_give_the_earlier_wall_clock_as_it_is() {
    let lines = [(0, message()), (MINUTE, message()), (30 * SECOND, message())];
    assert_eq!(times(&lines), (30 * SECOND, MINUTE, MINUTE));
}

#[test]
fn a_run_counts_what_went_in_and_ends_at_the_last_line_or_where_it_is_told() {
    let text = concat!(
        r#"{"at":"2027-04-03T06:00:00Z","topic":"yard/oak/mast/state","payload":"4.1","retain":true}"#,
        "\n",
        r#"{"at":"2027-04-03T06:10:00Z","topic":"thirst/v1/site/oak/command","payload":"{}"}"#,
        "\n",
        r#"{"at":"2027-04-03T06:05:00Z","event":"broker_down"}"#,
        "\n",
    );
    let expected = Summary {
        from: SIX,
        until: SIX.plus(5 * MINUTE),
        messages: 2,
        retained: 1,
        events: 1,
        // That nobody needs a visit is said once.
        published: [(Kind::Visits, 1)].into(),
        ..Summary::default()
    };
    // What the engine logs of a site that nobody knows is its own affair.
    let run_text = |text, options| {
        let (summary, kept) = run_text(text, options).unwrap();
        (Summary { logged: 0, ..summary }, kept)
    };
    let (summary, kept) = run_text(text, Options::default());
    assert_eq!(summary, expected);
    assert_eq!(kept.warnings.len(), 1, "{:?}", kept.warnings);
    let until = |after| Options { until: Some(SIX.plus(after)), ..Options::default() };
    let (longer, _) = run_text(text, until(HOUR));
    assert_eq!(longer, Summary { until: SIX.plus(HOUR), ..expected.clone() });
    let (shorter, _) = run_text(text, until(MINUTE));
    assert_eq!(shorter, Summary { until: SIX.plus(MINUTE), messages: 1, events: 0, ..expected });
}

#[test]
fn a_run_of_nothing_says_so() {
    assert_eq!(
        run_text("\n\n", Options::default()).err().unwrap(),
        "the recording has no line: write at least one message"
    );
    let late = r#"{"at":"2027-04-03T06:00:00Z","topic":"a","payload":""}"#;
    assert_eq!(
        run_text(late, Options { until: Some(SIX.plus(-1)), ..Options::default() }).err().unwrap(),
        "every line of the recording is after 2027-04-03T05:59:59.999Z: write a later time after --until"
    );
    assert!(run_text("{}", Options::default()).err().unwrap().starts_with("yard.ndjson:1: \"at\" is missing"));
}
