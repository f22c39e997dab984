//! Rain that fell somewhere in a span, shared out over the bins of that span.

use crate::engine::stamp::Stamp;

/// The share of `mm` for each of the `bounds` (start, end) that the span `from`..`to` touches, as (index, mm), in
/// proportion to the time the two have in common. The bins do not overlap.
///
/// The shares add up to `mm`: the last bin touched takes what rounding, and parts of the span outside all bins, leave
/// over. An instant (`to` not after `from`) goes whole into the bin that ends with it or holds it. Where no bin is
/// touched, nothing comes out.
pub fn spread(
    from: Stamp,
    to: Stamp,
    mm: f64,
    bounds: impl Iterator<Item = (Stamp, Stamp)>,
) -> impl Iterator<Item = (usize, f64)> {
    // An instant is taken as the millisecond that ends with it.
    let from = if from < to { from } else { to.plus(-1) };
    let span = to.since(from).max(1) as f64;
    let mut touched = bounds
        .enumerate()
        .filter_map(move |(index, (start, end))| {
            let common = end.min(to).since(start.max(from));
            (0 < common).then(|| (index, mm * (common as f64 / span)))
        })
        .peekable();
    let mut rest = mm;
    std::iter::from_fn(move || {
        let (index, share) = touched.next()?;
        let share = if touched.peek().is_some() { share } else { rest };
        rest -= share;
        Some((index, share))
    })
}
