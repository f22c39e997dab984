//! Wrong feeds.

use super::check_all;

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
                "thirstd.toml:6: feeds[0].format is missing: write \"json\", \"senml\", or \"value\" where each topic carries one value",
            ],
        ),
        (
            "format = \"json\"",
            "format = \"xml\"",
            &["thirstd.toml:8: feeds[0].format = \"xml\": write one of \"json\", \"value\", \"senml\""],
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
            "format = \"senml\"\ntime = { pointer = \"/ts\" }",
            &["thirstd.toml:9: feeds[0].time = a table: every SenML record says its own time; remove it"],
        ),
        (
            "format = \"json\"",
            "format = \"senml\"\nfields.\"rain#sum\" = { quantity = \"rainfall_amount\" }\nfields.rain = { quantity = \"rain_counter\" }",
            &[
                "thirstd.toml:9: feeds[0].fields.\"rain#sum\".unit is missing: an inch is 25.4 mm, and nobody can tell them apart later; one of mm, cm, in, [in_i], inch, inches",
                "thirstd.toml:10: feeds[0].fields.rain.unit is missing: an inch is 25.4 mm, and nobody can tell them apart later; one of mm, cm, in, [in_i], inch, inches, tips",
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
