//! The year of a place as a picture: evapotranspiration and rain above, temperatures and frost below. SVG.

use chrono::{Datelike, NaiveDate};
use plotters::prelude::*;

use super::{Climate, MONTHS};
use crate::engine::settings::DisplayUnits;
use crate::engine::site::normals::{Normals, monthly};

/// An SVG of 960 × 760.
///
/// # Errors
/// What the drawing library says; nothing in a climate is known to cause it.
pub fn picture(climate: &Climate, units: DisplayUnits) -> Result<String, String> {
    let mut text = String::new();
    {
        let root = SVGBackend::with_string(&mut text, (960, 760)).into_drawing_area();
        draw(&root, climate, units).map_err(|error| error.to_string())?;
        root.present().map_err(|error| error.to_string())?;
    }
    Ok(text)
}

type Area<'a> = DrawingArea<SVGBackend<'a>, plotters::coord::Shift>;
type Drawn = Result<(), Box<dyn std::error::Error>>;

fn draw(root: &Area<'_>, climate: &Climate, units: DisplayUnits) -> Drawn {
    let Climate { normals, report } = climate;
    root.fill(&PAPER)?;
    let name: String = report.name.as_deref().unwrap_or(&report.file).chars().take(60).collect();
    let title = format!("{name}, {} to {}", report.years.0, report.years.1);
    root.draw(&Text::new(title, (66, 20), ("sans-serif", 24).into_font().color(&INK)))?;
    let (upper, lower) = root.margin(52, 8, 10, 14).split_vertically(350);
    water(&upper, normals, units)?;
    warmth(&lower, normals, units)
}

/// Bars of rain and the course of evapotranspiration, both a day.
fn water(area: &Area<'_>, normals: &Normals, units: DisplayUnits) -> Drawn {
    let (unit, factor) = match units {
        DisplayUnits::Metric => ("mm a day", 1.0),
        DisplayUnits::Us => ("inches a day", 1.0 / 25.4),
    };
    let eto: Vec<(f64, f64)> = days().map(|(x, date)| (x, factor * normals.eto_of_day_mm(date))).collect();
    let rain: Option<[f64; 12]> =
        normals.rain_mm.map(|rain| std::array::from_fn(|month| factor * rain[month] / monthly::DAYS[month]));
    let most = eto.iter().map(|(_, y)| *y).chain(rain.into_iter().flatten()).fold(factor, f64::max);
    let mut chart = ChartBuilder::on(area)
        .x_label_area_size(30)
        .y_label_area_size(58)
        .right_y_label_area_size(58)
        .build_cartesian_2d(0.0..12.0, 0.0..1.12 * most)?;
    mesh(&mut chart, unit, |y| format!("{y:.*}", usize::from(factor < 1.0) + 1))?;
    if let Some(rain) = rain {
        let bars = rain.iter().enumerate().map(|(month, mm): (usize, &f64)| {
            Rectangle::new([(month as f64 + 0.14, 0.0), (month as f64 + 0.86, *mm)], RAIN.filled())
        });
        chart
            .draw_series(bars)?
            .label("rain")
            .legend(|(x, y)| Rectangle::new([(x, y - 6), (x + 18, y + 6)], RAIN.filled()));
    }
    chart
        .draw_series(LineSeries::new(eto, ETO.stroke_width(3)))?
        .label("reference evapotranspiration ETo")
        .legend(|(x, y)| PathElement::new([(x, y), (x + 18, y)], ETO.stroke_width(3)));
    legend(&mut chart)
}

