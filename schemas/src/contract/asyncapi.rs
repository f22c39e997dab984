//! The AsyncAPI 3.0 document: every topic, who sends on it, what stands in its messages.

use serde_json::{Map, Value, json};

use crate::alert::AlertKind;
use crate::topics::DEFAULT_PREFIX;

use super::PAYLOADS;

/// The document. Its references to `./json/` are relative to the file `asyncapi.yaml`.
pub fn document() -> Value {
    let mut channels = Map::new();
    let mut operations = Map::new();
    for channel in CHANNELS {
        channels.insert(channel.name.to_owned(), channel.object());
        operations.insert(channel.operation_name(), channel.operation());
    }
    json!({
        "asyncapi": "3.0.0",
        "info": {
            "title": "thirstd",
            "version": "1.0.0",
            "description": DESCRIPTION,
            "license": { "name": "MIT OR Apache-2.0" },
        },
        "defaultContentType": "application/json",
        "servers": {
            "broker": {
                "host": "localhost:1883",
                "protocol": "mqtt",
                "protocolVersion": "3.1.1",
                "description": "The broker of the property or of the fleet. With TLS usually on port 8883.",
            },
        },
        "channels": channels,
        "operations": operations,
        "components": {
            "messages": messages(),
            "parameters": parameters(),
        },
    })
}

/// One topic.
struct Channel {
    /// Its name in the document.
    name: &'static str,
    /// Its levels below the prefix.
    levels: &'static str,
    /// Name of the payload.
    message: &'static str,
    /// Whether the broker keeps the last message.
    retained: bool,
    /// One line.
    title: &'static str,
    /// What a user of the topic must know, beyond the payload's own description.
    description: &'static str,
}

impl Channel {
    fn object(&self) -> Value {
        let mut object = json!({
            "address": format!("{DEFAULT_PREFIX}/{}", self.levels),
            "title": self.title,
            "description": self.description,
            "messages": { self.message: { "$ref": format!("#/components/messages/{}", self.message) } },
        });
        let names = self.levels.split('/').filter_map(|level| level.strip_prefix('{')?.strip_suffix('}'));
        let parameters: Map<String, Value> =
            names.map(|name| (name.to_owned(), json!({ "$ref": format!("#/components/parameters/{name}") }))).collect();
        if let Some(fields) = object.as_object_mut().filter(|_| !parameters.is_empty()) {
            fields.insert("parameters".to_owned(), Value::Object(parameters));
        }
        object
    }

    fn inbound(&self) -> bool {
        PAYLOADS.iter().any(|payload| payload.name == self.message && payload.inbound)
    }

    fn operation_name(&self) -> String {
        let (first, rest) = self.name.split_at(1);
        format!("{}{}{rest}", if self.inbound() { "receive" } else { "send" }, first.to_uppercase())
    }

    /// The operation from the daemon's point of view.
    fn operation(&self) -> Value {
        let mut operation = json!({
            "action": if self.inbound() { "receive" } else { "send" },
            "channel": { "$ref": format!("#/channels/{}", self.name) },
            "summary": self.title,
            "messages": [{ "$ref": format!("#/channels/{}/messages/{}", self.name, self.message) }],
            "bindings": { "mqtt": { "qos": 1, "retain": self.retained, "bindingVersion": "0.2.0" } },
        });
        if let Some(fields) = operation.as_object_mut().filter(|_| self.message == "command") {
            fields.insert(
                "reply".to_owned(),
                json!({
                    "channel": { "$ref": "#/channels/result" },
                    "messages": [{ "$ref": "#/channels/result/messages/result" }],
                }),
            );
        }
        operation
    }
}

fn messages() -> Value {
    let messages: Map<String, Value> = PAYLOADS
        .iter()
        .map(|payload| {
            let schema = payload.json_schema();
            let message = json!({
                "name": payload.name,
                "title": schema.get("title"),
                "summary": format!(
                    "Payload {}. Complete examples are in the folder examples, in files that begin with {}.",
                    payload.schema_text, payload.name
                ),
                "contentType": "application/json",
                "payload": { "$ref": format!("./json/{}.schema.json", payload.name) },
            });
            (payload.name.to_owned(), message)
        })
        .collect();
    Value::Object(messages)
}

