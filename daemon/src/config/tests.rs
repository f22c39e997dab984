//! Examples that ship, the environment, files of sites, and hostile texts.

mod faults;

use std::collections::BTreeSet;

use proptest::prelude::*;

use super::*;
use crate::engine::quality::{Settings as Limits, StepLimit};
use crate::engine::reading::Quantity;
use tree::{Kind, VARIABLES};

pub(super) const ONE_SITE: &str = include_str!("../../../deploy/config/one-site.toml");
const FLEET: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/../deploy/config/fleet/thirstd.toml");
const FULL: &str = include_str!("../../../deploy/config/full.toml");

pub(super) fn load_plain(text: &str) -> Result<Loaded, Faults> {
    load_text("thirstd.toml", text, std::iter::empty())
}

fn loaded(text: &str) -> Loaded {
    load_plain(text).unwrap_or_else(|faults| panic!("{faults}\n{text}"))
}

fn variables(pairs: &[(&str, &str)]) -> impl Iterator<Item = (String, String)> {
    pairs.iter().map(|(name, value)| (name.to_string(), value.to_string())).collect::<Vec<_>>().into_iter()
}

/// Settings apart from the version, which stands for the text.
fn settings_of(loaded: &Loaded) -> Settings {
    Settings { version: 0, ..Settings::clone(&loaded.settings) }
}

#[test]
fn the_shipped_fleet_has_no_fault_and_shares_its_district() {
    let loaded = load(std::path::Path::new(FLEET), std::iter::empty()).unwrap_or_else(|faults| panic!("{faults}"));
    let sites = &loaded.settings.sites;
    assert_eq!(sites.iter().map(|site| site.id.as_str()).collect::<Vec<_>>(), ["otter-mill", "plover-yard"]);
    assert!(sites.iter().all(|site| site.restrictions.len() == 1), "each under the rule of the district");
}

#[test]
fn the_short_example_loads_and_is_short() {
    let loaded = loaded(ONE_SITE);
    let site = &loaded.settings.sites[0];
    assert_eq!((site.id.as_str(), site.groups[0].run_depth_mm), ("heron-bend", 10.0));
    assert!(ONE_SITE.lines().count() <= 30);
}

#[test]
fn the_full_example_says_nothing_but_defaults() {
    let required = r#"
        [[feeds]]
        topic = "yard/{site}/{sensor}/state"
        format = "json"
        fields."/temp_c" = { quantity = "air_temperature", unit = "Cel" }
        fields."/rain_mm" = { quantity = "rain_counter", unit = "mm" }
        fields."/low" = { quantity = "battery_ok" }
        [[sites]]
        id = "heron-bend"
        latitude = 39.74
        longitude = -104.99
        zone = "America/Denver"
        sensors = [{ id = "mast" }]
        groups = [{ id = "lawn", kind = "spray" }]
        controllers = [{ id = "relay" }]
    "#;
    let (full, short) = (loaded(FULL), loaded(required));
    let (seen, expected) = (format!("{:#?}", settings_of(&full)), format!("{:#?}", settings_of(&short)));
    let differ = seen.lines().zip(expected.lines()).find(|(seen, expected)| seen != expected);
    assert!(differ.is_none(), "full.toml against the default: {differ:?}");
    assert_eq!(settings_of(&full), settings_of(&short));
    assert_eq!(full.broker, short.broker);
    assert_eq!(
        (full.store_path, full.commit_interval_ms, full.log_format),
        (short.store_path, short.commit_interval_ms, short.log_format)
    );
}

