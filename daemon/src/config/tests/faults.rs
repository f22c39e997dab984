//! Wrong configurations and the exact texts they get.

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
                "thirstd.toml:4: broker.passwort: no such key; known here: client_id, host, keep_alive, max_packet_bytes, password_file, port, reconnect_max, reconnect_min, user",
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
fn a_zone_that_is_not_there_names_the_nearest() {
    check_all(&[
        (
            "\"America/Denver\"",
            "\"America/Denvr\"",
            &[
                "thirstd.toml:17: sites[0].zone = \"America/Denvr\": no such time zone; did you mean \"America/Denver\"?",
            ],
        ),
        (
            "\"America/Denver\"",
            "\"denver\"",
            &["thirstd.toml:17: sites[0].zone = \"denver\": no such time zone; did you mean \"America/Denver\"?"],
        ),
        (
            "\"America/Denver\"",
            "\"Middle Earth\"",
            &[
                "thirstd.toml:17: sites[0].zone = \"Middle Earth\": no such time zone; write the nearest city of your time zone in the IANA list, for example \"America/Denver\" or \"Europe/Madrid\"",
            ],
        ),
        (
            "zone = \"America/Denver\"",
            "",
            &[
                "thirstd.toml:12: sites[0].zone is missing: write the nearest city of your time zone in the IANA list, for example \"America/Denver\" or \"Europe/Madrid\"",
            ],
        ),
    ]);
}

#[test]
fn holds_are_checked() {
    check_all(&[
        (
            "elevation = \"1600 m\"",
            "rain.threshold = \"6 bananas\"",
            &[
                "thirstd.toml:16: sites[0].rain.threshold = \"6 bananas\": write a depth, for example \"6 mm\" or \"0.25 in\"",
            ],
        ),
        (
            "elevation = \"1600 m\"",
            "rain.threshold = \"0 mm\"",
            &["thirstd.toml:16: sites[0].rain.threshold = \"0 mm\": write a depth from 0.2 mm to 200 mm"],
        ),
        (
            "elevation = \"1600 m\"",
            "rain = { length = \"8 days\" }",
            &["thirstd.toml:16: sites[0].rain.length = \"8 days\": write a span of time from 0 days to 7 days"],
        ),
        (
            "elevation = \"1600 m\"",
            "rain = { length = \"soon\" }",
            &[
                "thirstd.toml:16: sites[0].rain.length = \"soon\": write \"auto\", or a span of time up to 7 days, for example \"2 days\" or \"36 h\"",
            ],
        ),
        (
            "elevation = \"1600 m\"",
            "rain = { length = 2 }",
            &[
                "thirstd.toml:16: sites[0].rain.length = 2: write \"auto\", or a span of time up to 7 days, for example \"2 days\" or \"36 h\"",
            ],
        ),
        (
            "elevation = \"1600 m\"",
            "freeze = { hold_at = \"41 degF\", release_at = \"3 °C\" }",
            &[
                "thirstd.toml:16: sites[0].freeze: release_at (3 °C) is colder than hold_at (5 °C); write it at or above",
            ],
        ),
        (
            "elevation = \"1600 m\"",
            "wind = { release_at = \"6 m/s\" }",
            &["thirstd.toml:16: sites[0].wind: release_at (6 m/s) is above hold_at (5 m/s); write it at or below"],
        ),
        (
            "elevation = \"1600 m\"",
            "valid = \"5 h\"",
            &[
                "thirstd.toml:16: sites[0].valid = \"5 h\": a decision valid for 5 h must be refreshed sooner than every 6 h",
            ],
        ),
        (
            "elevation = \"1600 m\"",
            "decide_at = \"25:00\"",
            &[
                "thirstd.toml:16: sites[0].decide_at = \"25:00\": write \"sunset\" or a local time of day, for example \"18:30\"",
            ],
        ),
        (
            "elevation = \"1600 m\"",
            "frost_months = [1, 13, \"may\"]",
            &[
                "thirstd.toml:16: sites[0].frost_months[1] = 13: write a month from 1 (January) to 12",
                "thirstd.toml:16: sites[0].frost_months[2] = \"may\": write a month from 1 (January) to 12",
            ],
        ),
        (
            "elevation = \"1600 m\"",
            "normals = { eto_mm = [1, 1, 2, 3, 4, 5, 6, 5, 4, 2, 1, 1] }",
            &[
                "thirstd.toml:16: sites[0].normals.eto_mm = a list: are sums of a month, not daily means; multiply by the days of the month",
            ],
        ),
        (
            "elevation = \"1600 m\"",
            "normals = { eto_mm = [1, 2, 3] }",
            &["thirstd.toml:16: sites[0].normals.eto_mm = a list: write twelve values, January first; each a depth"],
        ),
        (
            "elevation = \"1600 m\"",
            "normals = { rain = [\"1 mm\"] }",
            &[
                "thirstd.toml:16: sites[0].normals.eto_mm is missing: write twelve monthly sums of reference evapotranspiration, January first",
                "thirstd.toml:16: sites[0].normals.rain = a list: write twelve values, January first; each a depth",
            ],
        ),
    ]);
}

