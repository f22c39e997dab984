//! How the forecasts for one sensor came out: its device, load and place stay the same from battery to battery.

use serde::{Deserialize, Serialize};

use super::fleet::ASSUMED;

/// Outcomes of earlier batteries against what their volts alone had said.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Experience {
    #[serde(rename = "n")]
    outcomes: u8,
    /// Mean of the binary logarithms of lived over forecast.
    #[serde(rename = "m")]
    mean: f32,
    /// Usual distance from that mean.
    #[serde(rename = "d")]
    distance: f32,
}

impl Experience {
    /// A battery lived `ratio` times as long as was said.
    pub fn learn(&mut self, ratio: f64) {
        if !ratio.is_finite() {
            return;
        }
        let log = ratio.max(1.0 / 16.0).log2().clamp(-2.0, 2.0) as f32;
        self.outcomes = self.outcomes.saturating_add(1);
        // The last few count, so that a device that was changed is learnt anew.
        let weight = 1.0 / f32::from(self.outcomes.min(FEW));
        if self.outcomes > 1 {
            let weight = 1.0 / f32::from((self.outcomes - 1).min(FEW));
            self.distance += ((log - self.mean).abs() - self.distance) * weight;
        }
        self.mean += (log - self.mean) * weight;
    }

    /// By how much the time left is longer than the volts alone say: `elsewhere` (a binary logarithm) before the first
    /// outcome, and still drawn towards it by the first few.
    pub fn factor(&self, elsewhere: f64) -> f64 {
        let count = f64::from(self.outcomes.min(FEW));
        ((f64::from(self.mean) * count + elsewhere * PRIOR) / (count + PRIOR)).exp2()
    }

    /// Shares of the likely remaining time between which the end will come, where no fleet tells: [`ASSUMED`] until three
    /// outcomes are known, then twice the usual distance, at least 0.75 to 1.3, at most 0.3 to 3.
    pub fn range(&self) -> (f64, f64) {
        if self.outcomes < 3 {
            return ASSUMED;
        }
        let log = (2.0 * f64::from(self.distance)).clamp(0.4, 1.7);
        ((-log).exp2(), log.exp2())
    }

    pub fn outcomes(&self) -> u8 {
        self.outcomes
    }
}

/// Our choice.
const FEW: u8 = 6;
/// As much as half an outcome speaks for the volts alone. Our choice.
const PRIOR: f64 = 0.5;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn outcomes_move_the_forecast_and_its_range_within_bounds() {
        let mut experience = Experience::default();
        assert_eq!((experience.factor(0.0), experience.range()), (1.0, (0.6, 1.6)));
        experience.learn(f64::NAN);
        assert_eq!(experience.outcomes(), 0);
        experience.learn(2.0);
        assert!((1.5..1.65).contains(&experience.factor(0.0)), "{}", experience.factor(0.0));
        assert!((experience.factor(1.0) - 2.0).abs() < 1e-9, "both say twice");
        for _ in 0..20 {
            experience.learn(2.0);
        }
        let (low, high) = experience.range();
        assert!((0.74..0.77).contains(&low) && (1.3..1.35).contains(&high), "{low} {high}");
        for ratio in [0.0, 100.0, 0.0, 100.0, 0.0, 100.0] {
            experience.learn(ratio);
        }
        let (low, high) = experience.range();
        assert!(low > 0.3 && high < 3.3, "{low} {high}");
    }
}
