//! What a sensor itself says of its battery: low in the cold of a night and fine by day is not low, low for most of the
//! time is.

use serde::{Deserialize, Serialize};

use super::super::super::stamp::MINUTE;

/// The last words of a sensor, and what they come to. Fine again after a day without a low.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub(super) struct OwnWord {
    #[serde(rename = "l")]
    pub(super) low: bool,
    /// The last words, the newest in the lowest bit; 1 is low.
    #[serde(rename = "w")]
    words: u16,
    #[serde(rename = "k")]
    count: u8,
    /// Listening minutes of the last lows, the newest first.
    #[serde(rename = "t")]
    lows: [u32; LOWS],
    /// It has said at least once that the battery is fine.
    #[serde(rename = "g")]
    was_fine: bool,
}

impl OwnWord {
    /// A word at `listening` (ms of uptime with the broker connected); `needed` lows within a day make a low.
    pub(super) fn hear(&mut self, listening: i64, fine: bool, needed: u8) {
        self.words = ((self.words << 1) | u16::from(!fine)) & ((1 << WORDS) - 1);
        self.count = self.count.saturating_add(1).min(WORDS);
        self.was_fine |= fine;
        // Eight thousand years of minutes; 0 stands for none.
        let minute = u32::try_from(listening.max(0) / MINUTE).unwrap_or(u32::MAX).saturating_add(1);
        if !fine {
            self.lows.rotate_right(1);
            self.lows[0] = minute;
        }
        let of_a_day = |low: &&u32| **low > 0 && minute.saturating_sub(**low) <= MINUTES_OF_DAY;
        let lows = self.lows.iter().filter(of_a_day).count();
        if fine {
            self.low &= lows > 0;
        } else {
            let most_of_them = self.words.count_ones() * 2 >= u32::from(self.count);
            self.low |= lows >= usize::from(needed).min(LOWS) && most_of_them;
        }
    }

    /// Low, and never heard otherwise: with new cells the word may mean the opposite.
    pub(super) fn may_be_inverted(&self) -> bool {
        self.low && !self.was_fine
    }
}

const LOWS: usize = 3;
const WORDS: u8 = 12;
const MINUTES_OF_DAY: u32 = 24 * 60;
