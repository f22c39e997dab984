//! Names given twice, and names of nothing.

use super::check_all;

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
            "elevation = \"1600 m\"",
            "neighbors = [\"heron-bend\", \"heron-bent\", \"elm\", \"elm\"]",
            &[
                "thirstd.toml:16: sites[0].neighbors[0] = \"heron-bend\": is this site itself; name others",
                "thirstd.toml:16: sites[0].neighbors[1] = \"heron-bent\": no such site; did you mean \"heron-bend\"?",
                "thirstd.toml:16: sites[0].neighbors[2] = \"elm\": no [[sites]] has this id",
                "thirstd.toml:16: sites[0].neighbors[3] = \"elm\": is named twice",
            ],
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
                "thirstd.toml:30: sites[0].restrictions[0]: restricts nothing; write weekdays, dates, days_a_week, barred or most_run",
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
                "thirstd.toml:33: sites[0].restrictions[0].from = \"June\": write a date as year-month-day, for example \"2027-06-01\", or \"06-01\" for every year",
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
