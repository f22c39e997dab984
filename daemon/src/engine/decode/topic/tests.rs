//! Templates and topics, against a second implementation of MQTT's matching.

use proptest::prelude::*;

use super::*;

fn template(text: &str) -> TopicTemplate {
    TopicTemplate::parse(text).unwrap_or_else(|error| panic!("{text}: {error}"))
}

/// `expected` is `site sensor field` with `-` for a capture that the template does not have; `None`: no match.
fn check(text: &str, topic: &str, expected: Option<&str>) {
    let part = |part: Option<&str>| part.map_or("-".to_owned(), |part| format!("'{part}'"));
    let found = template(text)
        .capture(topic)
        .map(|captures| [captures.site, captures.sensor, captures.field].map(part).join(" ").replace('\'', ""));
    assert_eq!(found.as_deref(), expected, "{text} against {topic}");
    assert_eq!(template(text).mismatch(topic).is_none(), expected.is_some(), "{text} against {topic}");
}

#[test]
fn captures_name_site_sensor_and_field() {
    check("yard/{site}/{sensor}/state", "yard/oak/air/state", Some("oak air -"));
    check("yard/{site}/{sensor}/{field}", "yard/oak/air/temp_c", Some("oak air temp_c"));
    check("{sensor}/{site}", "air/oak", Some("oak air -"));
    check("yard/oak/gauge", "yard/oak/gauge", Some("- - -"));
    check("yard/{site}/#", "yard/oak/a/b", Some("oak - -"));
}

#[test]
fn a_topic_with_other_levels_does_not_match() {
    check("yard/{site}/{sensor}/state", "yard/oak/air", None);
    check("yard/{site}/{sensor}/state", "yard/oak/air/state/x", None);
    check("yard/{site}/{sensor}/state", "yard/oak/air/State", None);
    check("yard/{site}/{sensor}/state", "", None);
}

/// MQTT 3.1.1 sections 4.7.1 and 4.7.2, with the examples given there.
#[test]
fn wildcards_follow_the_mqtt_rules() {
    check("sport/tennis/player1/#", "sport/tennis/player1", Some("- - -"));
    check("sport/tennis/player1/#", "sport/tennis/player1/ranking", Some("- - -"));
    check("sport/tennis/+", "sport/tennis/player1/ranking", None);
    check("sport/+", "sport", None);
    check("sport/+", "sport/", Some("- - -"));
    check("+/+", "/finance", Some("- - -"));
    check("/+", "/finance", Some("- - -"));
    check("+", "/finance", None);
    check("#", "$SYS/broker", None);
    check("+/monitor/Clients", "$SYS/monitor/Clients", None);
    check("{site}/monitor", "$SYS/monitor", None);
    check("$SYS/#", "$SYS/broker", Some("- - -"));
    check("$SYS/monitor/+", "$SYS/monitor/Clients", Some("- - -"));
    check("a/+", "a/$x", Some("- - -"));
}

#[test]
fn empty_levels_count() {
    check("+/b", "/a/b", None);
    check("a/b", "a/b/", None);
    check("yard/{site}/state", "yard//state", Some(" - -"));
    check("/yard/{site}", "/yard/oak", Some("oak - -"));
}

#[test]
fn the_filter_is_what_to_subscribe_to() {
    for (text, filter) in [
        ("yard/{site}/{sensor}/state", "yard/+/+/state"),
        ("yard/{site}/#", "yard/+/#"),
        ("#", "#"),
        ("/+/x/", "/+/x/"),
    ] {
        assert_eq!(template(text).filter(), filter);
        assert_eq!(template(text).to_string(), text);
    }
}

#[test]
fn a_wrong_template_is_told_what_to_write() {
    for (text, expected) in [
        ("", "the topic template is empty; write for example `yard/{site}/{sensor}/state`"),
        ("a/#/b", "level 2 `#` must be the last one; write `+` for a single level"),
        ("a/b#", "level 2 `b#` mixes a wildcard with text; `+` or `#` must be the whole level"),
        ("a+/b", "level 1 `a+` mixes a wildcard with text; `+` or `#` must be the whole level"),
        (
            "a/s-{site}",
            "level 2 `s-{site}` mixes a capture with text; a capture must be the whole level, as in `a/{site}/b`",
        ),
        ("a/{place}", "level 2 `{place}` is no capture; write `{site}`, `{sensor}`, `{field}` or `+`"),
        ("a/{site}/{site}", "level 3 repeats `{site}`; keep one and write `+` for the other"),
        ("a\0b", "the topic template contains a NUL character; remove it"),
        (
            "$share/g/a",
            "`$share` makes a shared subscription, which a feed cannot use; write the topic without `$share/GROUP/`",
        ),
    ] {
        assert_eq!(TopicTemplate::parse(text).unwrap_err().to_string(), expected);
    }
    assert_eq!(TopicTemplate::parse(&"a".repeat(65_536)), Err(TemplateError::TooLong(65_536)));
}