/// The full example, and with each of its switched-off examples in force.
fn variants_of_full() -> Vec<String> {
    let lines: Vec<&str> = FULL.lines().collect();
    let is_example = |line: &str| line.starts_with('#') && !line.starts_with("# ") && line.len() > 1;
    let mut variants = vec![FULL.to_owned()];
    let mut at = 0;
    while at < lines.len() {
        let length = lines[at..].iter().take_while(|line| is_example(line)).count();
        if length == 0 {
            at += 1;
            continue;
        }
        let mut variant: Vec<String> = lines.iter().map(|line| line.to_string()).collect();
        for line in &mut variant[at..at + length] {
            line.remove(0);
        }
        // `instead of KEY = VALUE`: the active line with that key, above, gets that value; without one it goes.
        if let Some((_, instead)) = lines[at].split_once("# instead of ") {
            let key = instead.split('=').next().unwrap();
            let place = (0..at).rev().find(|place| lines[*place].starts_with(key)).unwrap();
            variant[place] = if instead.ends_with("\"\"") { String::new() } else { instead.to_owned() };
        }
        // Districts and shared normals are used only where they are.
        let list = [("#district", "#[[districts]]"), ("#normals = ", "#[[normals]]")]
            .into_iter()
            .find(|(use_of, _)| lines[at].starts_with(use_of));
        if let Some((_, list)) = list {
            let from = lines.iter().position(|line| *line == list).unwrap();
            for line in variant[from..].iter_mut().take_while(|line| is_example(line)) {
                line.remove(0);
            }
        }
        variants.push(variant.join("\n"));
        at += length;
    }
    variants
}

#[test]
fn every_example_in_the_full_file_loads() {
    let variants = variants_of_full();
    assert!(variants.len() > 20, "{}", variants.len());
    for variant in &variants {
        loaded(variant);
    }
}

#[test]
fn the_full_example_names_every_key_that_is_read() {
    let (asked, written) = asked_and_written();
    // A token is no part of any file.
    let missing: Vec<&String> = asked.difference(&written).filter(|key| *key != "history.token").collect();
    assert!(missing.is_empty(), "not in full.toml: {missing:#?}");
}

#[test]
fn variables_reach_every_key_of_the_shell_and_no_other() {
    let (asked, _) = asked_and_written();
    let in_arrays = ["feeds", "sites", "districts", "normals"];
    let plain = asked.iter().filter(|key| !in_arrays.iter().any(|array| key.starts_with(array)));
    let leaves = plain.filter(|key| !["broker", "broker.tls", "store", "history", "log"].contains(&key.as_str()));
    let leaves: BTreeSet<String> = leaves.map(|key| key.to_uppercase().replace('.', "__")).collect();
    let without_suffix = |name: &&&str| {
        let plain = ["_MS", "_SECONDS", "_MINUTES"].iter().find_map(|suffix| name.strip_suffix(suffix));
        plain.is_none_or(|plain| !VARIABLES.contains(&plain))
    };
    let variables: BTreeSet<String> = VARIABLES.iter().filter(without_suffix).map(|name| name.to_string()).collect();
    assert_eq!(leaves, variables);
}

/// Keys that the reader asks for, and keys that the full example has, with every example in force.
fn asked_and_written() -> (BTreeSet<String>, BTreeSet<String>) {
    let (mut asked, mut written) = (BTreeSet::new(), BTreeSet::new());
    for variant in variants_of_full() {
        let findings = Findings::default();
        let root = tree::read("full.toml", &variant, &[]).unwrap();
        assert!(read_all(&findings, "full.toml", &root, &[]).is_some());
        asked.extend(findings.keys().iter().map(|key| normal(key)));
        paths(&root, "", &mut written);
    }
    (asked, written)
}

fn paths(node: &Node, path: &str, written: &mut BTreeSet<String>) {
    written.insert(normal(path));
    match &node.kind {
        Kind::Table(entries) => {
            for (key, node) in entries {
                let key = if key.starts_with('/') { format!("\"{key}\"") } else { key.clone() };
                paths(node, &if path.is_empty() { key } else { format!("{path}.{key}") }, written);
            }
        }
        Kind::Array(nodes) => nodes.iter().for_each(|node| paths(node, &format!("{path}[]"), written)),
        _ => {}
    }
}

