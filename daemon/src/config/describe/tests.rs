//! What is said of two configurations, word by word.

use crate::config::{describe, load_text};

fn check(text: &str, expected: &str) {
    let loaded = load_text("thirstd.toml", text, std::iter::empty()).unwrap_or_else(|faults| panic!("{faults}"));
    let said = describe(&loaded);
    // The version is the hash of the text; canonical.rs tests it.
    let said: Vec<&str> = said.lines().filter(|line| !line.starts_with("Version ")).collect();
    let expected: Vec<&str> = expected.trim_matches('\n').lines().collect();
    assert_eq!(said, expected, "\n{}", said.join("\n"));
}

#[test]
fn a_short_configuration_is_told_with_every_default() {
    check(
        include_str!("../../../../deploy/config/one-site.toml"),
        r#"
No faults. 1 site.

Broker     localhost:1883 as thirstd
Store      thirstd.db
Publishes  thirst/v1/…, as thirstd

Subscriptions
  yard/+/state   (feed 1, JSON)
    /rain_mm is rain_counter, in mm
    /temp_c is air_temperature, in °C
    site heron-bend, sensor by {sensor} of the topic, time by arrival

Site heron-bend
  at 39.74° N, 104.99° W, 1600 m; clock of America/Denver
  decides at sunset and before each window; a decision is valid for 26 h; a day is final after 48 h
  when nothing is known: scales to 60 %
  no normals: ETo of a day nobody measured is guessed by latitude and humid air, 1.2 mm (Dec) to 4.8 mm (Jun) a day, give or take 0.4 mm
  frost months, by latitude: Jan Feb Mar Nov Dec
  Sensors
    shed: yard/shed/state
  Group lawn, spray
    plant factor    0.6 (Dec) to 1.04 (Apr)     default
    100 % run       10 mm                       given
    watering days   every day                   default
    window          02:00–10:00                 default
    rain exposure   100 %                       default
    stored ahead    up to 5 mm                  default
    owed            up to 25 mm                 default
    smallest run    20 %                        default
    largest run     120 %                       default
  Holds
    rain: from 6 mm in one event (over after 6 h without rain), until a run is owed again, at most 7 days after the last rain
      extended by 2.5 mm in 24 h
    freeze: at 3 °C and below, until 2 h at 5 °C and above
    wind: from 5 m/s, until 30 min at 4 m/s and below, never drip; 12 h after the anemometer falls silent
  Controllers
    relay, for lawn: hold or water, on
      thirst/v1/site/heron-bend/instruction/relay

Perhaps not meant
  heron-bend: no normals: days that nobody measured count with a guess by latitude; thirstd normals makes normals of a public weather history
"#,
    );
}

