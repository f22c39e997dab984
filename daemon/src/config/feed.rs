//! `[[feeds]]`: which topics carry readings, and how each field becomes a quantity.

use super::spot::Spot;
use super::table::Table;
use super::tree::quoted;
use super::zone;
use crate::engine::decode::{
    Capture, FeedSettings, Field, Format, Part, Sentinel, TemplateError, TimeField, TimeFormat, TopicTemplate, senml,
    settings,
};
use crate::engine::reading::Quantity;
use crate::engine::units::Unit;

/// Names that a feed may leave out because there is no other.
pub(super) struct Sole {
    /// What the only site is heard as.
    pub site: Option<String>,
    /// What the only sensor of the only site is heard as.
    pub sensor: Option<String>,
}

/// Reads a feed. `index` names one without a name.
pub(super) fn read(table: &Table<'_>, index: usize, sole: &Sole) -> Option<FeedSettings> {
    let name = table.text("name", "yard").map_or_else(|| format!("feed {}", index + 1), str::to_owned);
    let template = template(table);
    let format = table.word("format", &FORMATS);
    if !table.has("format") {
        table.missing("format", "write \"json\", \"senml\", or \"value\" where each topic carries one value");
    }
    let format = format.unwrap_or(Format::Json);
    let site = part(table, template.as_ref(), Capture::Site, sole.site.as_deref());
    let sensor = part(table, template.as_ref(), Capture::Sensor, sole.sensor.as_deref());
    let fields = fields(table, format, template.as_ref());
    let time = table.table("time").and_then(|time| time_field(&time));
    match format {
        Format::Value if time.is_some() => {
            table.fault("time", "a single value has no time; remove it or use format = \"json\"");
        }
        Format::Senml if time.is_some() => table.fault("time", "every SenML record says its own time; remove it"),
        _ => {}
    }
    let decimal_comma = table.truth("decimal_comma").unwrap_or(false);
    let max_payload_bytes =
        table.whole("max_payload_bytes", 1..=LARGEST_PAYLOAD).unwrap_or(settings::DEFAULT_MAX_PAYLOAD_BYTES);
    let mut feed = FeedSettings::new(name, template?, format);
    (feed.site, feed.sensor) = (site?, sensor?);
    (feed.fields, feed.time) = (fields?, time);
    (feed.decimal_comma, feed.max_payload_bytes) = (decimal_comma, max_payload_bytes);
    Some(feed)
}

fn template(table: &Table<'_>) -> Option<TopicTemplate> {
    let Some(spot) = table.spot_of("topic") else {
        table.missing("topic", format!("write the topic to listen to, for example {}", quoted(TOPIC_EXAMPLE)));
        return None;
    };
    match TopicTemplate::parse(spot.text(TOPIC_EXAMPLE)?) {
        Ok(template) => Some(template),
        Err(error) => {
            spot.fault(template_text(&error));
            None
        }
    }
}

/// The text of the error, its marks replaced by those of this file.
fn template_text(error: &TemplateError) -> String {
    error.to_string().replace('`', "\"")
}

/// Where the site's or the sensor's name comes from: exactly one of capture, pointer, fixed name, or the only one.
fn part(table: &Table<'_>, template: Option<&TopicTemplate>, capture: Capture, sole: Option<&str>) -> Option<Part> {
    let (key, pointer_key, word, mark) = match capture {
        Capture::Sensor => ("sensor", "sensor_pointer", "sensor", "{sensor}"),
        Capture::Site | Capture::Field => ("site", "site_pointer", "site", "{site}"),
    };
    let captured = template.is_some_and(|template| template.has(capture));
    let fixed = table.spot_of(key);
    let pointer = table.spot_of(pointer_key);
    match (&fixed, &pointer) {
        (Some(_), Some(pointer)) => {
            pointer.fault(format!("{key} is given too; keep one of them"));
            return None;
        }
        (Some(spot), None) | (None, Some(spot)) if captured => {
            spot.fault(format!("the topic already names the {word} with {mark}; write + there, or remove this"));
            return None;
        }
        _ => {}
    }
    if let Some(spot) = fixed {
        return spot.text("oak").map(|name| Part::Fixed(name.to_owned()));
    }
    if let Some(spot) = pointer {
        if table.word("format", &FORMATS) == Some(Format::Value) {
            spot.fault(format!("a single value has no fields; write {mark} in the topic or {key} = \"…\""));
            return None;
        }
        return json_pointer(&spot, spot.text("/id")?).map(Part::Pointer);
    }
    match (template, captured, sole) {
        (None, ..) | (_, true, _) => Some(Part::Captured),
        (_, _, Some(name)) => Some(Part::Fixed(name.to_owned())),
        (_, _, None) => {
            table.fault(
                "topic",
                format!("nothing says which {word} it is: write {mark} in the topic, {key} = \"…\" or {pointer_key} = \"/…\""),
            );
            None
        }
    }
}