/// One name for what is read by the same code.
fn normal(path: &str) -> String {
    let path =
        path.replace("districts[].rules[]", "sites[].restrictions[]").replace("feeds[].reading.", "feeds[].fields.*.");
    let path = path.strip_prefix("normals[].").map_or(path.clone(), |key| format!("sites[].normals.{key}"));
    if let Some(limits) =
        path.strip_prefix("sites[].quality.").filter(|path| !path.starts_with("repeat") && !path.starts_with("drift"))
    {
        let (quantity, rest) = limits.split_once('.').unwrap_or((limits, ""));
        if !["calm_below", "sun_limits"].contains(&quantity) {
            return format!("sites[].quality.*.{rest}");
        }
    }
    match path.strip_prefix("feeds[].fields.") {
        Some(field) => {
            let key = field.rsplit_once('.').filter(|(_, key)| !key.contains(['/', '"']));
            format!("feeds[].fields.{}", key.map_or("*".to_owned(), |(_, key)| format!("*.{key}")))
        }
        None => path,
    }
}

#[test]
fn the_canonical_text_makes_the_same_settings_and_the_same_version() {
    for text in variants_of_full().iter().map(String::as_str).chain([ONE_SITE]) {
        let first = loaded(text);
        let second = loaded(&first.text);
        assert_eq!(second.settings, first.settings);
        assert_eq!(second.text, first.text);
    }
    let quiet = loaded(&ONE_SITE.replace("host = \"localhost\"", "host = \"elsewhere\""));
    assert_eq!(quiet.settings.version, loaded(ONE_SITE).settings.version);
    let wetter = loaded(&ONE_SITE.replace("10 mm", "11 mm"));
    assert_ne!(wetter.settings.version, loaded(ONE_SITE).settings.version);
}

#[test]
fn normals_of_the_other_hemisphere_are_noticed() {
    let with = |latitude: &str, normals: &str| {
        let place = format!("latitude = {latitude}\nnormals.eto_mm = [{normals}]");
        describe(&loaded(&ONE_SITE.replace("latitude = 39.74", &place))).contains("of the other hemisphere?")
    };
    let north = "30, 40, 70, 100, 130, 150, 160, 140, 100, 70, 40, 30";
    let south = "160, 140, 100, 70, 40, 30, 30, 40, 70, 100, 130, 150";
    assert!(!with("39.74", north) && with("39.74", south));
    assert!(with("-34.0", north) && !with("-34.0", south) && !with("-10.0", north));
}

#[test]
fn a_number_with_the_unit_in_its_key_says_the_same_as_a_text() {
    let suffixes = [
        ("mm", "_mm"),
        ("°C", "_celsius"),
        ("m/s", "_m_per_s"),
        ("%", "_percent"),
        ("m", "_m"),
        ("hPa", "_hpa"),
        ("W/m2", "_w_per_m2"),
        ("ms", "_ms"),
        ("s", "_seconds"),
        ("min", "_minutes"),
        ("h", "_hours"),
        ("days", "_days"),
    ];
    let mut rewritten = 0;
    let text: Vec<String> = FULL
        .lines()
        .map(|line| {
            let plain = || {
                let (key, rest) = line.split_once(" = \"").filter(|(key, _)| !key.contains(['#', ' ']))?;
                let (number, unit) = rest.split_once('"')?.0.split_once(' ')?;
                // Limits of days are kept in hours.
                let of_days = key.ends_with("_after") && unit == "days";
                let (_, suffix) = suffixes.iter().find(|(name, _)| *name == unit && !of_days)?;
                Some(format!("{key}{suffix} = {}", number.parse::<f64>().ok()?))
            };
            let plain = plain();
            rewritten += usize::from(plain.is_some());
            plain.unwrap_or_else(|| line.to_owned())
        })
        .collect();
    assert!(rewritten > 60, "{rewritten}");
    assert_eq!(settings_of(&loaded(&text.join("\n"))), settings_of(&loaded(FULL)));
}

