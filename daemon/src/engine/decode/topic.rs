//! Topic templates: which topics a feed listens to, and which levels name the site, the sensor and the field.

use std::fmt;

use thiserror::Error;

/// A topic pattern such as `yard/{site}/{sensor}/state`.
///
/// A level is literal text, a capture (`{site}`, `{sensor}`, `{field}`; each at most once), or `+` for any one level.
/// The last level may be `#` for any number of further levels. Matching follows MQTT 3.1.1 section 4.7: empty levels
/// count, `a/#` includes `a`, and a wildcard in the first level does not match a topic that starts with `$`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TopicTemplate {
    text: String,
    filter: String,
    levels: Vec<Level>,
}

/// What a topic said about itself; the text is borrowed from the topic.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Captures<'t> {
    pub site: Option<&'t str>,
    pub sensor: Option<&'t str>,
    pub field: Option<&'t str>,
}

/// A level of a template that a capture fills.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Capture {
    Site,
    Sensor,
    Field,
}

/// Where a topic first departs from a template.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Mismatch<'a> {
    /// Level number, from 1.
    pub level: usize,
    /// What the template has there; `None` when it has no more levels.
    pub expected: Option<String>,
    /// What the topic has there; `None` when it has no more levels.
    pub found: Option<&'a str>,
}

/// Why a text is no topic template, and what to write instead.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum TemplateError {
    #[error("the topic template is empty; write for example `yard/{{site}}/{{sensor}}/state`")]
    Empty,
    #[error("the topic template has {0} bytes; MQTT allows 65535")]
    TooLong(usize),
    #[error("the topic template contains a NUL character; remove it")]
    Nul,
    #[error("level {level} `#` must be the last one; write `+` for a single level")]
    HashNotLast { level: usize },
    #[error("level {level} `{text}` mixes a wildcard with text; `+` or `#` must be the whole level")]
    PartialWildcard { level: usize, text: String },
    #[error(
        "level {level} `{text}` mixes a capture with text; a capture must be the whole level, as in `a/{{site}}/b`"
    )]
    PartialCapture { level: usize, text: String },
    #[error("level {level} `{text}` is no capture; write `{{site}}`, `{{sensor}}`, `{{field}}` or `+`")]
    UnknownCapture { level: usize, text: String },
    #[error("level {level} repeats `{text}`; keep one and write `+` for the other")]
    RepeatedCapture { level: usize, text: String },
    #[error("`$share` makes a shared subscription, which a feed cannot use; write the topic without `$share/GROUP/`")]
    Shared,
}

#[derive(Clone, Debug, PartialEq, Eq)]
enum Level {
    Literal(String),
    Capture(Capture),
    Any,
    Rest,
}

impl TopicTemplate {
    /// Reads a template.
    ///
    /// # Errors
    /// When a level is none of the allowed forms; the text says which level and what to write.
    pub fn parse(text: &str) -> Result<Self, TemplateError> {
        if text.is_empty() {
            return Err(TemplateError::Empty);
        }
        if text.len() > LONGEST_TOPIC_BYTES {
            return Err(TemplateError::TooLong(text.len()));
        }
        if text.contains('\0') {
            return Err(TemplateError::Nul);
        }
        if text == "$share" || text.starts_with("$share/") {
            return Err(TemplateError::Shared);
        }
        let count = text.split('/').count();
        let mut levels: Vec<Level> = Vec::with_capacity(count);
        for (level, part) in (1..).zip(text.split('/')) {
            let parsed = Level::parse(level, part, level == count)?;
            if matches!(parsed, Level::Capture(_)) && levels.contains(&parsed) {
                return Err(TemplateError::RepeatedCapture { level, text: part.into() });
            }
            levels.push(parsed);
        }
        let filter = levels.iter().map(Level::filter).collect::<Vec<_>>().join("/");
        Ok(Self { text: text.into(), filter, levels })
    }

    /// The MQTT subscription filter that delivers every topic this template matches.
    pub fn filter(&self) -> &str {
        &self.filter
    }

    /// The template as it was written.
    pub fn text(&self) -> &str {
        &self.text
    }

    /// True when some level is that capture.
    pub fn has(&self, capture: Capture) -> bool {
        self.levels.contains(&Level::Capture(capture))
    }