#[test]
fn feeds_are_checked() {
    check_all(&[
        (
            "\"yard/{sensor}/state\"",
            "\"yard/{device}/state\"",
            &[
                "thirstd.toml:7: feeds[0].topic = \"yard/{device}/state\": level 2 \"{device}\" is no capture; write \"{site}\", \"{sensor}\", \"{field}\" or \"+\"",
            ],
        ),
        (
            "\"yard/{sensor}/state\"",
            "\"yard/#/state\"",
            &[
                "thirstd.toml:7: feeds[0].topic = \"yard/#/state\": level 2 \"#\" must be the last one; write \"+\" for a single level",
            ],
        ),
        (
            "topic = \"yard/{sensor}/state\"",
            "",
            &[
                "thirstd.toml:6: feeds[0].topic is missing: write the topic to listen to, for example \"yard/{site}/{sensor}/state\"",
            ],
        ),
        (
            "\"yard/{sensor}/state\"",
            "\"thirst/+/{sensor}/#\"",
            &[
                "thirstd.toml:7: feeds[0].topic = \"thirst/+/{sensor}/#\": would hear what thirstd itself publishes under thirst/v1; narrow it",
            ],
        ),
        (
            "\"yard/{sensor}/state\"",
            "\"yard/{sensor}/{field}\"",
            &[
                "thirstd.toml:7: feeds[0].topic = \"yard/{sensor}/{field}\": {field} is for format = \"value\"; write + for a level that does not matter",
            ],
        ),
        (
            "format = \"json\"",
            "",
            &[
                "thirstd.toml:6: feeds[0].format is missing: write \"json\", or \"value\" where each topic carries one value",
            ],
        ),
        (
            "format = \"json\"",
            "format = \"xml\"",
            &["thirstd.toml:8: feeds[0].format = \"xml\": write one of \"json\", \"value\""],
        ),
        (
            "format = \"json\"",
            "format = \"value\"",
            &[
                "thirstd.toml:9: feeds[0].fields = a table: one value per topic: write reading = { … }, or {field} in the topic",
            ],
        ),
        (
            "format = \"json\"",
            "format = \"json\"\nsensor = \"shed\"",
            &[
                "thirstd.toml:9: feeds[0].sensor = \"shed\": the topic already names the sensor with {sensor}; write + there, or remove this",
            ],
        ),
        (
            "format = \"json\"",
            "format = \"json\"\nsite = \"a\"\nsite_pointer = \"/a\"",
            &["thirstd.toml:10: feeds[0].site_pointer = \"/a\": site is given too; keep one of them"],
        ),
        (
            "format = \"json\"",
            "format = \"json\"\nsite_pointer = \"a.b\"",
            &["thirstd.toml:9: feeds[0].site_pointer: \"a.b\" is no JSON Pointer (RFC 6901); write \"/a/b\""],
        ),
        (
            "\"/temp_c\"",
            "\"temp_c\"",
            &["thirstd.toml:9: feeds[0].fields.temp_c: \"temp_c\" is no JSON Pointer (RFC 6901); write \"/temp_c\""],
        ),
        (
            "\"/temp_c\"",
            "\"/a~b\"",
            &["thirstd.toml:9: feeds[0].fields.\"/a~b\": \"/a~b\" is no JSON Pointer (RFC 6901); write \"/a~0b\""],
        ),
        (
            "\"air_temperature\"",
            "\"air_temp\"",
            &[
                "thirstd.toml:9: feeds[0].fields.\"/temp_c\".quantity = \"air_temp\": no such quantity; did you mean \"air_temperature\"?",
            ],
        ),
        (
            "quantity = \"air_temperature\", ",
            "",
            &[
                "thirstd.toml:9: feeds[0].fields.\"/temp_c\".quantity is missing: write what it is, for example \"air_temperature\"",
            ],
        ),
        (
            ", unit = \"Cel\"",
            "",
            &[
                "thirstd.toml:9: feeds[0].fields.\"/temp_c\".unit is missing: air_temperature needs one of Cel, degC, °C, C, [degF], degF, °F, F, K",
            ],
        ),
        (
            ", unit = \"mm\"",
            "",
            &[
                "thirstd.toml:10: feeds[0].fields.\"/rain_mm\".unit is missing: an inch is 25.4 mm, and nobody can tell them apart later; one of mm, cm, in, [in_i], inch, inches, tips",
            ],
        ),
        (
            "unit = \"mm\"",
            "unit = \"lx\"",
            &[
                "thirstd.toml:10: feeds[0].fields.\"/rain_mm\".unit = \"lx\": is no unit for rain_counter; one of mm, cm, in, [in_i], inch, inches, tips",
            ],
        ),
        (
            "unit = \"mm\"",
            "unit = \"hPa\"",
            &[
                "thirstd.toml:10: feeds[0].fields.\"/rain_mm\".unit = \"hPa\": does not fit rain_counter; one of mm, cm, in, [in_i], inch, inches, tips",
            ],
        ),
        (
            "unit = \"mm\"",
            "unit = \"mm\", inverted = true",
            &[
                "thirstd.toml:10: feeds[0].fields.\"/rain_mm\".inverted = true: only battery_ok can be inverted; remove it",
            ],
        ),
        (
            "unit = \"mm\"",
            "unit = \"mm\", scale = 0",
            &[
                "thirstd.toml:10: feeds[0].fields.\"/rain_mm\".scale = 0: 0 makes every reading the same; remove it or write another number",
            ],
        ),
        (
            "format = \"json\"",
            "format = \"json\"\ntime = { pointer = \"/ts\", format = \"unix\", zone = \"Europe/Rome\" }",
            &[
                "thirstd.toml:9: feeds[0].time.format = \"unix\": did you mean \"unix_s\"? One of \"unix_auto\", \"unix_s\", \"unix_ms\", \"rfc3339\", \"local\"",
                "thirstd.toml:9: feeds[0].time.zone = \"Europe/Rome\": only format = \"local\" needs a zone; remove it",
            ],
        ),
        (
            "id = \"shed\"",
            "id = \"shed\"\nheard_as = \"a/b\"",
            &[
                "thirstd.toml:21: sites[0].sensors[0].heard_as = \"a/b\": write at most 128 letters, none of / + #: it is one level of a topic",
            ],
        ),
        (
            "",
            "[[feeds]]\ntopic = \"yard/shed/+\"\nsensor = \"shed\"\nformat = \"json\"\nfields.\"/a\" = { quantity = \"rssi\", unit = \"dBm\" }",
            &[
                "thirstd.toml:31: feeds[1].topic = \"yard/shed/+\": overlaps \"yard/{sensor}/state\" of \"feed 1\": some topic fits both; narrow one",
            ],
        ),
    ]);
}

