//! Signal strength over days: its usual level, and whether it is fading for good.

use serde::{Deserialize, Serialize};

use super::super::battery::trend::{median, theil_sen};

/// Daily means of what the receiver says of a sensor's signal, dBm or dB.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Strength {
    /// Days of the site's calendar, oldest first, and their means in tenths.
    #[serde(rename = "d", default)]
    days: Vec<(u16, i16)>,
    #[serde(rename = "o", default)]
    today: u16,
    #[serde(rename = "s", default)]
    sum: f32,
    #[serde(rename = "n", default)]
    count: u16,
}

/// A signal that has faded.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Fading {
    /// Level at the beginning and the end of the line through the days, dBm or dB.
    pub from: f64,
    pub to: f64,
    /// Days between them.
    pub days: u16,
}

impl Strength {
    /// Takes a value in, of the numbered day `today`. True where a day was closed by it.
    pub fn note(&mut self, value: f64, today: u16) -> bool {
        if !(-200.0..=100.0).contains(&value) {
            return false;
        }
        let closes = self.count > 0 && self.today != today;
        if closes {
            self.close();
        }
        if self.count < u16::MAX {
            self.today = today;
            // Inside ±200 by the check above.
            self.sum += value as f32;
            self.count += 1;
        }
        closes
    }

    /// The mean of the day so far, or of the last day.
    pub fn level(&self) -> Option<f64> {
        if self.count > 0 {
            return Some(f64::from(self.sum) / f64::from(self.count));
        }
        self.days.last().map(|(_, tenths)| f64::from(*tenths) / 10.0)
    }

    /// The fall over the days that are kept, where there are enough of them and it is beyond doubt: the line through them
    /// falls by at least `LEAST_FALL`, even its flattest likely one falls, and the last days lie as low as it says.
    pub fn fading(&self) -> Option<Fading> {
        let (first, last) = (self.days.first()?.0, self.days.last()?.0);
        let span = last.checked_sub(first).filter(|_| self.days.len() >= LEAST_DAYS)?;
        let points: Vec<(f64, f64)> =
            self.days.iter().map(|(day, tenths)| (f64::from(day - first), f64::from(*tenths) / 10.0)).collect();
        let line = theil_sen(&points)?;
        let (from, to) = (line.at(0.0), line.at(f64::from(span)));
        let mut late: Vec<f64> = points.iter().rev().take(3).map(|(_, level)| *level).collect();
        let late = median(&mut late)?;
        let falls = from - to >= LEAST_FALL && line.high_slope < 0.0 && from - late >= LEAST_FALL / 2.0;
        falls.then_some(Fading { from, to, days: span })
    }

    fn close(&mut self) {
        let mean = self.sum / f32::from(self.count.max(1));
        if self.days.len() >= KEPT_DAYS {
            self.days.remove(0);
        }
        // A clock that went back gives a day twice: the later word counts.
        self.days.retain(|(day, _)| *day < self.today);
        // Inside ±2,000 tenths.
        self.days.push((self.today, (mean * 10.0).round() as i16));
        (self.sum, self.count) = (0.0, 0);
    }
}

/// Days that a trend rests on, at least and at most. Our choice: longer than a spell of rain, short of a season.
const LEAST_DAYS: usize = 7;
const KEPT_DAYS: usize = 21;
/// A fall of so many dB is a quarter of the power, and more than wet leaves make from day to day. Our choice.
const LEAST_FALL: f64 = 6.0;
