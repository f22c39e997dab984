//! Wrong configurations and the exact texts they get.

mod feeds;
mod references;
mod sites;

use super::{ONE_SITE, load_plain, variables};
use crate::config::load_text;

/// Puts `to` for `from` into the short example, or at its end where `from` is empty, and compares all faults.
fn check(from: &str, to: &str, expected: &[&str]) {
    assert!(ONE_SITE.contains(from), "the example has no {from}");
    let text = if from.is_empty() { format!("{ONE_SITE}{to}\n") } else { ONE_SITE.replacen(from, to, 1) };
    let faults = load_plain(&text).map_or_else(|faults| faults.to_string(), |_| String::new());
    let seen: Vec<&str> = faults.lines().collect();
    assert_eq!(seen, expected, "{from} → {to}\n{faults}");
}

fn check_all(cases: &[(&str, &str, &[&str])]) {
    for (from, to, expected) in cases {
        check(from, to, expected);
    }
}

#[test]
fn a_key_that_nobody_knows_names_the_nearest() {
    check_all(&[
        (
            "kind = \"spray\"",
            "kind = \"spray\"\nrun_dept = 3",
            &["thirstd.toml:25: sites[0].groups[0].run_dept: no such key; did you mean run_depth?"],
        ),
        (
            "[broker]",
            "[broker]\npasswort = \"geheim\"",
            &[
                "thirstd.toml:4: broker.passwort: no such key; known here: client_id, host, keep_alive, max_packet_bytes, password_file, port, reconnect_max, reconnect_min, tls, user",
            ],
        ),
        ("[broker]", "[brokr]", &["thirstd.toml:3: brokr: no such key; did you mean broker?"]),
        (
            "id = \"shed\"",
            "id = \"shed\"\nzzz = 1",
            &[
                "thirstd.toml:21: sites[0].sensors[0].zzz: no such key; known here: battery, gauge, heard_as, heard_under, id, link, rain_counts, silence_limit",
            ],
        ),
    ]);
}

#[test]
fn a_value_of_the_wrong_kind_shows_how_to_write_it() {
    check_all(&[
        (
            "host = \"localhost\"",
            "host = 7",
            &["thirstd.toml:4: broker.host = 7: write a text, for example \"localhost\""],
        ),
        (
            "host = \"localhost\"",
            "host = \"\"",
            &["thirstd.toml:4: broker.host = \"\": write a text, for example \"localhost\""],
        ),
        (
            "host = \"localhost\"",
            "port = \"1883\"",
            &["thirstd.toml:4: broker.port = \"1883\": write a whole number from 1 to 65535"],
        ),
        (
            "host = \"localhost\"",
            "port = 70000",
            &["thirstd.toml:4: broker.port = 70000: write a whole number from 1 to 65535"],
        ),
        (
            "host = \"localhost\"",
            "port = 1883.5",
            &["thirstd.toml:4: broker.port = 1883.5: write a whole number from 1 to 65535"],
        ),
        (
            "host = \"localhost\"",
            "password_file = \"x\"",
            &["thirstd.toml:3: broker.user is missing: a password is of no use without it"],
        ),
        (
            "[broker]",
            "broker = 3\n[log]",
            &[
                "thirstd.toml:3: broker = 3: write a table: keys and values",
                "thirstd.toml:5: log.host: no such key; known here: format",
            ],
        ),
        (
            "id = \"heron-bend\"",
            "id = \"Heron Bend\"",
            &[
                "thirstd.toml:13: sites[0].id = \"Heron Bend\": write 1 to 64 small letters, digits and -, for example \"oak\"",
            ],
        ),
        (
            "id = \"heron-bend\"",
            "label = \"x\"",
            &[
                "thirstd.toml:12: sites[0].id is missing: write an id of small letters, digits and -, for example \"oak\"",
            ],
        ),
        (
            "latitude = 39.74",
            "latitude = 93",
            &["thirstd.toml:14: sites[0].latitude = 93: write a number from -90 to 90"],
        ),
        (
            "latitude = 39.74                    # degrees; south is negative\nlongitude = -104.99",
            "latitude = 0\nlongitude = 0.0",
            &["thirstd.toml:14: sites[0].latitude = 0: 0, 0 lies in the sea; write where the site is"],
        ),
        (
            "longitude = -104.99",
            "",
            &[
                "thirstd.toml:12: sites[0].longitude is missing: write it in degrees, for example -105.27 (west is negative)",
            ],
        ),
        (
            "latitude = 39.74",
            "latitude = nan",
            &["thirstd.toml:14: sites[0].latitude = NaN: write a number from -90 to 90"],
        ),
        (
            "elevation = \"1600 m\"",
            "elevation = \"1600\"",
            &["thirstd.toml:16: sites[0].elevation = \"1600\": write a height, for example \"120 m\" or \"400 ft\""],
        ),
        (
            "elevation = \"1600 m\"",
            "elevation = 1600",
            &[
                "thirstd.toml:16: sites[0].elevation = 1600: write a height with its unit, for example \"120 m\" or \"400 ft\", or elevation_m with a number",
            ],
        ),
        (
            "elevation = \"1600 m\"",
            "elevation_m = \"1600 m\"",
            &["thirstd.toml:16: sites[0].elevation_m = \"1600 m\": write a number; the unit (m) is in the key"],
        ),
        (
            "elevation = \"1600 m\"",
            "elevation = \"1600 m\"\nelevation_m = 1600",
            &["thirstd.toml:17: sites[0].elevation_m = 1600: elevation is given too; keep one of them"],
        ),
        (
            "elevation = \"1600 m\"",
            "elevation_m = 16000",
            &["thirstd.toml:16: sites[0].elevation_m = 16000: write a height from -430 m to 6000 m"],
        ),
        (
            "elevation = \"1600 m\"",
            "units = \"imperial\"",
            &["thirstd.toml:16: sites[0].units = \"imperial\": write one of \"metric\", \"us\""],
        ),
        (
            "elevation = \"1600 m\"",
            "units = \"metrik\"",
            &["thirstd.toml:16: sites[0].units = \"metrik\": did you mean \"metric\"? One of \"metric\", \"us\""],
        ),
        (
            "elevation = \"1600 m\"",
            "settle = \"0.5 s\"",
            &["thirstd.toml:16: sites[0].settle = \"0.5 s\": write whole seconds"],
        ),
        (
            "elevation = \"1600 m\"",
            "rain.enabled = \"yes\"",
            &["thirstd.toml:16: sites[0].rain.enabled = \"yes\": write true or false, without quotes"],
        ),
        (
            "capability = \"hold\"",
            "capability = \"percents\"",
            &[
                "thirstd.toml:29: sites[0].controllers[0].capability = \"percents\": did you mean \"percent\"? One of \"hold\", \"percent\", \"percent_per_group\", \"twelve_months\", \"minutes\"",
            ],
        ),
        (
            "capability = \"hold\"",
            "step = \"0 %\"",
            &["thirstd.toml:29: sites[0].controllers[0].step = \"0 %\": write a percentage from 1 % to 100 %"],
        ),
        (
            "capability = \"hold\"",
            "least = \"90 %\"\nmost_percent = 80",
            &["thirstd.toml:29: sites[0].controllers[0].least = \"90 %\": is more than most (80 %)"],
        ),
    ]);
}