#[test]
fn a_shallow_root_zone_stores_less_rain_ahead() {
    let check = |keys: &str, credit_mm: f64, ceiling_mm: f64| {
        let text = format!(
            "[[feeds]]\ntopic = \"yard/{{site}}/{{sensor}}/state\"\nformat = \"json\"\n\
             fields.\"/temp_c\" = {{ quantity = \"air_temperature\", unit = \"Cel\" }}\n\
             [[sites]]\nid = \"oak\"\nlatitude = 39.7\nlongitude = -105.0\nzone = \"America/Denver\"\n\
             sensors = [{{ id = \"mast\" }}]\ncontrollers = [{{ id = \"relay\", capability = \"hold\" }}]\n\
             groups = [{{ id = \"lawn\", kind = \"spray\"{keys} }}]\n"
        );
        let group = &loaded(&text).settings.sites[0].groups[0];
        assert!((group.credit_mm - credit_mm).abs() < 1e-9 && group.ceiling_mm == ceiling_mm, "{keys}: {group:?}");
    };
    check("", 5.0, 25.0);
    check(", root_zone_storage = \"14 mm\"", 1.4, 14.0);
    check(", root_zone_storage = \"60 mm\"", 5.0, 60.0);
    check(", root_zone_storage = \"14 mm\", credit = \"4 mm\"", 4.0, 14.0);
}

#[test]
fn limits_of_a_site_replace_only_what_they_name() {
    let loaded = loaded(&ONE_SITE.replace(
        "elevation = \"1600 m\"",
        "quality.air_temperature = { max = \"131 degF\", step = [{ within = \"1 h\", suspect = \"9 degF\", fail_celsius = 8 }] }\n\
         quality.wind_speed = { flat = { zero = { fail_after = \"never\" } }, reanchor = \"30 min\" }\n\
         quality.soil_moisture = { flat = false, step = [] }",
    ));
    let quality = &loaded.settings.sites[0].quality;
    let mut expected = Limits::default();
    let air = expected.limits_mut(Quantity::AirTemperature);
    air.step = vec![StepLimit { minutes: 60.0, suspect: 5.0, fail: 8.0 }];
    let wind = expected.limits_mut(Quantity::WindSpeed);
    wind.reanchor_ms = 30 * 60_000;
    wind.flat.as_mut().unwrap().lasting_at_zero.as_mut().unwrap().fail_ms = None;
    let soil = expected.limits_mut(Quantity::SoilMoisture);
    (soil.flat, soil.step) = (None, Vec::new());
    assert_eq!(quality, &expected);
}

#[test]
fn keys_and_pointers_keep_their_letters() {
    let text = ONE_SITE.replace("/temp_c", "/Outdoor/tempC~1avg.x[0]").replace("yard/{sensor}", "Yard/{sensor}");
    let loaded = loaded(&text);
    let keys: Vec<&str> = loaded.settings.feeds[0].fields.iter().map(|field| field.key.as_str()).collect();
    assert_eq!(keys, ["/Outdoor/tempC~1avg.x[0]", "/rain_mm"]);
    assert_eq!(loaded.settings.feeds[0].template.text(), "Yard/{sensor}/state");
}

