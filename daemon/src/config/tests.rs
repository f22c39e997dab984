use super::*;

fn load_plain(text: &str) -> Result<Loaded, Faults> {
    load_text("thirstd.toml", text, std::iter::empty())
}

const ONE_SITE: &str = include_str!("../../../deploy/config/one-site.toml");

#[test]
fn the_short_example_loads() {
    let loaded = load_plain(ONE_SITE).unwrap_or_else(|faults| panic!("{faults}"));
    let site = &loaded.settings.sites[0];
    assert_eq!((site.id.as_str(), site.groups[0].run_depth_mm), ("heron-bend", 10.0));
    assert!(ONE_SITE.lines().count() <= 30);
    let again = load_plain(&loaded.text).unwrap_or_else(|faults| panic!("{faults}"));
    assert_eq!(again.settings, loaded.settings);
}

#[test]
fn x() {
    let text = ONE_SITE
        .replace("run_depth = \"10 mm\"", "run_depth = \"6 bananas\"\nrun_dept = 3")
        .replace("America/Denver", "America/Denvr")
        .replace("\"mm\"", "\"lx\"")
        .replace("39.74", "\"39\"");
    eprintln!("{}", load_plain(&text).unwrap_err());
    eprintln!(
        "{}",
        load_text(
            "thirstd.toml",
            ONE_SITE,
            [
                ("THIRSTD__BROKER__PORT".to_string(), "x".to_string()),
                ("THIRSTD__BROKER__POT".to_string(), "x".to_string())
            ]
            .into_iter()
        )
        .unwrap_err()
    );
    eprintln!(
        "{}",
        load_text(
            "thirstd.toml",
            ONE_SITE,
            [
                ("THIRSTD__BROKER__PORT".to_string(), "x".to_string()),
                ("THIRSTD__BROKER__keep_alive".to_string(), "x".to_string())
            ]
            .into_iter()
        )
        .unwrap_err()
    );
    let deep = format!("{}a = {}1{}", "", "[".repeat(70), "]".repeat(70));
    eprintln!("{}", load_plain(&deep).unwrap_err());
    let dotted = vec!["a"; 79].join(".");
    let nest = (0..70).fold("1".to_string(), |inner, _| format!("{{ {dotted} = {inner} }}"));
    eprintln!("{}", load_plain(&format!("a={nest}")).unwrap_err());
    eprintln!("{}", load_plain(&format!("a={}", "[".repeat(100_000))).unwrap_err());
    eprintln!("{}", load_plain(&format!("{}=1", vec!["a"; 100_000].join("."))).unwrap_err());
}
