//! What could not be read, why, and what to do about it.

use crate::engine::reading::Quantity;

/// A field that gave no reading.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Loss<'f> {
    /// The key of the field in the feed; empty when it concerns the message.
    pub key: &'f str,
    pub quantity: Option<Quantity>,
    pub cause: LossCause,
    /// What the payload had there: at most 60 characters, without control characters.
    pub seen: String,
}

/// A message that gave nothing at all.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct MessageLoss {
    pub cause: LossCause,
    /// The part of the payload or topic that shows it: at most 60 characters, without control characters.
    pub seen: String,
}

/// Why something could not be read.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum LossCause {
    /// Zero bytes: somebody cleared a retained value. It says nothing about the sensor.
    Empty,
    /// Only white space or NULs.
    Blank,
    TooLarge,
    NotText,
    NotJson,
    NotSenml,
    NewerSenml,
    UnlistedField,
    FieldMissing,
    Null,
    NotANumber,
    Word,
    Hex,
    AmbiguousNumber,
    UnitMissing,
    UnitMismatch,
    UnitUnfit,
    Sentinel,
    NotFinite,
    NotWhole,
    NotZeroOrOne,
    NotPercent,
}

impl LossCause {
    pub const ALL: [Self; 22] = [
        Self::Empty,
        Self::Blank,
        Self::TooLarge,
        Self::NotText,
        Self::NotJson,
        Self::NotSenml,
        Self::NewerSenml,
        Self::UnlistedField,
        Self::FieldMissing,
        Self::Null,
        Self::NotANumber,
        Self::Word,
        Self::Hex,
        Self::AmbiguousNumber,
        Self::UnitMissing,
        Self::UnitMismatch,
        Self::UnitUnfit,
        Self::Sentinel,
        Self::NotFinite,
        Self::NotWhole,
        Self::NotZeroOrOne,
        Self::NotPercent,
    ];

    /// The label in metrics and history.
    pub fn name(self) -> &'static str {
        match self {
            Self::Empty => "empty",
            Self::Blank => "blank",
            Self::TooLarge => "too_large",
            Self::NotText => "not_text",
            Self::NotJson => "not_json",
            Self::NotSenml => "not_senml",
            Self::NewerSenml => "newer_senml",
            Self::UnlistedField => "unlisted_field",
            Self::FieldMissing => "field_missing",
            Self::Null => "null",
            Self::NotANumber => "not_a_number",
            Self::Word => "word",
            Self::Hex => "hex",
            Self::AmbiguousNumber => "ambiguous_number",
            Self::UnitMissing => "unit_missing",
            Self::UnitMismatch => "unit_mismatch",
            Self::UnitUnfit => "unit_unfit",
            Self::Sentinel => "sentinel",
            Self::NotFinite => "not_finite",
            Self::NotWhole => "not_whole",
            Self::NotZeroOrOne => "not_zero_or_one",
            Self::NotPercent => "not_percent",
        }
    }

    /// What is the matter, in plain words.
    pub fn text(self) -> &'static str {
        match self {
            Self::Empty => "the payload is empty",
            Self::Blank => "there is only white space",
            Self::TooLarge => "the payload is larger than the feed allows",
            Self::NotText => "the payload is not UTF-8 text",
            Self::NotJson => "the payload is not valid JSON",
            Self::NotSenml => "the payload is no SenML pack: a pack is an array of records",
            Self::NewerSenml => "the SenML pack has a version or a label that must be understood and is not known here",
            Self::UnlistedField => "the feed lists no field of that name",
            Self::FieldMissing => "the message has none of the feed's fields",
            Self::Null => "the sensor sent no value",
            Self::NotANumber => "it is not a number",
            Self::Word => "it is a word, not a number",
            Self::Hex => "it is a hexadecimal number",
            Self::AmbiguousNumber => "the comma or dot can be read in two ways",
            Self::UnitMissing => "neither the record nor the feed says its unit",
            Self::UnitMismatch => "it carries another unit than the feed says",
            Self::UnitUnfit => "the feed's unit cannot measure this quantity",
            Self::Sentinel => "it is a fault code, not a reading",
            Self::NotFinite => "it is not a finite number",
            Self::NotWhole => "it is not a whole number",
            Self::NotZeroOrOne => "a battery state is 0 or 1",
            Self::NotPercent => "a battery level is 0 to 100 %",
        }
    }

    /// What to do about it.
    pub fn advice(self) -> &'static str {
        match self {
            Self::Empty => "nothing, if a retained value was cleared on purpose",
            Self::Blank => "look at what the sensor or its bridge publishes",
            Self::TooLarge => "make the topic template narrower, or raise max_payload_bytes of the feed",
            Self::NotText => "make the topic template narrower, or have the bridge publish plain text",
            Self::NotJson => {
                "a cut message points to a small buffer in the sensor; else set the feed's format to value"
            }
            Self::NotSenml => "set the feed's format to json if it is an object",
            Self::NewerSenml => "have the sensor send SenML of RFC 8428, version 10",
            Self::UnlistedField => "add a field of that name to the feed if it is wanted",
            Self::FieldMissing => "compare the field keys of the feed with the payload; keys are case-sensitive",
            Self::Null | Self::NotFinite => "check the probe and its wiring if it persists",
            Self::NotANumber => "check the field key; list the text as a sentinel if it is meant to say no reading",
            Self::Word => "nothing if the sensor says that it has no reading; else check the field key",
            Self::Hex => "have the sensor or its bridge publish decimal numbers",
            Self::AmbiguousNumber => "set decimal_comma for the feed if the comma is the decimal sign",
            Self::UnitMissing => "set the unit of the field",
            Self::UnitMismatch => "set the unit of the field to the one that the sensor sends, or correct its quantity",
            Self::UnitUnfit => "set a unit of the field that fits its quantity",
            Self::Sentinel => "check the probe and its wiring; if it is a true value, set default_sentinels = false",
            Self::NotWhole => "check the field key; a sequence number counts whole messages",
            Self::NotZeroOrOne => "use the quantity battery_level or battery_voltage if it is a measure",
            Self::NotPercent => {
                "set the scale of the field (0.5 for half percent), or the quantity battery_voltage if these are volts"
            }
        }
    }
}

/// At most 60 characters of `text`, with control and invisible characters replaced, for logs and pages.
pub fn excerpt(text: &str) -> String {
    let mut characters = text.chars().map(|character| if is_hidden(character) { '·' } else { character });
    let mut short: String = characters.by_ref().take(LONGEST_EXCERPT).collect();
    if characters.next().is_some() {
        short.pop();
        short.push('…');
    }
    short
}

/// [`excerpt`] of bytes that need not be text.
pub fn excerpt_bytes(bytes: &[u8]) -> String {
    // A character has at most four bytes, so no more than this can be shown.
    let head = bytes.get(..bytes.len().min(4 * (LONGEST_EXCERPT + 1))).unwrap_or_default();
    excerpt(&String::from_utf8_lossy(head))
}

/// Controls, and what would reorder or hide the text around it on a terminal or page.
fn is_hidden(character: char) -> bool {
    character.is_control()
        || matches!(character, '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2060}'..='\u{206f}' | '\u{feff}')
}

const LONGEST_EXCERPT: usize = 60;