fn fields(table: &Table<'_>, format: Format, template: Option<&TopicTemplate>) -> Option<Vec<Field>> {
    let names_field = template.is_some_and(|template| template.has(Capture::Field));
    let single = table.spot_of("reading");
    let several = table.spot_of("fields");
    if names_field && format != Format::Value {
        table.fault("topic", "{field} is for format = \"value\"; write + for a level that does not matter");
        return None;
    }
    let wants_single = format == Format::Value && !names_field;
    match (single, several) {
        (Some(spot), None) if wants_single => Some(vec![field(spot.table()?, format, "")?]),
        (None, None) if wants_single => {
            table.missing("reading", "write what the value is: { quantity = \"air_temperature\", unit = \"Cel\" }");
            None
        }
        (_, Some(spot)) if wants_single => {
            spot.fault("one value per topic: write reading = { … }, or {field} in the topic");
            None
        }
        (Some(spot), _) => {
            spot.fault("is for format = \"value\" without {field} in the topic; write fields = { … }");
            None
        }
        (None, None) => {
            let example = if format == Format::Json { "/temp_c" } else { "temperature" };
            table.missing(
                "fields",
                format!("write {{ {} = {{ quantity = \"air_temperature\", unit = \"Cel\" }} }}", quoted(example)),
            );
            None
        }
        (None, Some(spot)) => {
            let list = spot.table()?;
            let mut fields = Vec::new();
            let mut whole = true;
            for (key, spot) in list.every() {
                let key = if format == Format::Json { json_pointer(&spot, key) } else { Some(key.to_owned()) };
                let field = spot.table().and_then(|table| field(table, format, key.as_deref().unwrap_or_default()));
                match (key, field) {
                    (Some(_), Some(field)) => fields.push(field),
                    _ => whole = false,
                }
            }
            if whole && fields.is_empty() {
                spot.fault("names no field; without one the feed gives nothing");
            }
            (whole && !fields.is_empty()).then_some(fields)
        }
    }
}

fn field(table: Table<'_>, format: Format, key: &str) -> Option<Field> {
    let quantity = table.spot_of("quantity").and_then(|spot| quantity(&spot));
    if !table.has("quantity") {
        table.missing("quantity", "write what it is, for example \"air_temperature\"");
    }
    let needs_unit = format == Format::Senml && !table.has("unit") && is_told_by_records(key, quantity);
    let unit = if needs_unit { Unit::parse(quantity?.unit()) } else { unit(&table, quantity) };
    let scale = table.number("scale", -1e9..=1e9).unwrap_or(1.0);
    if scale == 0.0 {
        table.fault("scale", "0 makes every reading the same; remove it or write another number");
    }
    let offset = table.number("offset", -1e9..=1e9).unwrap_or(0.0);
    let sentinels = table.list("sentinels", "numbers and texts that stand for \"no reading\"").unwrap_or_default();
    let sentinels = sentinels.iter().filter_map(sentinel).collect();
    let default_sentinels = table.truth("default_sentinels").unwrap_or(true);
    let inverted = table.truth("inverted").unwrap_or(false);
    if inverted && quantity.is_some_and(|quantity| quantity != Quantity::BatteryOk) {
        table.fault("inverted", "only battery_ok can be inverted; remove it");
    }
    let mut field = Field::new(key, quantity?, unit?);
    (field.scale, field.offset, field.needs_unit) = (scale, offset, needs_unit);
    (field.sentinels, field.default_sentinels, field.inverted) = (sentinels, default_sentinels, inverted);
    Some(field)
}