#[test]
fn sites_are_told_in_their_own_units_with_rules_and_sources_of_numbers() {
    check(
        r#"
        prefix = "water"
        [[feeds]]
        name = "masts"
        topic = "yard/+/state"
        format = "json"
        site_pointer = "/place"
        sensor_pointer = "/id"
        time.pointer = "/ts"
        fields."/t" = { quantity = "air_temperature", unit = "degF" }
        fields."/low" = { quantity = "battery_ok", inverted = true }
        [[feeds]]
        name = "gauges"
        topic = "shed/{site}/{sensor}/{field}"
        format = "value"
        fields.rain = { quantity = "rain_counter", unit = "tips" }
        [[districts]]
        id = "reed"
        source = "Reed Valley Water, rule 12"
        rules = [
          { name = "Summer", weekdays = ["mon", "thu"], barred = ["10:00-18:00", "22:00-24:00"], exempt_kinds = ["drip"] },
          { name = "Odd and even", dates = "odd", from = 2027-05-01, until = 2027-09-30 },
        ]
        [[sites]]
        id = "otter-creek"
        label = "Otter Creek, north"
        units = "us"
        latitude = -33.9
        longitude = 18.4
        elevation = "400 ft"
        zone = "Africa/Johannesburg"
        climate = "dry"
        decide_at = "18:30"
        when_unknown = "hold"
        district = "reed"
        window = "22:00-06:00"
        normals.eto_mm = [200, 170, 150, 100, 70, 50, 55, 75, 105, 145, 170, 195]
        rain = { length = "2 days", threshold = "0.25 in" }
        freeze.enabled = false
        wind.enabled = false
        sensors = [
          { id = "mast", silence_limit = "3 h", battery = { chemistry = "alkaline_aa_2", low = "2.4 V" } },
          { id = "gauge", heard_as = "A4:C1", rain_counts = false },
        ]
        groups = [
          { id = "beds", kind = "drip", planting = "shrubs", root_zone_storage = "2 in", watering_days = ["mon", "fri"] },
          { id = "lawn", label = "Front lawn", kind = "rotor", run = "40 min", application_rate = "0.5 in/h", plant_factor = 0.7 },
        ]
        controllers = [{ id = "panel", capability = "percent_per_group", groups = ["lawn"], step = "10 %" }]
        restrictions = [{ name = "Party", source = "the owner", barred = ["18:00-23:00"], groups = ["lawn"] }]
        "#,
        r#"
No faults. 1 site.

Broker     localhost:1883 as thirstd
Store      thirstd.db
Publishes  water/…, as thirstd

Subscriptions
  yard/+/state   (masts, JSON)
    /low is battery_ok
    /t is air_temperature, in °F
    site by /place, sensor by /id, time by /ts
  shed/+/+/+   (gauges, one value a topic)
    rain is rain_counter, in tips
    site by {site} of the topic, sensor by {sensor} of the topic, time by arrival

Site otter-creek (Otter Creek, north)
  at 33.9° S, 18.4° E, 400 ft; clock of Africa/Johannesburg
  decides at 18:30 and before each window; a decision is valid for 26 h; a day is final after 48 h
  when nothing is known: holds
  normals:
    ETo 0.07 in (Jun) to 0.25 in (Jan) a day, 58.5 in a year; rain unknown
  frost months, by latitude: May Jun Jul Aug Sep
  Sensors
    mast: yard/+/state where /place is otter-creek and /id is mast, shed/otter-creek/mast/+
      battery low below 2.4 V; lost after 3 h of silence
    gauge: yard/+/state where /place is otter-creek and /id is A4:C1, shed/otter-creek/A4:C1/+
      its rain does not count
  Group beds, drip
    plant factor    0.5                         planting
    100 % run       0.44 in                     plant factor × peak of the normals
    watering days   Mon Fri                     given
    window          22:00–06:00 the next day    the site
    rain exposure   100 %                       default
    stored ahead    up to 0.2 in                default
    owed            up to 2 in                  root_zone_storage
    smallest run    20 %                        default
    largest run     120 %                       default
  Group lawn (Front lawn), rotor
    plant factor    0.7                         given
    100 % run       0.22 in                     run × application_rate × efficiency
    watering days   every day                   default
    window          22:00–06:00 the next day    the site
    rain exposure   100 %                       default
    stored ahead    up to 0.2 in                default
    owed            up to 0.98 in               default
    smallest run    25 %                        the shortest run of its kind
    largest run     120 %                       default
  Holds
    rain: from 0.25 in in one event (over after 6 h without rain), for 2 days after the last rain
      extended by 0.1 in in 24 h
    freeze: off
    wind: off
  Controllers
    panel, for lawn: a percentage for each group, on
      water/site/otter-creek/instruction/panel
      0 % to 120 %, in steps of 10 %
  Restrictions
    Summer: only on Mon Thu, never 10:00–18:00 or 22:00–24:00, not for drip
      by Reed Valley Water, rule 12
    Odd and even: only on odd dates, not the 31st and 29 February, from 2027-05-01, until 2027-09-30
      by Reed Valley Water, rule 12
    Party: never 18:00–23:00, for lawn
      by the owner

Perhaps not meant
  otter-creek: freeze holds are off
  otter-creek: no controller waters the group "beds"
"#,
    );
}
