//! A JSON object of scalars, as most sensors send: read without a tree. What is not that simple is left to [`super::payload`].

use std::fmt;

use serde::de::{Deserialize, Deserializer, MapAccess, Unexpected, Visitor};
use serde_json::{Number, Value};

use super::lenient;
use super::payload::Raw;

/// The members of an object in their order, names and texts as they stand in the payload.
#[derive(Clone, Debug, PartialEq)]
pub struct Flat<'p>(Vec<(&'p str, Scalar<'p>)>);

#[derive(Clone, Debug, PartialEq)]
enum Scalar<'p> {
    Null,
    Truth(bool),
    Number(Number),
    Text(&'p str),
}

impl<'p> Flat<'p> {
    /// `None` for everything but a valid object of at most [`MOST_MEMBERS`] scalars without escapes.
    pub fn parse(payload: &'p [u8]) -> Option<Self> {
        let text = std::str::from_utf8(payload).ok()?;
        serde_json::from_str(lenient::trimmed(text)).ok()
    }

    /// The value at a JSON Pointer (RFC 6901 section 4) that is not the empty one. Of members of one name the last counts, as
    /// in `serde_json::Value`.
    pub fn at(&self, pointer: &str) -> Option<Raw<'_>> {
        let token = pointer.strip_prefix('/')?;
        // Below a scalar there is nothing.
        if token.contains('/') {
            return None;
        }
        let value = match token.contains('~') {
            true => self.member(&token.replace("~1", "/").replace("~0", "~")),
            false => self.member(token),
        };
        value.map(|scalar| match scalar {
            Scalar::Null => Raw::Null,
            Scalar::Truth(truth) => Raw::Truth(*truth),
            Scalar::Number(number) => Raw::Number(number),
            Scalar::Text(text) => Raw::Text(lenient::trimmed(text)),
        })
    }

    /// The names in their alphabetic order, each once.
    pub fn names(&self) -> Vec<&'p str> {
        let mut names: Vec<&str> = self.0.iter().map(|(name, _)| *name).collect();
        names.sort_unstable();
        names.dedup();
        names
    }

    fn member(&self, name: &str) -> Option<&Scalar<'p>> {
        self.0.iter().rev().find(|(known, _)| *known == name).map(|(_, scalar)| scalar)
    }
}

impl<'de> Deserialize<'de> for Flat<'de> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        deserializer.deserialize_map(Members)
    }
}

struct Members;

impl<'de> Visitor<'de> for Members {
    type Value = Flat<'de>;

    fn expecting(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.write_str("an object of scalars")
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Self::Value, A::Error> {
        let mut members = Vec::with_capacity(USUAL_MEMBERS);
        while let Some(member) = map.next_entry::<&'de str, Scalar<'de>>()? {
            // Members are looked through one by one.
            if members.len() >= MOST_MEMBERS {
                return Err(serde::de::Error::invalid_length(members.len(), &self));
            }
            members.push(member);
        }
        Ok(Flat(members))
    }
}

impl<'de> Deserialize<'de> for Scalar<'de> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        deserializer.deserialize_any(Single)
    }
}

struct Single;

impl<'de> Visitor<'de> for Single {
    type Value = Scalar<'de>;

    fn expecting(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.write_str("a scalar without escapes")
    }

    fn visit_unit<E>(self) -> Result<Self::Value, E> {
        Ok(Scalar::Null)
    }

    fn visit_bool<E>(self, truth: bool) -> Result<Self::Value, E> {
        Ok(Scalar::Truth(truth))
    }

    fn visit_i64<E>(self, number: i64) -> Result<Self::Value, E> {
        Ok(Scalar::Number(number.into()))
    }

    fn visit_u64<E>(self, number: u64) -> Result<Self::Value, E> {
        Ok(Scalar::Number(number.into()))
    }

    fn visit_f64<E: serde::de::Error>(self, number: f64) -> Result<Self::Value, E> {
        let kept = Number::from_f64(number).map(Scalar::Number);
        kept.ok_or_else(|| E::invalid_value(Unexpected::Float(number), &self))
    }