#[test]
fn variables_override_the_file_and_others_are_left_alone() {
    let environment = variables(&[
        ("THIRSTD__BROKER__HOST", "mqtt.example"),
        ("thirstd__broker__port", "8883"),
        ("THIRSTD__BROKER__TLS__CA_FILE", "ca.pem"),
        ("THIRSTD__BROKER__KEEP_ALIVE", "1 min"),
        ("THIRSTD__STORE__COMMIT_INTERVAL_MS", "150"),
        ("THIRSTD__HISTORY__URL", "http://localhost:8086"),
        ("THIRSTD__HISTORY__ORGANIZATION", "garden"),
        ("THIRSTD__HISTORY__BUCKET", "weather"),
        ("THIRSTD__HISTORY__TOKEN", "open-sesame"),
        ("THIRSTD__LOG__FORMAT", "json"),
        ("THIRSTD__BROKER__USER", ""),
        ("THIRSTD_LOG", "debug"),
        ("HOME", "/nowhere"),
    ]);
    let loaded = load_text("thirstd.toml", ONE_SITE, environment).unwrap_or_else(|faults| panic!("{faults}"));
    let broker = &loaded.broker;
    assert_eq!((broker.host.as_str(), broker.port, broker.keep_alive_seconds), ("mqtt.example", 8883, 60));
    assert_eq!((broker.user.as_deref(), loaded.commit_interval_ms), (None, 150));
    assert_eq!(broker.tls.as_ref().and_then(|tls| tls.ca_file.as_deref()), Some(Path::new("ca.pem")));
    assert_eq!((loaded.settings.history, loaded.log_format), (true, LogFormat::Json));
    let history = loaded.history.unwrap();
    assert_eq!((history.token.as_deref(), history.bucket_long.as_str()), (Some("open-sesame"), "weather"));
}

#[test]
fn sites_come_from_their_folder_and_faults_name_their_file() {
    let folder = tempfile::tempdir().unwrap();
    let write = |name: &str, text: &str| {
        let path = folder.path().join(name);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, text).unwrap();
    };
    let site = |id: &str| {
        format!(
            "id = \"{id}\"\nlatitude = 40\nlongitude = 5\nzone = \"Europe/Madrid\"\nsensors = [{{ id = \"mast\" }}]\n\
             groups = [{{ id = \"lawn\", kind = \"rotor\" }}]\ncontrollers = [{{ id = \"relay\" }}]\n"
        )
    };
    let feed = "topic = \"yard/{site}/{sensor}\"\nformat = \"json\"\n\
                fields.\"/t\" = { quantity = \"air_temperature\", unit = \"Cel\" }\n";
    let main = format!(
        "store.path = \"state/x.db\"\nbroker = {{ user = \"u\", password_file = \"secret\" }}\n[[feeds]]\n{feed}"
    );
    write("main.toml", &main);
    write("secret", "opensesame\nmore\n");
    write("sites.d/b.toml", &site("birch"));
    write("sites.d/a.toml", &site("alder"));
    write("sites.d/notes.txt", "not a site");
    let path = folder.path().join("main.toml");
    let loaded = load(&path, std::iter::empty()).unwrap_or_else(|faults| panic!("{faults}"));
    let ids: Vec<&str> = loaded.settings.sites.iter().map(|site| site.id.as_str()).collect();
    assert_eq!(ids, ["alder", "birch"]);
    assert_eq!(loaded.broker.password.as_deref(), Some("opensesame"));
    assert_eq!(loaded.store_path, folder.path().join("state/x.db"));
    assert!(!format!("{loaded:?}").contains("opensesame"));
    let again = load_plain(&loaded.text).unwrap_or_else(|faults| panic!("{faults}"));
    assert_eq!(again.settings, loaded.settings);

    write("sites.d/c.toml", &site("birch").replace("40", "\"40\""));
    write("sites.d/d.toml", "id = ");
    fs::create_dir(folder.path().join("sites.d/dir.toml")).unwrap();
    write("sites.d/e.toml", &site("birch"));
    let faults = load(&path, std::iter::empty()).unwrap_err().to_string();
    assert_eq!(
        faults,
        "sites.d/c.toml:2: latitude = \"40\": write a number from -90 to 90\n\
         sites.d/d.toml:1: this is not TOML: string values must be quoted, expected literal string\n\
         sites.d/dir.toml: cannot be read: Is a directory (os error 21)\n\
         sites.d/e.toml:1: the site id \"birch\" is taken at sites.d/b.toml:1; ids are given once\n"
    );
    fs::remove_file(folder.path().join("secret")).unwrap();
    fs::remove_dir(folder.path().join("sites.d/dir.toml")).unwrap();
    for name in ["c", "d", "e"] {
        fs::remove_file(folder.path().join(format!("sites.d/{name}.toml"))).unwrap();
    }
    let faults = load(&path, std::iter::empty()).unwrap_err().to_string();
    assert!(faults.starts_with("main.toml: broker.password_file = "), "{faults}");
    assert!(load(&folder.path().join("none.toml"), std::iter::empty()).is_err());
}

