//! Charts of a report, as SVG that the page colors.

use plotters::coord::ranged1d::SegmentValue;
use plotters::prelude::*;

use super::score::YearScore;

/// Width of every chart, pixels; the page scales them.
const WIDTH: u32 = 920;

// The page's style sheet names these again, and gives each its shade in the dark.
pub const INK: RGBColor = RGBColor(0x24, 0x30, 0x2b);
const FAINT: RGBColor = RGBColor(0xdb, 0xe2, 0xdc);
pub const WATER: RGBColor = RGBColor(0x10, 0x6f, 0x68);
pub const TIMER: RGBColor = RGBColor(0xc0, 0x5a, 0x2e);
pub const PLAIN: RGBColor = RGBColor(0x7d, 0x86, 0xa8);
pub const RAIN: RGBColor = RGBColor(0x3f, 0x86, 0xc2);

/// One line of a chart of months.
pub struct Course {
    pub color: RGBColor,
    /// January first.
    pub mm: [f64; 12],
}

/// Share of windows that pass, year by year.
///
/// # Errors
/// The chart cannot be drawn.
pub fn years(rows: &[(&str, RGBColor, &[YearScore])]) -> Result<String, String> {
    let years: Vec<i32> = rows.iter().flat_map(|(_, _, years)| years.iter().map(|year| year.year)).collect();
    let (Some(first), Some(last)) = (years.iter().min().copied(), years.iter().max().copied()) else {
        return Ok(String::new());
    };
    draw(300, |area| {
        let mut chart = ChartBuilder::on(area)
            .margin(12)
            .x_label_area_size(30)
            .y_label_area_size(48)
            .build_cartesian_2d((first..last).into_segmented(), 0.0..104.0)?;
        chart
            .configure_mesh()
            .disable_x_mesh()
            .light_line_style(TRANSPARENT)
            .bold_line_style(FAINT)
            .axis_style(FAINT)
            .x_labels(((last - first + 1) as usize).min(14))
            .y_labels(6)
            .y_label_formatter(&|percent| format!("{percent:.0} %"))
            .x_label_formatter(&|year| match year {
                SegmentValue::CenterOf(year) | SegmentValue::Exact(year) => year.to_string(),
                SegmentValue::Last => String::new(),
            })
            .label_style(("sans-serif", 14).into_font().color(&INK))
            .draw()?;
        for (_, color, years) in rows {
            let share = |year: &YearScore| 100.0 * year.passed as f64 / year.windows.max(1) as f64;
            let points: Vec<_> = years.iter().map(|year| (SegmentValue::CenterOf(year.year), share(year))).collect();
            chart.draw_series(LineSeries::new(points.clone(), color.stroke_width(2)))?;
            chart.draw_series(points.into_iter().map(|point| Circle::new(point, 4, color.filled())))?;
        }
        Ok(())
    })
}

/// Mean depths of the months, mm a month.
///
/// # Errors
/// The chart cannot be drawn.
pub fn months(courses: &[Course]) -> Result<String, String> {
    let top = courses.iter().flat_map(|course| course.mm).fold(1.0, f64::max) * 1.08;
    draw(300, |area| {
        let mut chart = ChartBuilder::on(area)
            .margin(12)
            .x_label_area_size(30)
            .y_label_area_size(60)
            .build_cartesian_2d(-0.4..11.4, 0.0..top)?;
        chart
            .configure_mesh()
            .disable_x_mesh()
            .light_line_style(TRANSPARENT)
            .bold_line_style(FAINT)
            .axis_style(FAINT)
            .x_labels(12)
            .y_labels(6)
            .y_label_formatter(&|mm| format!("{mm:.0} mm"))
            .x_label_formatter(&|month| month_name(*month))
            .label_style(("sans-serif", 14).into_font().color(&INK))
            .draw()?;
        for course in courses {
            let points: Vec<_> = course.mm.iter().enumerate().map(|(month, mm)| (month as f64, *mm)).collect();
            chart.draw_series(LineSeries::new(points.clone(), course.color.stroke_width(2)))?;
            chart.draw_series(points.into_iter().map(|point| Circle::new(point, 4, course.color.filled())))?;
        }
        Ok(())
    })
}

/// One day of [`season`].
pub struct SeasonDay {
    pub soil_mm: f64,
    pub rain_mm: f64,
    pub given_mm: f64,
}