fn parameters() -> Value {
    let kinds: Vec<&str> = AlertKind::ALL.iter().map(|kind| kind.name()).collect();
    json!({
        "instance": { "description": "Id of a daemon: 1 to 64 of the characters a-z, 0-9 and hyphen." },
        "site": { "description": "Id of a site: 1 to 64 of the characters a-z, 0-9 and hyphen." },
        "group": { "description": "Id of a group of the site: zones that a controller scales together." },
        "controller": { "description": "Id of a controller of the site." },
        "sensor": { "description": "Id of a sensor of the site." },
        "kind": { "description": "What the alert is about.", "enum": kinds },
        "subject": {
            "description": "Id of the sensor, group, controller, feed or gateway that the alert is about.",
        },
    })
}

const DESCRIPTION: &str = "thirstd reads weather sensors at irrigated properties, keeps the water account of each site \
    and publishes whether and how much to water, with the reasons. Not for life safety, fire protection or \
    frost-protection sprinkling, which needs water exactly when thirstd holds. Local watering rules, codes and licensed \
    practice come first. Holding in frost is best effort. The first levels of each topic, thirst/v1, are the default of \
    a setting. Payloads are JSON; optional values are absent, never null; times are RFC 3339 in UTC. Retained payloads \
    are state: all of them are sent again, byte for byte the same, when the daemon starts or has lost its session. \
    Ignore a payload whose pair (epoch, sequence) is lower than the last one followed. Keys may be added to payloads \
    that the daemon sends: ignore those that you do not know. Operations are told from the daemon's point of view.";

const CHANNELS: &[Channel] = &[
    Channel {
        name: "daemon",
        levels: "daemon/{instance}",
        message: "daemon",
        retained: true,
        title: "Whether a daemon is there",
        description: "Also the daemon's will: the broker publishes `offline` when the daemon is gone. Then bridges \
                      follow the fallback of their site.",
    },
    Channel {
        name: "daemonAlert",
        levels: "daemon/{instance}/alert/{kind}/{subject}",
        message: "alert",
        retained: true,
        title: "An alert of the daemon itself",
        description: "Store, disk, broker, certificate, configuration. Retained while open; when it closes, a last \
                      message and then an empty payload, which clears the topic.",
    },
    Channel {
        name: "decision",
        levels: "site/{site}/decision/{group}",
        message: "decision",
        retained: true,
        title: "Hold or scale, for one group",
        description: "For dashboards and for bridges that make up their own instruction. Past `valid_until` it says \
                      nothing any more: follow the fallback.",
    },
    Channel {
        name: "instruction",
        levels: "site/{site}/instruction/{controller}",
        message: "instruction",
        retained: true,
        title: "What one controller shall do",
        description: "The decisions of its groups in the one shape that the controller can take. Report the pair \
                      (epoch, sequence) in force back within 5 minutes. Past `valid_until` follow the fallback.",
    },
    Channel {
        name: "fallback",
        levels: "site/{site}/fallback",
        message: "fallback",
        retained: true,
        title: "What to do without a valid instruction",
        description: "Keep it in the bridge. A contact lets water run, except in the frost months, where it stays held \
                      and alerts. Holding in frost is best effort.",
    },
    Channel {
        name: "totals",
        levels: "site/{site}/totals",
        message: "totals",
        retained: true,
        title: "The water figures of the day",
        description: "Reference evapotranspiration, rain and water owed of the present civil day.",
    },
    Channel {
        name: "sensor",
        levels: "site/{site}/sensor/{sensor}",
        message: "sensor",
        retained: true,
        title: "The health of one sensor",
        description: "Link, battery, last values, what was flagged and what was lost.",
    },
    Channel {
        name: "alert",
        levels: "site/{site}/alert/{kind}/{subject}",
        message: "alert",
        retained: true,
        title: "An alert of a site",
        description: "Retained while open; when it closes, a last message and then an empty payload, which clears the \
                      topic. Not for life safety.",
    },
    Channel {
        name: "command",
        levels: "site/{site}/command",
        message: "command",
        retained: false,
        title: "What somebody asks of a site",
        description: "Publish without the retain flag. Each command is answered on the topic `result` of the site. \
                      Give the right to publish here to those only who may open and close the water.",
    },
    Channel {
        name: "result",
        levels: "site/{site}/result",
        message: "result",
        retained: false,
        title: "The answer to a command",
        description: "Its `id` is that of the command.",
    },
    Channel {
        name: "report",
        levels: "site/{site}/report/{controller}",
        message: "report",
        retained: false,
        title: "What a bridge says about its controller",
        description: "Publish without the retain flag: what is in force, what ran, what flows.",
    },
    Channel {
        name: "visits",
        levels: "visits",
        message: "visits",
        retained: true,
        title: "The visit list over all sites",
        description: "Which sites need somebody, by when, and what to bring. It is published whole.",
    },
];