    fn visit_borrowed_str<E>(self, text: &'de str) -> Result<Self::Value, E> {
        Ok(Scalar::Text(text))
    }
}

/// The same as a tree, for whoever wants it whole.
impl From<&Flat<'_>> for Value {
    fn from(flat: &Flat<'_>) -> Self {
        let value = |scalar: &Scalar<'_>| match scalar {
            Scalar::Null => Value::Null,
            Scalar::Truth(truth) => Value::Bool(*truth),
            Scalar::Number(number) => Value::Number(number.clone()),
            Scalar::Text(text) => Value::String((*text).to_owned()),
        };
        Value::Object(flat.0.iter().map(|(name, scalar)| ((*name).to_owned(), value(scalar))).collect())
    }
}

const USUAL_MEMBERS: usize = 12;

/// Beyond this the tree is quicker.
const MOST_MEMBERS: usize = 64;

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn check(text: &str) {
        let tree: Result<Value, _> = serde_json::from_str(lenient::trimmed(text));
        match (Flat::parse(text.as_bytes()), tree) {
            (Some(flat), Ok(tree)) => {
                assert_eq!(Value::from(&flat), tree, "{text}");
                let Value::Object(members) = &tree else { panic!("{text}") };
                assert_eq!(flat.names(), members.keys().map(String::as_str).collect::<Vec<_>>());
                for (name, value) in members {
                    let pointer = format!("/{}", name.replace('~', "~0").replace('/', "~1"));
                    assert_eq!(flat.at(&pointer), Some(Raw::of(value)), "{text} {pointer}");
                    assert_eq!(flat.at(&format!("{pointer}/0")), None);
                }
                assert_eq!(flat.at("/no such name"), None);
                assert_eq!(flat.at("name"), None, "no pointer");
            }
            (Some(flat), Err(fault)) => panic!("{text} is {flat:?}, but {fault}"),
            (None, _) => {}
        }
    }

    #[test]
    fn what_is_read_is_what_the_tree_has() {
        for text in [
            r#"{"temp_c":21.5,"rh":40,"ok":true,"low":false,"none":null,"name":" mast "}"#,
            "\u{feff} {\"a\" : -1e-7 , \"b\":18446744073709551615,\"c\":-9223372036854775808}\0",
            r#"{"a":1,"a":2,"b~c":3,"d/e":4,"":5}"#,
            "{}",
        ] {
            assert!(Flat::parse(text.as_bytes()).is_some(), "{text}");
            check(text);
        }
    }

    #[test]
    fn what_is_not_flat_or_not_valid_is_left_to_the_tree() {
        let many = format!("{{{}\"z\":1}}", (0..MOST_MEMBERS).map(|n| format!("\"{n}\":1,")).collect::<String>());
        for text in [
            r#"{"a":{"b":1}}"#,
            r#"{"a":[1]}"#,
            r#"{"a\u0062":1}"#,
            r#"{"a":"x\n"}"#,
            r#"{"a":1} 2"#,
            r#"{"a":NaN}"#,
            r#"{"a":1e400}"#,
            r#"{"a":1"#,
            "[1]",
            "12",
            "",
            &many,
        ] {
            assert_eq!(Flat::parse(text.as_bytes()), None, "{text}");
        }
        assert_eq!(Flat::parse(b"{\"a\":\"\xff\"}"), None);
    }

    proptest! {
        #[test]
        fn any_number_is_the_number_of_the_tree(number in "-?[0-9]{1,20}(\\.[0-9]{1,20})?([eE][+-]?[0-9]{1,3})?", bits in any::<u64>()) {
            check(&format!("{{\"a\":{number},\"b\":{}}}", f64::from_bits(bits)));
        }

        #[test]
        fn any_bytes_give_the_tree_or_nothing(text in "\\{?[\\[\\]{}:,\"a-c0-9.~/ \\\\-]{0,40}\\}?") {
            check(&text);
        }
    }
}
