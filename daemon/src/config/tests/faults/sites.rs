//! Wrong holds, zones, limits, groups and sensors.

use super::check_all;

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
            "normals = \"reed-valley\"",
            &["thirstd.toml:16: sites[0].normals = \"reed-valley\": no [[normals]] has this id"],
        ),
        (
            "elevation = \"1600 m\"",
            "normals = { eto_mm = [30, 30, 90, 90, 90, 120, 120, 120, 90, 60, 30, 30], eto_curve_mm = [1, 2] }",
            &[
                "thirstd.toml:16: sites[0].normals.eto_curve_mm = a list: write five numbers: mean, cosine and sine of the year, cosine and sine of the half year",
            ],
        ),
        (
            "elevation = \"1600 m\"",
            "normals = { eto_mm = [30, 30, 90, 90, 90, 120, 120, 120, 90, 60, 30, 30], eto_curve_mm = [5, -2, 0, 0, 0], years = \"2020-1991\" }",
            &[
                "thirstd.toml:16: sites[0].normals.eto_curve_mm = a list: brings 1826 mm a year, the monthly sums 900 mm; they must agree",
                "thirstd.toml:16: sites[0].normals.years = \"2020-1991\": write the first and the last year, for example \"1991-2020\"",
            ],
        ),
        (
            "elevation = \"1600 m\"",
            "normals = { eto_mm = [30, 30, 90, 90, 90, 120, 120, 120, 90, 60, 30, 30], tmin_curve_celsius = [20, 0, 0, 0, 0], tmax_curve_celsius = [10, -60, 0, 0, 0] }",
            &[
                "thirstd.toml:16: sites[0].normals.tmax_curve_celsius = a list: runs from -50.0 to 70.0 within a year; -80 to 60 can be",
                "thirstd.toml:16: sites[0].normals.tmin_curve_celsius = a list: rises above tmax_curve_celsius; are they exchanged?",
            ],
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
fn limits_are_checked() {
    check_all(&[
        (
            "elevation = \"1600 m\"",
            "quality.air_temperature = { min = \"60 °C\", max = 55, flat = true }",
            &[
                "thirstd.toml:16: sites[0].quality.air_temperature: min (60 °C) is not below max (55 °C): no reading could be good",
                "thirstd.toml:16: sites[0].quality.air_temperature.flat = true: write a table: keys and values",
                "thirstd.toml:16: sites[0].quality.air_temperature.max = 55: write a temperature with its unit, for example \"3 °C\" or \"37 degF\", or max_celsius with a number",
            ],
        ),
        (
            "elevation = \"1600 m\"",
            "quality.air_temperature = { min = \"60 °C\" }",
            &[
                "thirstd.toml:16: sites[0].quality.air_temperature: min (60 °C) is not below max (55 °C): no reading could be good",
            ],
        ),
        (
            "elevation = \"1600 m\"",
            "quality.air_temprature = { min = \"60 °C\" }",
            &["thirstd.toml:16: sites[0].quality.air_temprature: no such key; did you mean air_temperature?"],
        ),
        (
            "elevation = \"1600 m\"",
            "quality.relative_humidity = { clip = { min = \"10 %\", max = \"5 %\" }, flat = { fail_after = \"1 h\" } }",
            &[
                "thirstd.toml:16: sites[0].quality.relative_humidity.clip: min is not below max",
                "thirstd.toml:16: sites[0].quality.relative_humidity.flat: fail_after must be longer than suspect_after, or \"never\"",
            ],
        ),
        (
            "elevation = \"1600 m\"",
            "quality.wind_speed.step = [{ within = \"5 min\", suspect = \"5 m/s\", fail = \"4 m/s\" }, { within = \"1 min\" }]",
            &[
                "thirstd.toml:16: sites[0].quality.wind_speed.step[0]: suspect must be more than 0 and at most fail",
                "thirstd.toml:16: sites[0].quality.wind_speed.step[1]: write within, suspect and fail",
            ],
        ),
        (
            "elevation = \"1600 m\"",
            "quality.wind_speed.step = [{ within = \"5 min\", suspect = \"5 m/s\", fail = \"6 m/s\" }, { within = \"1 min\", suspect = \"5 m/s\", fail = \"6 m/s\" }]",
            &[
                "thirstd.toml:16: sites[0].quality.wind_speed.step = a list: write each longer and not smaller than the one before",
            ],
        ),
        (
            "elevation = \"1600 m\"",
            "quality.repeat.depth = 0",
            &["thirstd.toml:16: sites[0].quality.repeat.depth = 0: write a whole number from 1 to 1024"],
        ),
    ]);
}