#[test]
fn overlap_is_found_both_ways() {
    for (one, other, expected) in [
        ("yard/{site}/a", "yard/{site}/b", false),
        ("yard/{site}/a", "yard/oak/{sensor}", true),
        ("yard/{site}/a", "yard/{site}/a/b", false),
        ("yard/#", "yard", true),
        ("yard/#", "yard/a/b/c", true),
        ("#", "{site}/a", true),
        ("#", "$SYS/a", false),
        ("+/a", "$SYS/a", false),
        ("$SYS/#", "$SYS/a", true),
        ("a/+/c", "+/b/+", true),
        ("a/+/c", "+/b/d", false),
        ("a/b", "a/#", true),
        ("a", "a/+", false),
    ] {
        let (left, right) = (template(one), template(other));
        assert_eq!(left.overlaps(&right), expected, "{one} and {other}");
        assert_eq!(right.overlaps(&left), expected, "{other} and {one}");
    }
}

#[test]
fn a_mismatch_names_level_and_texts() {
    for (text, topic, expected) in [
        ("yard/{site}/state", "yard/oak/stat", (3, Some("state"), Some("stat"))),
        ("yard/{site}/state", "yard/oak", (3, Some("state"), None)),
        ("yard/{site}", "yard/oak/x/y", (3, None, Some("x"))),
        ("{site}/x", "$SYS/x", (1, Some("{site}"), Some("$SYS"))),
        ("#", "$SYS/x", (1, Some("#"), Some("$SYS"))),
    ] {
        let found = template(text).mismatch(topic).unwrap();
        assert_eq!((found.level, found.expected.as_deref(), found.found), expected, "{text} against {topic}");
    }
}

/// The rules of MQTT 3.1.1 section 4.7 once more, by recursion over the subscription filter.
fn matches_by_the_standard(filter: &[&str], topic: &[&str]) -> bool {
    match (filter, topic) {
        (["#"], _) | ([], []) => true,
        (["+", filter @ ..], [_, topic @ ..]) => matches_by_the_standard(filter, topic),
        ([ours, filter @ ..], [theirs, topic @ ..]) => ours == theirs && matches_by_the_standard(filter, topic),
        _ => false,
    }
}

fn levels() -> impl Strategy<Value = String> {
    let level = prop::sample::select(vec!["a", "b", "", "+", "$x", "{site}", "{sensor}", "{field}"]);
    (prop::collection::vec(level, 1..5), any::<bool>()).prop_map(|(mut levels, rest)| {
        if rest {
            levels.push("#");
        }
        levels.join("/")
    })
}

fn topics() -> impl Strategy<Value = String> {
    prop::collection::vec(prop::sample::select(vec!["a", "b", "", "$x"]), 1..6).prop_map(|levels| levels.join("/"))
}

proptest! {
    #[test]
    fn matching_agrees_with_the_standard(text in levels(), topic in topics()) {
        let Ok(template) = TopicTemplate::parse(&text) else { return Ok(()) };
        let filter: Vec<&str> = template.filter().split('/').collect();
        let parts: Vec<&str> = topic.split('/').collect();
        let hidden = topic.starts_with('$') && matches!(filter[0], "+" | "#");
        prop_assert_eq!(template.capture(&topic).is_some(), !hidden && matches_by_the_standard(&filter, &parts));
        prop_assert_eq!(template.mismatch(&topic).is_none(), template.capture(&topic).is_some());
    }

    #[test]
    fn templates_that_share_a_topic_overlap(one in levels(), other in levels(), topic in topics()) {
        let (Ok(one), Ok(other)) = (TopicTemplate::parse(&one), TopicTemplate::parse(&other)) else { return Ok(()) };
        prop_assert_eq!(one.overlaps(&other), other.overlaps(&one));
        prop_assert!(one.overlaps(&one));
        if one.capture(&topic).is_some() && other.capture(&topic).is_some() {
            prop_assert!(one.overlaps(&other));
        }
    }

    #[test]
    fn no_text_panics(text in ".*", other in ".*", topic in ".*") {
        if let Ok(template) = TopicTemplate::parse(&text) {
            let _ = (template.capture(&topic), template.mismatch(&topic), template.likeness(&topic));
            if let Ok(other) = TopicTemplate::parse(&other) {
                let _ = template.overlaps(&other);
            }
        }
    }
}