#[test]
fn names_and_references_are_checked() {
    check_all(&[
        (
            "",
            "[[sites.groups]]\nid = \"lawn\"\nkind = \"drip\"",
            &[
                "thirstd.toml:31: sites[0].groups[1].id = \"lawn\": another group of this site has it; ids are given once",
            ],
        ),
        (
            "",
            "[[sites.controllers]]\nid = \"relay\"",
            &[
                "thirstd.toml:31: sites[0].controllers[1].id = \"relay\": another controller of this site has it; ids are given once",
            ],
        ),
        (
            "",
            "[[sites.sensors]]\nid = \"shed\"",
            &[
                "thirstd.toml:31: sites[0].sensors[1].id = \"shed\": another sensor of this site has it; ids are given once",
            ],
        ),
        (
            "",
            "[[sites.sensors]]\nid = \"other\"\nheard_as = \"shed\"",
            &[
                "thirstd.toml:32: sites[0].sensors[1].heard_as = \"shed\": another sensor of this site is heard under this name",
            ],
        ),
        (
            "",
            "[[sites.sensors]]\nid = \"far\"\nheard_under = \"elsewhere\"",
            &[
                "thirstd.toml:30: sites[0].sensors[1]: no feed can hear this sensor: none gives site \"elsewhere\" with sensor \"far\"",
            ],
        ),
        (
            "capability = \"hold\"",
            "groups = [\"lwn\", \"beds\", \"lawn\", \"lawn\"]",
            &[
                "thirstd.toml:29: sites[0].controllers[0].groups[0] = \"lwn\": the site has no such group; did you mean \"lawn\"?",
                "thirstd.toml:29: sites[0].controllers[0].groups[1] = \"beds\": the site has no such group; it has lawn",
                "thirstd.toml:29: sites[0].controllers[0].groups[3] = \"lawn\": is named twice",
            ],
        ),
        (
            "capability = \"hold\"",
            "groups = []",
            &[
                "thirstd.toml:29: sites[0].controllers[0].groups = a list: waters nothing; name its groups, or remove the key for all groups of the site",
            ],
        ),
        (
            "elevation = \"1600 m\"",
            "district = \"reed\"",
            &["thirstd.toml:16: sites[0].district = \"reed\": no [[districts]] has this id"],
        ),
        (
            "",
            "[[sites.restrictions]]\nsource = \"s\"\ngroups = [\"beds\"]\nbarred = [\"10:00-10:00\", \"9-5\"]\nfrom = 2027-06-01\nuntil = \"2027-05-01\"",
            &[
                "thirstd.toml:32: sites[0].restrictions[0].groups[0] = \"beds\": the site has no such group; it has lawn",
                "thirstd.toml:33: sites[0].restrictions[0].barred[0] = \"10:00-10:00\": opens and closes at once; for the whole day write \"00:00-24:00\"",
                "thirstd.toml:33: sites[0].restrictions[0].barred[1] = \"9-5\": write two local times of day, for example \"02:00-10:00\" or \"22:00-04:00\"",
                "thirstd.toml:35: sites[0].restrictions[0].until = \"2027-05-01\": lies before from (2027-06-01); the rule would never bind",
            ],
        ),
        (
            "",
            "[[sites.restrictions]]\nname = \"n\"",
            &[
                "thirstd.toml:30: sites[0].restrictions[0]: restricts nothing; write weekdays, dates or barred",
                "thirstd.toml:30: sites[0].restrictions[0].source is missing: say who published the rule and where, for example \"Valley Water District, rule 12, valley-water.example/rules\"",
            ],
        ),
        (
            "",
            "[[sites.restrictions]]\nsource = \"s\"\nweekdays = [\"monday\"]\ndates = \"prime\"",
            &[
                "thirstd.toml:32: sites[0].restrictions[0].weekdays[0] = \"monday\": did you mean \"mon\"? One of \"mon\", \"tue\", \"wed\", \"thu\", \"fri\", \"sat\", \"sun\"",
                "thirstd.toml:33: sites[0].restrictions[0].dates = \"prime\": write one of \"odd\", \"even\"",
            ],
        ),
        (
            "",
            "[[sites.restrictions]]\nsource = \"s\"\nweekdays = []\nfrom = \"June\"",
            &[
                "thirstd.toml:32: sites[0].restrictions[0].weekdays = a list: no day at all; write weekdays, for example [\"mon\", \"thu\"], or remove the key for every day",
                "thirstd.toml:33: sites[0].restrictions[0].from = \"June\": write a date as year-month-day, for example \"2027-06-01\"",
            ],
        ),
        (
            "",
            "[[districts]]\nid = \"d\"\nrules = [{ weekdays = [\"mon\"], groups = [\"lawn\"] }]",
            &[
                "thirstd.toml:30: districts[0].source is missing: say who published the rules and where, for example \"Valley Water District, rule 12, valley-water.example/rules\"",
                "thirstd.toml:32: districts[0].rules[0].groups[0] = \"lawn\": a district knows no groups; write the rule under the site, or exempt_kinds",
            ],
        ),
        (
            "",
            "[[sites]]",
            &[
                "thirstd.toml:7: feeds[0].topic = \"yard/{sensor}/state\": nothing says which site it is: write {site} in the topic, site = \"…\" or site_pointer = \"/…\"",
                "thirstd.toml:30: sites[1].controllers is missing: write at least one [[sites.controllers]] with id and capability",
                "thirstd.toml:30: sites[1].groups is missing: write at least one [[sites.groups]] with id and kind",
                "thirstd.toml:30: sites[1].id is missing: write an id of small letters, digits and -, for example \"oak\"",
                "thirstd.toml:30: sites[1].latitude is missing: write it in degrees, for example 40.02 (south is negative)",
                "thirstd.toml:30: sites[1].longitude is missing: write it in degrees, for example -105.27 (west is negative)",
                "thirstd.toml:30: sites[1].sensors is missing: write at least one [[sites.sensors]] with an id",
                "thirstd.toml:30: sites[1].zone is missing: write the nearest city of your time zone in the IANA list, for example \"America/Denver\" or \"Europe/Madrid\"",
            ],
        ),
    ]);
}

