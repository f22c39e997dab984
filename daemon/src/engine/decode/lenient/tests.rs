//! JSON that is not quite JSON.

use proptest::prelude::*;
use serde_json::json;

use super::*;

fn check(text: &str, expected: Value) {
    assert_eq!(parse(text), Ok(expected), "{text:?}");
}

#[test]
fn s02_one_bare_word_costs_only_its_field() {
    check(r#"{"temp_c":NaN,"rain_total_mm":211.0}"#, json!({"temp_c": "NaN", "rain_total_mm": 211.0}));
    check(r#"{"temp_c":-nan,"rh_pct":null}"#, json!({"temp_c": "-nan", "rh_pct": null}));
    for word in ["NaN", "nan", "-nan", "-NaN", "inf", "-inf", "Infinity", "-Infinity", "undefined", "None", "1e400"] {
        check(&format!(r#"{{"a": {word} ,"b":[{word}],"c":2}}"#), json!({"a": word, "b": [word], "c": 2}));
    }
    check("NaN", json!("NaN"));
}

#[test]
fn numbers_that_json_forbids_stay_readable() {
    check(r#"{"a":+12.5,"b":.5,"c":007,"d":12.5C}"#, json!({"a": "+12.5", "b": ".5", "c": "007", "d": "12.5C"}));
}

#[test]
fn strings_are_left_alone() {
    check(r#"{"a":"NaN, \"inf\"","b":NaN,"c\\":1}"#, json!({"a": "NaN, \"inf\"", "b": "NaN", "c\\": 1}));
}

#[test]
fn s03_what_surrounds_a_payload_is_ignored() {
    check("\u{feff}{\"a\":1}", json!({"a": 1}));
    check("{\"temp_c\":\"12.5\"}\0", json!({"temp_c": "12.5"}));
    check(" {\"a\":1}\r\n\0\0\n", json!({"a": 1}));
}

#[test]
fn a_cut_message_is_lost_and_says_where() {
    for (text, readable) in [
        (r#"{"temp_c":11.2,"rain_to"#, r#"{"temp_c":11.2,"rain_to"#),
        (r#"{"temp_c":NaN"#, r#"{"temp_c":N"#),
        ("{\n\"a\":1}}", "{\n\"a\":1}}"),
        (r#"{"a":1} extra"#, r#"{"a":1} e"#),
        (r#"{"a":x"y}"#, r#"{"a":x"#),
        ("ä}", ""),
    ] {
        assert_eq!(parse(text), Err(readable), "{text:?}");
    }
}

#[test]
fn deep_nesting_is_refused() {
    for depth in [129, 100_000] {
        assert!(parse(&"[".repeat(depth)).is_err());
        assert!(parse(&format!("{}{}", "[".repeat(depth), "]".repeat(depth))).is_err());
        assert!(parse(&format!("{}NaN{}", "[".repeat(depth), "]".repeat(depth))).is_err());
    }
    assert!(parse(&format!("{}NaN{}", "[".repeat(100), "]".repeat(100))).is_ok());
}

proptest! {
    #[test]
    fn json_is_read_as_serde_json_reads_it(text in r#"[\[\]{}:,"\\0-9.eE+\-a-zA-Z \n]{0,40}"#) {
        if let Ok(expected) = serde_json::from_str::<Value>(&text) {
            prop_assert_eq!(parse(&text), Ok(expected));
        } else {
            let _ = parse(&text);
        }
    }

    #[test]
    fn any_bare_word_becomes_text(word in "[A-Za-z_][A-Za-z0-9_.+-]{0,20}") {
        prop_assume!(!is_json_scalar(&word));
        let text = format!(r#"{{"a":{word},"b":1}}"#);
        prop_assert_eq!(parse(&text), Ok(json!({"a": word, "b": 1})));
    }
}