fn quantity(spot: &Spot<'_>) -> Option<Quantity> {
    let text = spot.text("air_temperature")?;
    let quantity = Quantity::from_name(text);
    if quantity.is_none() {
        let names = || Quantity::ALL.into_iter().map(Quantity::name);
        spot.fault(match spot.nearest(text, names()) {
            Some(near) => format!("no such quantity; did you mean {}?", quoted(near)),
            None => format!("no such quantity; one of {}", names().collect::<Vec<_>>().join(", ")),
        });
    }
    quantity
}

/// The unit must be written: a wrong guess would count a quarter inch of rain as a quarter millimeter (field case S19).
fn unit(table: &Table<'_>, quantity: Option<Quantity>) -> Option<Unit> {
    let spot = table.spot_of("unit");
    let quantity = quantity?;
    let spellings = || Unit::spellings_for(quantity).join(", ");
    let Some(spot) = spot else {
        match quantity {
            Quantity::BatteryOk | Quantity::SequenceNumber => return Some(Unit::One),
            Quantity::RainfallAmount | Quantity::RainCounter | Quantity::RainfallRate => table.missing(
                "unit",
                format!("an inch is 25.4 mm, and nobody can tell them apart later; one of {}", spellings()),
            ),
            _ => table.missing("unit", format!("{} needs one of {}", quantity.name(), spellings())),
        }
        return None;
    };
    let unit = Unit::parse(spot.text(quantity.unit())?);
    match unit.filter(|unit| unit.convert(1.0, quantity).is_some()) {
        Some(unit) => Some(unit),
        None => {
            let what = if unit.is_some() { "does not fit" } else { "is no unit for" };
            spot.fault(format!("{what} {}; one of {}", quantity.name(), spellings()));
            None
        }
    }
}

/// Whether a SenML record can bring the unit along. What a counter counts and what a sum adds up to must be written.
fn is_told_by_records(key: &str, quantity: Option<Quantity>) -> bool {
    let is_sum = senml::asked(key).1;
    let written = [Quantity::RainCounter, Quantity::BatteryOk, Quantity::SequenceNumber];
    quantity.is_some_and(|quantity| !is_sum && !written.contains(&quantity))
}

fn sentinel(spot: &Spot<'_>) -> Option<Sentinel> {
    if let Some(number) = spot.plain() {
        return Some(Sentinel::Number(number));
    }
    spot.text("n/a").map(|text| Sentinel::Text(text.to_owned()))
}

fn time_field(table: &Table<'_>) -> Option<TimeField> {
    let pointer = match table.spot_of("pointer") {
        Some(spot) => spot.text("/ts").and_then(|text| json_pointer(&spot, text)),
        None => {
            table.missing("pointer", "write where the time is, for example \"/ts\"");
            None
        }
    };
    let format = table.word("format", &TIME_FORMATS).unwrap_or(TimeFormat::UnixAuto);
    let zone = table.spot_of("zone").and_then(|spot| zone::read(&spot));
    if zone.is_some() && format != TimeFormat::Local {
        table.fault("zone", "only format = \"local\" needs a zone; remove it");
    }
    Some(TimeField { pointer: pointer?, format, zone })
}

/// RFC 6901: empty, or `/` before every level; `~` only as `~0` and `~1`.
fn json_pointer(spot: &Spot<'_>, text: &str) -> Option<String> {
    let escapes_well = text.split('~').skip(1).all(|rest| rest.starts_with(['0', '1']));
    if text.starts_with('/') && escapes_well {
        return Some(text.to_owned());
    }
    let better = if text.starts_with('/') {
        text.replace('~', "~0")
    } else {
        format!("/{}", text.trim_start_matches("$.").trim_start_matches('$').replace('.', "/"))
    };
    spot.note(format!("{} is no JSON Pointer (RFC 6901); write {}", quoted(text), quoted(&better)));
    None
}

const FORMATS: [(&str, Format); 3] = [("json", Format::Json), ("value", Format::Value), ("senml", Format::Senml)];
const TIME_FORMATS: [(&str, TimeFormat); 5] = [
    ("unix_auto", TimeFormat::UnixAuto),
    ("unix_s", TimeFormat::UnixSeconds),
    ("unix_ms", TimeFormat::UnixMillis),
    ("rfc3339", TimeFormat::Rfc3339),
    ("local", TimeFormat::Local),
];
const TOPIC_EXAMPLE: &str = "yard/{site}/{sensor}/state";
/// MQTT 3.1.1 section 2.2.3: no packet is larger.
const LARGEST_PAYLOAD: i64 = 268_435_455;
