//! Words about batteries.

use super::*;

#[test]
fn a_range_of_days_reads_as_people_write_it() {
    let check = |from: &str, to: &str, expected: &str| {
        assert_eq!(range(from.parse().unwrap(), to.parse().unwrap()), expected);
    };
    check("2027-06-03", "2027-06-19", "between 3 and 19 June");
    check("2027-05-28", "2027-06-04", "between 28 May and 4 June");
    check("2027-12-20", "2028-01-04", "between 20 December 2027 and 4 January 2028");
    check("2027-06-03", "2027-06-03", "on 3 June");
}
