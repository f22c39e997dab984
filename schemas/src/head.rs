//! What payloads share: the constant that names each payload and its version, and the short names of keys in maps.

use std::borrow::Cow;
use std::fmt;

use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::de::{self, Deserialize, Deserializer, Visitor};
use serde::ser::{Serialize, Serializer};

/// A key in a map of a payload, or a short code: mostly known at compile time, so it costs no allocation on the way out.
pub type Name = Cow<'static, str>;

/// What an id of a site, sensor, group, controller or subject looks like.
pub const ID_PATTERN: &str = "^[a-z0-9-]{1,64}$";

/// True for what [`ID_PATTERN`] describes: 1 to 64 of the characters a–z, 0–9 and hyphen.
pub fn is_id(text: &str) -> bool {
    (1..=64).contains(&text.len())
        && text.bytes().all(|byte| byte.is_ascii_lowercase() || byte.is_ascii_digit() || byte == b'-')
}

/// A type with one value: the constant in the key `schema` of one payload. A payload with another constant (another
/// payload, another version) is refused when it is read.
macro_rules! schema_constant {
    ($($(#[$doc:meta])* $name:ident = $text:literal;)+) => {$(
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
        pub struct $name;

        impl $name {
            /// The constant itself: the name of the payload and its version.
            pub const TEXT: &'static str = $text;
        }

        impl Serialize for $name {
            fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
                serializer.serialize_str(Self::TEXT)
            }
        }

        impl<'de> Deserialize<'de> for $name {
            fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
                deserializer.deserialize_str(Constant(Self::TEXT)).map(|()| Self)
            }
        }

        impl JsonSchema for $name {
            fn inline_schema() -> bool {
                true
            }

            fn schema_name() -> Cow<'static, str> {
                Cow::Borrowed(stringify!($name))
            }

            fn json_schema(_: &mut SchemaGenerator) -> Schema {
                json_schema!({ "type": "string", "const": $text })
            }
        }
    )+};
}

schema_constant! {
    /// Names a [`crate::Decision`].
    DecisionSchema = "thirst/decision/1";
    /// Names an [`crate::Instruction`].
    InstructionSchema = "thirst/instruction/1";
    /// Names a [`crate::Fallback`].
    FallbackSchema = "thirst/fallback/1";
    /// Names [`crate::Totals`].
    TotalsSchema = "thirst/totals/1";
    /// Names a [`crate::SensorStatus`].
    SensorSchema = "thirst/sensor/1";
    /// Names an [`crate::Alert`].
    AlertSchema = "thirst/alert/1";
    /// Names a [`crate::Command`].
    CommandSchema = "thirst/command/1";
    /// Names a [`crate::CommandResult`].
    ResultSchema = "thirst/result/1";
    /// Names a [`crate::Report`].
    ReportSchema = "thirst/report/1";
    /// Names a [`crate::DaemonStatus`].
    DaemonSchema = "thirst/daemon/1";
    /// Names [`crate::Visits`].
    VisitsSchema = "thirst/visits/1";
}

/// Accepts one text and nothing else.
struct Constant(&'static str);

impl Visitor<'_> for Constant {
    type Value = ();

    fn expecting(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(formatter, "the text \"{}\"", self.0)
    }

    fn visit_str<E: de::Error>(self, text: &str) -> Result<(), E> {
        if text == self.0 { Ok(()) } else { Err(E::invalid_value(de::Unexpected::Str(text), &self)) }
    }
}