#[test]
fn groups_and_sensors_are_checked() {
    check_all(&[
        (
            "run_depth = \"10 mm\"",
            "run = \"20 min\"",
            &[
                "thirstd.toml:25: sites[0].groups[0].run = \"20 min\": needs application_rate beside it to become a depth; or write run_depth",
            ],
        ),
        (
            "run_depth = \"10 mm\"",
            "run = \"1000 min\"\napplication_rate = \"400 mm/h\"",
            &[
                "thirstd.toml:25: sites[0].groups[0].run = \"1000 min\": a 100 % run of 4333.33 mm is hardly meant; check run and application_rate",
            ],
        ),
        (
            "run_depth = \"10 mm\"",
            "planting = \"cool_tuft\"",
            &[
                "thirstd.toml:25: sites[0].groups[0].planting = \"cool_tuft\": did you mean \"cool_turf\"? One of \"cool_turf\", \"warm_turf\", \"trees\", \"shrubs\", \"vines\", \"ground_cover\", \"flowers\", \"desert_plants\"",
            ],
        ),
        (
            "run_depth = \"10 mm\"",
            "planting = \"trees\"\nplant_factor = 0.5",
            &["thirstd.toml:26: sites[0].groups[0].plant_factor = 0.5: planting is given too; keep one of them"],
        ),
        (
            "run_depth = \"10 mm\"",
            "plant_factor = [0.5, 2]",
            &[
                "thirstd.toml:25: sites[0].groups[0].plant_factor = a list: write a number from 0 to 1.5, or twelve of them, January first",
            ],
        ),
        (
            "run_depth = \"10 mm\"",
            "plant_factor = 3",
            &[
                "thirstd.toml:25: sites[0].groups[0].plant_factor = 3: write a number from 0 to 1.5, or twelve of them, January first",
            ],
        ),
        (
            "run_depth = \"10 mm\"",
            "watering_days = []",
            &[
                "thirstd.toml:25: sites[0].groups[0].watering_days = a list: no day at all; write weekdays, for example [\"mon\", \"thu\"], or remove the key for every day",
            ],
        ),
        (
            "run_depth = \"10 mm\"",
            "window = \"02:00-02:00\"",
            &[
                "thirstd.toml:25: sites[0].groups[0].window = \"02:00-02:00\": opens and closes at once; for the whole day write \"00:00-24:00\"",
            ],
        ),
        (
            "run_depth = \"10 mm\"",
            "window = \"2 to 10\"",
            &[
                "thirstd.toml:25: sites[0].groups[0].window = \"2 to 10\": write two local times of day, for example \"02:00-10:00\" or \"22:00-04:00\"",
            ],
        ),
        (
            "run_depth = \"10 mm\"",
            "least = \"130 %\"",
            &["thirstd.toml:25: sites[0].groups[0].least = \"130 %\": write a percentage from 0 % to 100 %"],
        ),
        (
            "kind = \"spray\"",
            "",
            &[
                "thirstd.toml:22: sites[0].groups[0].kind is missing: write how it is watered: \"spray\", \"rotor\", \"drip\", \"bubbler\" or \"other\"",
            ],
        ),
        (
            "kind = \"spray\"",
            "kind = \"sprinkler\"",
            &[
                "thirstd.toml:24: sites[0].groups[0].kind = \"sprinkler\": write one of \"spray\", \"rotor\", \"drip\", \"bubbler\", \"other\"",
            ],
        ),
        (
            "id = \"shed\"",
            "id = \"shed\"\nbattery = { chemistry = \"alkaline\", low = 2.4 }",
            &[
                "thirstd.toml:21: sites[0].sensors[0].battery.chemistry = \"alkaline\": did you mean \"alkaline_9v\"? One of \"alkaline_9v\", \"lithium_9v\", \"nimh_9v\", \"alkaline_aa_2\", \"lithium_iron_aa_2\", \"cr2032\", \"cr123a\", \"li_socl2\", \"nimh_sun\", \"custom\"",
                "thirstd.toml:21: sites[0].sensors[0].battery.low = 2.4: write a voltage with its unit, for example \"2.4 V\" or \"2400 mV\", or low_volts with a number",
            ],
        ),
        (
            "id = \"shed\"",
            "id = \"shed\"\nsilence_limit = \"0 s\"",
            &["thirstd.toml:21: sites[0].sensors[0].silence_limit = \"0 s\": write a span of time from 1 s to 30 days"],
        ),
        (
            "id = \"shed\"",
            "id = \"shed\"\nlink = { shortest_silence = \"2 h\", longest_silence = \"1 h\" }",
            &[
                "thirstd.toml:21: sites[0].sensors[0].link: longest_silence (3600 s) is shorter than shortest_silence (7200 s)",
            ],
        ),
        (
            "id = \"shed\"",
            "id = \"shed\"\ngauge = { tip = 0.2, caps = [{ within = \"1 min\" }] }",
            &[
                "thirstd.toml:21: sites[0].sensors[0].gauge.caps[0]: write { within = \"15 min\", suspect = \"25 mm\", fail = \"200 mm\" }",
                "thirstd.toml:21: sites[0].sensors[0].gauge.tip = 0.2: write a depth with its unit, for example \"6 mm\" or \"0.25 in\", or tip_mm with a number",
            ],
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