/// What one zone's soil held through some months, with rain and irrigation below it.
///
/// # Errors
/// The chart cannot be drawn.
pub fn season(days: &[SeasonDay], labels: &[(usize, String)], storage_mm: f64) -> Result<String, String> {
    let top = days.iter().map(|day| day.rain_mm.max(day.given_mm)).fold(10.0, f64::max);
    draw(420, |area| {
        let (upper, lower) = area.split_vertically(240);
        let last = days.len() as f64;
        let label = |day: &f64| {
            let at = day.round() as usize;
            labels.iter().find(|(index, _)| *index == at).map_or(String::new(), |(_, name)| name.clone())
        };
        let mut chart = ChartBuilder::on(&upper)
            .margin(12)
            .x_label_area_size(4)
            .y_label_area_size(60)
            .build_cartesian_2d(0.0..last, 0.0..storage_mm * 1.06)?;
        chart
            .configure_mesh()
            .disable_x_mesh()
            .light_line_style(TRANSPARENT)
            .bold_line_style(FAINT)
            .axis_style(FAINT)
            .x_labels(0)
            .y_labels(4)
            .y_label_formatter(&|mm| format!("{mm:.0} mm"))
            .label_style(("sans-serif", 14).into_font().color(&INK))
            .draw()?;
        let soil = days.iter().enumerate().map(|(index, day)| (index as f64 + 0.5, day.soil_mm));
        chart.draw_series(AreaSeries::new(soil, 0.0, WATER.mix(0.18)).border_style(WATER.stroke_width(2)))?;
        let full = [(0.0, storage_mm), (last, storage_mm)];
        chart.draw_series(LineSeries::new(full, PLAIN.stroke_width(1)))?;
        let mut chart = ChartBuilder::on(&lower)
            .margin_left(12)
            .margin_right(12)
            .x_label_area_size(30)
            .y_label_area_size(60)
            .build_cartesian_2d(0.0..last, 0.0..top * 1.05)?;
        let ticks: Vec<f64> = labels.iter().map(|(index, _)| *index as f64).collect();
        chart
            .configure_mesh()
            .disable_x_mesh()
            .light_line_style(TRANSPARENT)
            .bold_line_style(FAINT)
            .axis_style(FAINT)
            .x_labels(0)
            .y_labels(4)
            .y_label_formatter(&|mm| format!("{mm:.0} mm"))
            .label_style(("sans-serif", 14).into_font().color(&INK))
            .draw()?;
        let bar = |index: usize, from: f64, to: f64, mm: f64, color: RGBColor| {
            Rectangle::new([(index as f64 + from, 0.0), (index as f64 + to, mm)], color.filled())
        };
        let some = |mm: f64| mm > 0.0;
        let rain = days.iter().enumerate().filter(|(_, day)| some(day.rain_mm));
        chart.draw_series(rain.map(|(index, day)| bar(index, 0.0, 0.5, day.rain_mm, RAIN)))?;
        let given = days.iter().enumerate().filter(|(_, day)| some(day.given_mm));
        chart.draw_series(given.map(|(index, day)| bar(index, 0.5, 1.0, day.given_mm, WATER)))?;
        for tick in ticks {
            let (x, y) = chart.backend_coord(&(tick, 0.0));
            let style = ("sans-serif", 14).into_font().color(&INK);
            area.draw(&Text::new(label(&tick), (x, y + 10), style))?;
        }
        Ok(())
    })
}

/// Bars from left to right, two for each name.
///
/// # Errors
/// The chart cannot be drawn.
pub fn pairs(rows: &[(&str, f64, f64)]) -> Result<String, String> {
    let count = rows.len();
    draw(60 + 54 * count as u32, |area| {
        let mut chart = ChartBuilder::on(area)
            .margin(12)
            .x_label_area_size(30)
            .y_label_area_size(150)
            .build_cartesian_2d(0.0..104.0, 0.0..count as f64)?;
        chart
            .configure_mesh()
            .disable_y_mesh()
            .light_line_style(TRANSPARENT)
            .bold_line_style(FAINT)
            .axis_style(FAINT)
            .x_labels(6)
            .y_labels(0)
            .x_label_formatter(&|percent| format!("{percent:.0} %"))
            .label_style(("sans-serif", 14).into_font().color(&INK))
            .draw()?;
        for (index, (name, without, with)) in rows.iter().enumerate() {
            let base = (count - 1 - index) as f64;
            chart.draw_series([
                Rectangle::new([(0.0, base + 0.52), (*without, base + 0.82)], PLAIN.filled()),
                Rectangle::new([(0.0, base + 0.18), (*with, base + 0.48)], WATER.filled()),
            ])?;
            let (_, y) = chart.backend_coord(&(0.0, base + 0.5));
            area.draw(&Text::new((*name).to_owned(), (12, y - 7), ("sans-serif", 14).into_font().color(&INK)))?;
        }
        Ok(())
    })
}

type Area<'a> = DrawingArea<SVGBackend<'a>, plotters::coord::Shift>;
type Drawn = Result<(), Box<dyn std::error::Error>>;

fn draw(height: u32, paint: impl FnOnce(&Area<'_>) -> Drawn) -> Result<String, String> {
    let mut svg = String::new();
    {
        let area = SVGBackend::with_string(&mut svg, (WIDTH, height)).into_drawing_area();
        paint(&area).and_then(|()| Ok(area.present()?)).map_err(|fault| format!("a chart cannot be drawn: {fault}"))?;
    }
    // The page scales it.
    Ok(svg.replacen(&format!("width=\"{WIDTH}\" height=\"{height}\""), "role=\"img\"", 1))
}

fn month_name(month: f64) -> String {
    let names = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];
    let whole = (month - month.round()).abs() < 0.01 && month >= -0.01;
    names.get(month.round() as usize).filter(|_| whole).map_or(String::new(), ToString::to_string)
}