#[test]
fn faults_of_the_environment_name_the_variable() {
    let check = |pairs: &[(&str, &str)], expected: &str| {
        let faults = load_text("thirstd.toml", ONE_SITE, variables(pairs)).unwrap_err().to_string();
        assert_eq!(faults.trim_end(), expected);
    };
    check(
        &[("THIRSTD__BROKER__PORT", "many")],
        "environment: THIRSTD__BROKER__PORT = \"many\": write a whole number from 1 to 65535",
    );
    check(
        &[("THIRSTD__BROKER__HOTS", "x")],
        "environment: THIRSTD__BROKER__HOTS: sets nothing; did you mean THIRSTD__BROKER__HOST?",
    );
    check(
        &[("THIRSTD__SITES__0__ID", "x")],
        "environment: THIRSTD__SITES__0__ID: variables cannot reach into sites; set it in the file",
    );
    check(
        &[("THIRSTD__BROKER__HOST", "x"), ("thirstd__broker__host", "y")],
        "environment: THIRSTD__broker__host: says the same as THIRSTD__BROKER__HOST; keep one",
    );
    check(
        &[("THIRSTD__BROKER__KEEP_ALIVE", "30 s"), ("THIRSTD__BROKER__KEEP_ALIVE_SECONDS", "30")],
        "environment: THIRSTD__BROKER__KEEP_ALIVE_SECONDS = \"30\": keep_alive is given too; keep one of them",
    );
    check(&[("THIRSTD__", "x")], "environment: THIRSTD__: sets nothing");
}

#[test]
fn faults_are_sorted_by_line_and_those_past_fifty_are_counted() {
    let sites = "[[sites]]\n".repeat(20);
    let faults = load_plain(&format!("[[feeds]]\n{sites}")).unwrap_err();
    let shown = faults.to_string();
    let lines: Vec<u32> = shown.lines().filter_map(|line| line.split(':').nth(1)?.parse().ok()).collect();
    assert!(lines.is_sorted(), "{shown}");
    assert_eq!(lines.len(), 50);
    assert_eq!(shown.lines().last(), Some(format!("… and {} more faults", faults.total() - 50).as_str()));
}

#[test]
fn a_value_is_shown_short_and_without_control_characters() {
    let seen = "xxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxx…";
    let how = "write 1 to 64 small letters, digits and -, for example \"oak\"";
    check(
        "id = \"heron-bend\"",
        &format!("id = \"{}\"", "x".repeat(100)),
        &[&format!("thirstd.toml:13: sites[0].id = \"{seen}\": {how}")],
    );
    check(
        "id = \"heron-bend\"",
        "id = \"a\\u0007\\n\\\"\"",
        &[&format!("thirstd.toml:13: sites[0].id = \"a\\u{{7}}\\n\\\"\": {how}")],
    );
}
