//! Answers in a terminal, out of the store: `thirstd status`, `thirstd why` and `thirstd visits`. Nothing is written, and whether a daemon
//! runs makes no difference.

mod outbox;
mod page;
mod status;
mod visits;
mod why;
mod words;

use chrono::{Days, NaiveDate};

use crate::config::Loaded;
use crate::engine::civil;
use crate::engine::settings::{Settings, SiteSettings};
use crate::engine::stamp::Stamp;

use super::store::{Reader, StoreError};

pub use page::Screen;
pub use visits::Wanted;

/// How an answer is wanted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Form {
    Text(Screen),
    Json,
}

/// A civil day, as somebody names it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Day {
    #[default]
    Today,
    Yesterday,
    On(NaiveDate),
}

/// Why there is no answer.
#[derive(Debug, thiserror::Error)]
pub enum NoAnswer {
    #[error(transparent)]
    Store(#[from] StoreError),
    #[error("there is no site {named}; the configuration has {known}")]
    Site { named: String, known: String },
    #[error("the site {site} has no group {named}; it has {known}")]
    Group { site: String, named: String, known: String },
    #[error("{day} has not come yet: at {site} it is {today}")]
    Future { site: String, day: NaiveDate, today: NaiveDate },
}

impl std::str::FromStr for Day {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        match text {
            "today" => Ok(Self::Today),
            "yesterday" => Ok(Self::Yesterday),
            _ => {
                text.parse().map(Self::On).map_err(|_| "write a date as 2027-05-12, or today, or yesterday".to_owned())
            }
        }
    }
}

/// What every site does now, or the one named.
///
/// # Errors
/// See [`NoAnswer`].
pub fn status(loaded: &Loaded, site: Option<&str>, form: Form, now: Stamp) -> Result<String, NoAnswer> {
    let settings = &loaded.settings;
    let one = site.map(|named| find(settings, named)).transpose()?;
    let reader = Reader::look(&loaded.store_path)?;
    let status = match one {
        Some(site) => status::read(&reader, settings, std::iter::once(site), true, now)?,
        None => status::read(&reader, settings, settings.sites.iter(), false, now)?,
    };
    Ok(match form {
        Form::Text(screen) => status::page(&status, screen),
        Form::Json => status::json(&status).to_string(),
    })
}

/// What was decided at `site` on a civil day and why, for all its groups or for one.
///
/// # Errors
/// See [`NoAnswer`].
pub fn why(
    loaded: &Loaded,
    site: &str,
    day: Day,
    group: Option<&str>,
    form: Form,
    now: Stamp,
) -> Result<String, NoAnswer> {
    let site = find(&loaded.settings, site)?;
    if let Some(named) = group.filter(|named| !site.groups.iter().any(|group| group.id == **named)) {
        let known = known(site.groups.iter().map(|group| group.id.as_str()));
        return Err(NoAnswer::Group { site: site.id.clone(), named: named.to_owned(), known });
    }
    let today = civil::date(site.zone, now);
    let day = match day {
        Day::Today => today,
        Day::Yesterday => today.checked_sub_days(Days::new(1)).unwrap_or(today),
        Day::On(day) => day,
    };
    if day > today {
        return Err(NoAnswer::Future { site: site.id.clone(), day, today });
    }
    let reader = Reader::look(&loaded.store_path)?;
    let past = why::read(&reader, &loaded.settings.prefix, site, day, group, now)?;
    Ok(match form {
        Form::Text(screen) => why::page(&past, screen),
        Form::Json => why::json(&past).to_string(),
    })
}

/// Which sites need somebody, by when, why, and what to bring.
///
/// # Errors
/// See [`NoAnswer`].
pub fn visits(loaded: &Loaded, wanted: Wanted, sheet: bool, form: Form, now: Stamp) -> Result<String, NoAnswer> {
    let reader = Reader::look(&loaded.store_path)?;
    let list = visits::read(&reader, &loaded.settings, wanted, now)?;
    Ok(match form {
        _ if sheet => visits::csv(&list),
        Form::Text(screen) => visits::page(&list, screen),
        Form::Json => visits::json(list),
    })
}

fn find<'a>(settings: &'a Settings, named: &str) -> Result<&'a SiteSettings, NoAnswer> {
    settings.sites.iter().find(|site| site.id == named).ok_or_else(|| NoAnswer::Site {
        named: named.to_owned(),
        known: known(settings.sites.iter().map(|site| site.id.as_str())),
    })
}

/// Width of a column for `labels`: the longest that is not very long.
fn column<'a>(labels: impl Iterator<Item = &'a str>) -> usize {
    labels.map(textwrap::core::display_width).filter(|width| *width <= WIDEST_COLUMN).max().unwrap_or(8)
}

const WIDEST_COLUMN: usize = 20;

/// A few names; a fleet is not listed.
fn known<'a>(names: impl ExactSizeIterator<Item = &'a str>) -> String {
    let more = names.len().saturating_sub(NAMED);
    let named = names.take(NAMED).collect::<Vec<_>>().join(", ");
    if more == 0 { named } else { format!("{named} and {more} more") }
}

const NAMED: usize = 20;