/// Usual highs and lows, the lows' usual scatter, and frost odds by the axis on the right.
fn warmth(area: &Area<'_>, normals: &Normals, units: DisplayUnits) -> Drawn {
    let shown = |celsius: f64| match units {
        DisplayUnits::Metric => celsius,
        DisplayUnits::Us => celsius * 1.8 + 32.0,
    };
    let unit = if units == DisplayUnits::Metric { "°C" } else { "°F" };
    let course = |usual: &dyn Fn(NaiveDate) -> Option<f64>| -> Vec<(f64, f64)> {
        days().filter_map(|(x, date)| Some((x, usual(date)?))).collect()
    };
    let (high, low) = (course(&|date| normals.usual_tmax(date)), course(&|date| normals.usual_tmin(date)));
    let deviation = f64::from(normals.tmin_deviation.unwrap_or(0.0));
    let ends = high.iter().copied().chain(low.iter().map(|(x, y)| (*x, y - deviation)));
    let (least, most) = ends.fold((0.0_f64, 10.0_f64), |(least, most), (_, y)| (least.min(y), most.max(y)));
    let (least, most) = (shown(5.0 * (least / 5.0).floor()), shown(5.0 * (most / 5.0 + 0.6).ceil()));
    let mut chart = ChartBuilder::on(area)
        .x_label_area_size(30)
        .y_label_area_size(58)
        .right_y_label_area_size(58)
        .build_cartesian_2d(0.0..12.0, least..most)?
        .set_secondary_coord(0.0..12.0, 0.0..100.0);
    let frost = course(&|date| Some(100.0 * normals.frost_odds(date)?));
    chart
        .configure_secondary_axes()
        .y_desc("odds of a night at 0 °C or less, %".replace("0 °C", if unit == "°C" { "0 °C" } else { "32 °F" }))
        .y_labels(6)
        .y_label_formatter(&|y| format!("{y:.0}"))
        .label_style(("sans-serif", 14).into_font().color(&INK))
        .axis_desc_style(("sans-serif", 15).into_font().color(&FROST_INK))
        .axis_style(GRID)
        .draw()?;
    if !frost.is_empty() {
        chart
            .draw_secondary_series(AreaSeries::new(frost, 0.0, FROST))?
            .label("night-frost odds")
            .legend(|(x, y)| Rectangle::new([(x, y - 6), (x + 18, y + 6)], FROST.filled()));
    }
    mesh(&mut chart, unit, |y| format!("{y:.0}"))?;
    if deviation > 0.0 {
        let upper = low.iter().map(|(x, y)| (*x, shown(y + deviation)));
        let lower = low.iter().rev().map(|(x, y)| (*x, shown(y - deviation)));
        chart
            .draw_series([Polygon::new(upper.chain(lower).collect::<Vec<_>>(), LOW.mix(0.16))])?
            .label("two nights in three")
            .legend(|(x, y)| Rectangle::new([(x, y - 6), (x + 18, y + 6)], LOW.mix(0.16).filled()));
    }
    for (name, course, color) in [("usual high", high, HIGH), ("usual low", low, LOW)] {
        if !course.is_empty() {
            let course = course.into_iter().map(|(x, y)| (x, shown(y)));
            chart
                .draw_series(LineSeries::new(course, color.stroke_width(3)))?
                .label(name)
                .legend(move |(x, y)| PathElement::new([(x, y), (x + 18, y)], color.stroke_width(3)));
        }
    }
    legend(&mut chart)
}

/// Light grid, month names in the middle of their months.
fn mesh<'a, Y>(
    chart: &mut ChartContext<'a, SVGBackend<'_>, Cartesian2d<plotters::coord::types::RangedCoordf64, Y>>,
    unit: &str,
    label: impl Fn(&f64) -> String,
) -> Drawn
where
    Y: Ranged<ValueType = f64> + plotters::coord::ranged1d::ValueFormatter<f64>,
{
    chart
        .configure_mesh()
        .x_labels(13)
        .x_label_formatter(&|x| {
            let month = x.round();
            if (0.0..12.0).contains(&month) { MONTHS[month as usize].to_owned() } else { String::new() }
        })
        .x_label_offset(31)
        .y_labels(8)
        .y_label_formatter(&|y| label(y))
        .y_desc(unit)
        .label_style(("sans-serif", 14).into_font().color(&INK))
        .axis_desc_style(("sans-serif", 15).into_font().color(&INK))
        .bold_line_style(GRID)
        .light_line_style(TRANSPARENT)
        .axis_style(INK.mix(0.5))
        .draw()?;
    Ok(())
}

fn legend<'a, 'b: 'a, C: CoordTranslate>(chart: &mut ChartContext<'a, SVGBackend<'b>, C>) -> Drawn {
    chart
        .configure_series_labels()
        .position(SeriesLabelPosition::UpperLeft)
        .background_style(PAPER.mix(0.85))
        .border_style(TRANSPARENT)
        .label_font(("sans-serif", 14).into_font().color(&INK))
        .margin(6)
        .draw()?;
    Ok(())
}

/// Every day of a year, with its place on an axis of twelve months.
fn days() -> impl Iterator<Item = (f64, NaiveDate)> {
    let first = NaiveDate::from_ymd_opt(2027, 1, 1).unwrap_or_default();
    first.iter_days().take(365).map(|date| {
        let month = date.month0() as usize;
        (month as f64 + ((f64::from(date.day()) - 0.5) / monthly::DAYS[month]).min(1.0), date)
    })
}

const PAPER: RGBColor = RGBColor(251, 250, 246);
const INK: RGBColor = RGBColor(47, 56, 52);
const GRID: RGBColor = RGBColor(222, 221, 212);
const RAIN: RGBColor = RGBColor(126, 176, 196);
const ETO: RGBColor = RGBColor(196, 116, 36);
const HIGH: RGBColor = RGBColor(176, 66, 58);
const LOW: RGBColor = RGBColor(44, 92, 132);
const FROST: RGBColor = RGBColor(222, 230, 240);
const FROST_INK: RGBColor = RGBColor(96, 116, 146);
