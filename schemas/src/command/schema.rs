//! The JSON Schema of a command: one closed object per verb.

use std::borrow::Cow;

use chrono::{DateTime, Utc};
use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::Serialize;
use serde_json::{Value, json};

use super::{
    AcknowledgeOrder, AdoptOrder, Command, HoldOrder, RainOrder, ReleaseOrder, SeasonOrder, ServiceOrder, VerbName,
};
use crate::head::CommandSchema;

impl JsonSchema for Command {
    fn schema_name() -> Cow<'static, str> {
        Cow::Borrowed("Command")
    }

    fn json_schema(generator: &mut SchemaGenerator) -> Schema {
        let verbs = [
            verb::<HoldOrder>(generator, VerbName::Hold),
            verb::<ReleaseOrder>(generator, VerbName::Release),
            verb::<ServiceOrder>(generator, VerbName::Service),
            verb::<RainOrder>(generator, VerbName::ConfirmRain),
            verb::<RainOrder>(generator, VerbName::DiscardRain),
            verb::<AdoptOrder>(generator, VerbName::Adopt),
            verb::<AcknowledgeOrder>(generator, VerbName::Acknowledge),
            verb::<SeasonOrder>(generator, VerbName::Season),
        ];
        json_schema!({
            "type": "object",
            "description": DESCRIPTION,
            "oneOf": verbs,
        })
    }
}

/// The keys that stand in every command.
#[derive(Serialize, JsonSchema)]
struct Envelope {
    /// May be left out.
    #[serde(skip_serializing_if = "Option::is_none")]
    schema: Option<CommandSchema>,
    /// Names this command, chosen by its sender and never used twice.
    #[schemars(regex(pattern = "^[A-Za-z0-9_.-]{1,64}$"))]
    id: String,
    /// Who asks, as it shall stand in the record: 1 to 64 characters, none of them a control character.
    #[schemars(
        length(min = 1, max = 64),
        regex(pattern = r"^[^\x00-\x1f\x7f-\x9f]*[^\s\x00-\x1f\x7f-\x9f][^\x00-\x1f\x7f-\x9f]*$")
    )]
    who: String,
    /// After this moment the command is not carried out, UTC.
    #[serde(skip_serializing_if = "Option::is_none")]
    expires_at: Option<DateTime<Utc>>,
}

/// The object of one verb: the envelope, the verb and the keys of its order, and nothing else.
fn verb<Order: JsonSchema>(generator: &mut SchemaGenerator, name: VerbName) -> Value {
    let envelope = Envelope::json_schema(generator).to_value();
    let mut object = Order::json_schema(generator).to_value();
    let mut properties = envelope.get("properties").and_then(Value::as_object).cloned().unwrap_or_default();
    properties.insert("verb".to_owned(), json!({ "type": "string", "const": name, "description": "What to do." }));
    let mut required = vec![json!("id"), json!("who"), json!("verb")];
    if let Some(fields) = object.as_object_mut() {
        if let Some(Value::Object(own)) = fields.remove("properties") {
            properties.extend(own);
        }
        if let Some(Value::Array(own)) = fields.remove("required") {
            required.extend(own);
        }
        fields.insert("title".to_owned(), json!(name));
        fields.insert("properties".to_owned(), Value::Object(properties));
        fields.insert("required".to_owned(), Value::Array(required));
    }
    object
}

const DESCRIPTION: &str = "What a person or another program asks of a site. Not retained: a retained command is \
    refused. One object, at most 4096 bytes: `id`, `who`, `verb` and the keys of that verb. A key that is not named \
    here is refused. Sending the same `id` again does nothing and is answered with `repeated`. Not for life safety, \
    fire protection or frost-protection sprinkling; local watering rules, codes and licensed practice come first.";