    /// What `topic` says, or `None` when it does not match.
    pub fn capture<'t>(&self, topic: &'t str) -> Option<Captures<'t>> {
        let mut captures = Captures::default();
        let mut parts = topic.split('/');
        for (index, level) in self.levels.iter().enumerate() {
            if matches!(level, Level::Rest) {
                return (index > 0 || !topic.starts_with('$')).then_some(captures);
            }
            let part = parts.next()?;
            if !level.matches(index, part) {
                return None;
            }
            if let Level::Capture(capture) = level {
                let slot = match capture {
                    Capture::Site => &mut captures.site,
                    Capture::Sensor => &mut captures.sensor,
                    Capture::Field => &mut captures.field,
                };
                *slot = Some(part);
            }
        }
        parts.next().is_none().then_some(captures)
    }

    /// True when some topic could match both templates.
    pub fn overlaps(&self, other: &Self) -> bool {
        for index in 0.. {
            match (self.levels.get(index), other.levels.get(index)) {
                (None, None) => return true,
                (Some(Level::Rest), None) | (None, Some(Level::Rest)) => return true,
                (None, Some(_)) | (Some(_), None) => return false,
                (Some(Level::Rest), Some(level)) | (Some(level), Some(Level::Rest)) => {
                    return index > 0 || !level.starts_with_dollar();
                }
                (Some(Level::Literal(ours)), Some(level)) | (Some(level), Some(Level::Literal(ours))) => {
                    if !level.matches(index, ours) {
                        return false;
                    }
                }
                (Some(_), Some(_)) => {}
            }
        }
        false
    }

    /// Where `topic` first departs from this template; `None` when it matches.
    pub fn mismatch<'t>(&self, topic: &'t str) -> Option<Mismatch<'t>> {
        let mut parts = topic.split('/');
        for (index, level) in self.levels.iter().enumerate() {
            if matches!(level, Level::Rest) && index > 0 {
                return None;
            }
            let part = parts.next();
            if !part.is_some_and(|part| level.matches(index, part)) {
                return Some(Mismatch { level: index + 1, expected: Some(level.to_string()), found: part });
            }
            if matches!(level, Level::Rest) {
                return None;
            }
        }
        let part = parts.next()?;
        Some(Mismatch { level: self.levels.len() + 1, expected: None, found: Some(part) })
    }

    /// How many levels agree with the topic, level by level: the higher, the nearer.
    pub fn likeness(&self, topic: &str) -> usize {
        let agree = |(index, (level, part)): (usize, (&Level, &str))| usize::from(level.matches(index, part));
        self.levels.iter().zip(topic.split('/')).enumerate().map(agree).sum()
    }
}

impl fmt::Display for TopicTemplate {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.write_str(&self.text)
    }
}

impl Level {
    fn parse(level: usize, part: &str, last: bool) -> Result<Self, TemplateError> {
        let text = || part.to_owned();
        match part {
            "+" => Ok(Self::Any),
            "#" if last => Ok(Self::Rest),
            "#" => Err(TemplateError::HashNotLast { level }),
            "{site}" => Ok(Self::Capture(Capture::Site)),
            "{sensor}" => Ok(Self::Capture(Capture::Sensor)),
            "{field}" => Ok(Self::Capture(Capture::Field)),
            _ if part.contains(['{', '}']) => {
                let inner = part.strip_prefix('{').and_then(|rest| rest.strip_suffix('}'));
                match inner {
                    Some(inner) if !inner.contains(['{', '}']) => {
                        Err(TemplateError::UnknownCapture { level, text: text() })
                    }
                    _ => Err(TemplateError::PartialCapture { level, text: text() }),
                }
            }
            _ if part.contains(['+', '#']) => Err(TemplateError::PartialWildcard { level, text: text() }),
            _ => Ok(Self::Literal(text())),
        }
    }

    fn filter(&self) -> &str {
        match self {
            Self::Literal(text) => text,
            Self::Capture(_) | Self::Any => "+",
            Self::Rest => "#",
        }
    }

    /// Whether `part`, at that index of a topic, fits this level.
    fn matches(&self, index: usize, part: &str) -> bool {
        match self {
            Self::Literal(text) => text == part,
            Self::Capture(_) | Self::Any | Self::Rest => index > 0 || !part.starts_with('$'),
        }
    }

    fn starts_with_dollar(&self) -> bool {
        matches!(self, Self::Literal(text) if text.starts_with('$'))
    }
}

impl fmt::Display for Level {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.write_str(match self {
            Self::Literal(text) => text,
            Self::Capture(Capture::Site) => "{site}",
            Self::Capture(Capture::Sensor) => "{sensor}",
            Self::Capture(Capture::Field) => "{field}",
            Self::Any => "+",
            Self::Rest => "#",
        })
    }
}

/// MQTT 3.1.1 section 4.7.3: topic names and filters are at most 65535 bytes.
const LONGEST_TOPIC_BYTES: usize = 65_535;

#[cfg(test)]
mod tests;
