//! From engine types to what goes out: wire payloads, history points, log lines. With `command` and `report` the only
//! rooms of the engine that know the wire's types.

pub mod alerts;
pub mod departure;
pub mod diary;
pub mod history;
pub mod messages;
pub mod visits;
pub mod words;

use std::borrow::Cow;
use std::collections::BTreeMap;

use serde::Serialize;
use thirst_schemas as wire;

use super::decision::Confidence;
use super::decision::reason::{Capability, Reason};
use super::output::{Level, Output};
use super::reading::Quantity;
use super::site::day_weather::Input;
use super::site::days::Figures;
use super::site::evapotranspiration::Method;
use super::site::normals::Basis;
use super::state::Context;

/// One line for the log.
pub fn log(context: &mut Context<'_>, level: Level, text: String) {
    context.outputs.push(Output::Log { level, site: context.site.id.clone(), text });
}

/// Puts a payload on its retained topic.
pub fn state(context: &mut Context<'_>, topic: String, payload: &impl Serialize) {
    let payload = json(payload);
    context.outputs.push(Output::State { topic, payload });
}

/// The JSON of a payload, in no more memory than it takes.
pub(super) fn json(payload: &impl Serialize) -> Vec<u8> {
    let mut bytes = Vec::with_capacity(USUAL_PAYLOAD);
    // Wire types are maps with text keys and finite numbers, which always serialize.
    if serde_json::to_writer(&mut bytes, payload).is_err() {
        bytes.clear();
    }
    bytes.shrink_to_fit();
    bytes
}

/// Most payloads are shorter, so that they need not be moved while they grow.
const USUAL_PAYLOAD: usize = 2_048;

pub fn reason(reason: Reason) -> wire::Reason {
    match reason {
        Reason::Rain => wire::Reason::Rain,
        Reason::Freeze => wire::Reason::Freeze,
        Reason::Wind => wire::Reason::Wind,
        Reason::Restriction => wire::Reason::Restriction,
        Reason::Operator => wire::Reason::Operator,
        Reason::RootZoneFull => wire::Reason::RootZoneFull,
        Reason::Season => wire::Reason::Season,
        Reason::Calendar => wire::Reason::Calendar,
        Reason::NoEvidence => wire::Reason::NoEvidence,
    }
}

pub fn confidence(confidence: Confidence) -> wire::Confidence {
    match confidence {
        Confidence::Measured => wire::Confidence::Measured,
        Confidence::Substituted => wire::Confidence::Substituted,
        Confidence::Unknown => wire::Confidence::Unknown,
    }
}

pub fn basis(basis: Basis) -> wire::BasisKind {
    match basis {
        Basis::Measured => wire::BasisKind::Measured,
        Basis::Partial => wire::BasisKind::Partial,
        Basis::Neighbours => wire::BasisKind::Neighbours,
        Basis::Normals => wire::BasisKind::Normals,
        Basis::Default => wire::BasisKind::Default,
    }
}

pub fn capability(capability: Capability) -> wire::Capability {
    match capability {
        Capability::Hold => wire::Capability::Hold,
        Capability::Percent => wire::Capability::Percent,
        Capability::PercentPerGroup => wire::Capability::PercentPerGroup,
        Capability::TwelveMonths => wire::Capability::TwelveMonths,
        Capability::Minutes => wire::Capability::Minutes,
    }
}

/// How the evapotranspiration of a day came about. Where sites nearby gave the temperature, it is theirs.
pub fn method(figures: &Figures) -> wire::EtoMethod {
    match (figures.method, figures.eto_basis) {
        (Method::None, Basis::Normals) => wire::EtoMethod::Normals,
        (Method::None, _) => wire::EtoMethod::Default,
        (_, Basis::Neighbours) => wire::EtoMethod::Neighbours,
        (Method::AsceHourly, _) => wire::EtoMethod::StandardizedHourly,
        (Method::PenmanMonteithDaily, _) => wire::EtoMethod::PenmanMonteithDaily,
        (Method::HargreavesSamani, _) => wire::EtoMethod::HargreavesSamani,
    }
}

/// Where each quantity of a day comes from.
pub fn day_basis(figures: &Figures) -> BTreeMap<wire::Name, wire::BasisKind> {
    let inputs = [
        (Quantity::AirTemperature, Input::AirTemperature),
        (Quantity::RelativeHumidity, Input::RelativeHumidity),
        (Quantity::WindSpeed, Input::WindSpeed),
        (Quantity::SurfaceDownwellingShortwaveFlux, Input::Shortwave),
    ];
    let mut map: BTreeMap<wire::Name, wire::BasisKind> = inputs
        .into_iter()
        .map(|(quantity, input)| (Cow::Borrowed(quantity.name()), basis(figures.bases.of(input))))
        .collect();
    map.insert(Cow::Borrowed("reference_evapotranspiration"), basis(figures.eto_basis));
    map.insert(Cow::Borrowed(Quantity::RainfallAmount.name()), basis(figures.rain_basis));
    map
}