#[test]
fn hostile_texts_are_refused_in_bounded_time_and_space() {
    let dotted = vec!["a"; 79].join(".");
    let nested = (0..70).fold("1".to_owned(), |inner, _| format!("{{ {dotted} = {inner} }}"));
    let many = "[[sites]]\n".repeat(20_000);
    for text in [
        "x = ".to_owned() + &"[".repeat(200_000),
        format!("{}=1", vec!["a"; 100_000].join(".")),
        format!("a = {nested}"),
        format!("a = {}1{}", "[".repeat(70), "]".repeat(70)),
        " ".repeat(LARGEST_FILE_BYTES + 1),
        many,
        "\u{feff}[broker]\nport = 99999999999999999999".to_owned(),
        "\"broker.host\" = \"x\"".to_owned(),
        "sites = 1\nfeeds = { a = 1 }\ndistricts = [1, [2]]\nbroker = []".to_owned(),
    ] {
        let faults = load_plain(&text).unwrap_err();
        assert!(faults.to_string().lines().count() <= 51);
        assert!(faults.to_string().len() < 40_000);
    }
}

/// Texts that look like a configuration: lines of the full example, cut and mixed.
fn mixed_lines() -> impl Strategy<Value = String> {
    let line = (0..FULL.lines().count(), 0..3usize, any::<u8>()).prop_map(|(index, how, noise)| {
        let line = FULL.lines().nth(index).unwrap_or_default().trim_start_matches('#').to_owned();
        match how {
            0 => line,
            1 => line.replacen('=', "= 1e999 #", 1),
            _ => line.chars().filter(|c| (*c as u32).wrapping_mul(31) % 97 != u32::from(noise) % 97).collect(),
        }
    });
    prop::collection::vec(line, 0..40).prop_map(|lines| lines.join("\n"))
}

proptest! {
    #[test]
    fn no_text_panics(text in "\\PC{0,200}", lines in mixed_lines(), name in "[A-Z_]{0,20}", value in "\\PC{0,20}") {
        for text in [text, lines.clone(), format!("{ONE_SITE}\n{lines}")] {
            let environment = [(format!("THIRSTD__{name}"), value.clone())].into_iter();
            match load_text("x", &text, environment) {
                Ok(loaded) => prop_assert!(!describe(&loaded).is_empty()),
                Err(faults) => prop_assert!(faults.total() > 0 && !faults.to_string().is_empty()),
            }
        }
    }

    #[test]
    fn a_changed_value_is_read_or_refused(index in 0..200usize, value in prop_oneof![
        any::<i64>().prop_map(|n| n.to_string()),
        any::<f64>().prop_map(|n| if n.is_finite() { format!("{n:?}") } else { "nan".to_owned() }),
        "\"[ -~&&[^\"\\\\]]{0,12}\"",
        Just("[]".to_owned()),
        Just("{}".to_owned()),
        Just("true".to_owned()),
    ]) {
        let text: Vec<String> = FULL.lines().enumerate().map(|(at, line)| match line.split_once(" = ") {
            Some((key, _)) if at == index && !line.starts_with('#') => format!("{key} = {value}"),
            _ => line.to_owned(),
        }).collect();
        if let Ok(loaded) = load_plain(&text.join("\n")) {
            let again = load_plain(&loaded.text).map_err(|faults| TestCaseError::fail(faults.to_string()))?;
            prop_assert_eq!(again.settings, loaded.settings);
        }
    }
}
