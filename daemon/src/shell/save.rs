//! How many sites' states go with a commit: few, so that little is written per reading, but enough that a restart replays
//! little.

/// Decides commit by commit.
#[derive(Debug, Default)]
pub(super) struct Saver {
    /// Steps since the last saved site, where there are too few for one each commit.
    credit: u64,
}

impl Saver {
    /// Sites to save with a commit of `steps`, when the journal holds `tail` steps, the oldest `age` milliseconds old.
    pub(super) fn sites(&mut self, steps: u64, tail: u64, age: i64) -> usize {
        self.credit += steps;
        let by_credit = self.credit / STEPS_PER_SITE;
        self.credit %= STEPS_PER_SITE;
        let by_tail = match tail {
            0..75_000 => 0,
            75_000..150_000 => steps / 4 + 8,
            150_000..250_000 => steps + 64,
            _ => steps * 4 + 64,
        };
        let by_age = match age {
            ..OLD => 0,
            OLD..VERY_OLD => (steps * 2).max(64),
            _ => (steps * 4).max(1_024),
        };
        usize::try_from(by_credit.max(by_tail).max(by_age)).unwrap_or(usize::MAX)
    }
}

/// Our choice: a state of some kilobytes is then a small part of what a commit writes anyway.
const STEPS_PER_SITE: u64 = 32;

/// Our choice, so that the tail stays below 10 minutes, ms.
const OLD: i64 = 300_000;
const VERY_OLD: i64 = 480_000;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_quiet_site_is_saved_now_and_then_and_a_long_or_old_tail_saves_many() {
        let mut saver = Saver::default();
        let saved: usize = (0..64).map(|_| saver.sites(1, 10, 0)).sum();
        assert_eq!(saved, 2);
        assert_eq!(saver.sites(1, 10, OLD), 64);
        assert_eq!(saver.sites(1, 10, VERY_OLD), 1_024);
        assert_eq!(saver.sites(3_200, 100_000, 0), 808);
        assert_eq!(saver.sites(3_200, 300_000, 0), 12_864);
    }

    #[test]
    fn the_tail_of_any_fleet_stays_below_its_limit() {
        // Sites report in turn; the oldest unsaved are saved first, as the engine does it.
        for sites in [1_u64, 1_000, 100_000, 250_000] {
            let mut saver = Saver::default();
            let mut unsaved = std::collections::VecDeque::new();
            let mut waiting = vec![false; sites as usize];
            let (mut sequence, mut longest) = (0_u64, 0);
            for _ in 0..1_500 {
                for _ in 0..1_000 {
                    let site = (sequence % sites) as usize;
                    if !waiting[site] {
                        waiting[site] = true;
                        unsaved.push_back((sequence, site));
                    }
                    sequence += 1;
                }
                let tail = sequence - unsaved.front().map_or(sequence, |(oldest, _)| *oldest);
                longest = longest.max(tail);
                for _ in 0..saver.sites(1_000, tail, 0) {
                    let Some((_, site)) = unsaved.pop_front() else { break };
                    waiting[site] = false;
                }
            }
            assert!(longest <= 300_000, "{sites} sites: {longest}");
        }
    }
}
