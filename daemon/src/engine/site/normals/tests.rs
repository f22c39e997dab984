//! Days between months, courses, odds, and what own days change.

use super::super::evapotranspiration::{FactorSource, Place};
use super::*;
use crate::engine::formula::{radiation::Exposure, reference_et::Climate};
use crate::engine::settings::{SiteSettings, tests::site};

fn date(text: &str) -> NaiveDate {
    text.parse().unwrap()
}

fn place() -> Place {
    Place { exposure: Exposure::Inland, ..site().place }
}

#[test]
fn the_middle_of_a_month_is_its_mean_and_its_edges_lie_between_neighbors() {
    let mut eto_mm = [0.0; 12];
    (eto_mm[5], eto_mm[6]) = (150.0, 186.0); // 5 and 6 mm a day
    let normals = Normals { eto_mm, ..Normals::default() };
    let day = |text: &str| normals.eto_of_day_mm(date(text));
    assert!((day("2027-06-15") - 5.0).abs() < 0.1);
    assert!((day("2027-07-01") - 5.5).abs() < 0.05);
    assert!((day("2027-06-30") - 5.5).abs() < 0.05);
    assert_eq!(normals.peak_eto_mm(), 6.0);
    assert_eq!(normals.rain_of_day_mm(date("2027-06-30")), None);
}

#[test]
fn a_day_of_the_year_lies_where_its_date_does() {
    for start in ["2027-01-01", "2027-03-01", "2027-07-15", "2027-12-31"] {
        let date = date(start);
        let by_date = monthly::of_date(|month| month as f64, date);
        let by_day = monthly::of_day_of_year(|month| month as f64, date.ordinal());
        assert!((by_date - by_day).abs() < 0.1, "{start}: {by_date} {by_day}");
    }
    assert_eq!(monthly::of_day_of_year(|_| 3.0, 400), 3.0);
}

#[test]
fn the_course_of_the_year_goes_before_the_months_and_is_never_below_0() {
    let eto_curve = Some(Curve([2.0, -3.0, 0.0, 0.0, 0.0]));
    let normals = Normals { eto_mm: [60.0; 12], eto_curve, ..Normals::default() };
    assert_eq!(normals.eto_of_day_mm(date("2027-01-01")), 0.0);
    assert!((normals.eto_of_day_mm(date("2027-07-02")) - 5.0).abs() < 0.01);
}

#[test]
fn frost_odds_are_counted_shares_or_else_follow_the_usual_low() {
    let tmin_curve = Some(Curve([8.0, -8.0, 0.0, 0.0, 0.0]));
    let by_course = Normals { tmin_curve, tmin_deviation: Some(4.0), ..Normals::default() };
    let odds = |text: &str| by_course.frost_odds(date(text)).unwrap();
    assert!((odds("2027-12-31") - 0.5).abs() < 0.01, "the usual low is 0 °C");
    assert!(odds("2027-07-02") < 1e-4, "16 °C are four deviations away");
    assert!((by_course.odds_at_or_below(3.0, date("2027-12-31")).unwrap() - 0.773).abs() < 0.002);
    let mut shares = [0.0; 12];
    (shares[0], shares[11]) = (0.6, 0.4);
    let counted = Normals { frost_odds: Some(shares), ..by_course.clone() };
    assert!((counted.frost_odds(date("2027-01-01")).unwrap() - 0.5).abs() < 0.01);
    let months = counted.frost_months(0.1).unwrap();
    assert_eq!(months.iter().filter(|frost| **frost).count(), 4, "half of the way to a neighbor counts: {months:?}");
    assert_eq!(Normals::default().frost_odds(date("2027-01-01")), None);
    assert_eq!(Normals { tmin_deviation: Some(4.0), ..Normals::default() }.frost_months(0.1), None);
}

#[test]
fn the_normal_distribution_is_that_of_the_tables() {
    // Values of the standard normal table.
    for (z, share) in [(0.0, 0.5), (1.0, 0.841_345), (-1.0, 0.158_655), (1.96, 0.975_002), (-2.575_83, 0.005)] {
        assert!((normal_share(z) - share).abs() < 1e-6, "{z}");
    }
    assert!(normal_share(-50.0) >= 0.0 && normal_share(50.0) <= 1.0);
}

#[test]
fn own_days_refine_normals_and_outweigh_a_guess_but_never_a_flat_default() {
    let mut learnt = Learnt::default();
    (0..31).for_each(|_| learnt.take(6, 7.0, 6.0));
    let normals = Normals { eto_mm: monthly::DAYS.map(|days| 5.0 * days), ..Normals::default() };
    let eto = |normals, default: &DefaultEto, learnt| Usual { normals, default, learnt }.eto(date("2027-07-16"));
    let by_latitude = DefaultEto::ByLatitude([4.0; 12]);
    assert_eq!(eto(Some(&normals), &by_latitude, None), (5.0, Basis::Normals));
    let (refined, basis) = eto(Some(&normals), &by_latitude, Some(&learnt));
    assert!((refined - 5.5).abs() < 0.02 && basis == Basis::Normals, "{refined}");
    let (outweighed, basis) = eto(None, &by_latitude, Some(&learnt));
    assert!((outweighed - 6.38).abs() < 0.05 && basis == Basis::Default, "{outweighed}");
    assert_eq!(eto(None, &DefaultEto::Flat(4.0), Some(&learnt)), (4.0, Basis::Default));
}

#[test]
fn usual_wind_and_dew_point_go_to_the_place_and_own_factors_before_those_of_the_normals() {
    let tmin_curve = Some(Curve([10.0, 0.0, 0.0, 0.0, 0.0]));
    let dew_point_curve = Some(Curve([4.0, 0.0, 0.0, 0.0, 0.0]));
    let wind_curve = Some(Curve([2.5, 0.0, 0.0, 0.0, 0.0]));
    let normals = Normals { tmin_curve, dew_point_curve, wind_curve, ..Normals::default() };
    let mut learnt = Learnt::default();
    (0..8).for_each(|_| learnt.take(6, 1.2, 1.0));
    let place = Place { temperature_factors: [0.9; 12], factor_source: FactorSource::Normals, ..place() };
    let default = &DefaultEto::Flat(4.0);
    let usual = Usual { normals: Some(&normals), default, learnt: Some(&learnt) };
    let july = usual.place(&place, date("2027-07-16"));
    assert_eq!((july.usual_wind_m_per_s, july.usual_dew_point_depression), (Some(2.5), Some(6.0)));
    assert!((july.temperature_factors[6] - 1.05).abs() < 1e-4 && july.factor_source == FactorSource::OwnDays);
    let january = usual.place(&place, date("2027-01-16"));
    assert_eq!(january.factor_source, FactorSource::Normals, "no own days near January");
    let given = usual.place(&Place { usual_wind_m_per_s: Some(1.0), ..place }, date("2027-01-16"));
    assert_eq!(given.usual_wind_m_per_s, Some(1.0), "what the settings say goes first");
}

#[test]
fn the_guess_by_latitude_is_finite_everywhere_and_turns_with_the_hemisphere() {
    for latitude in -90..=90 {
        for climate in [Climate::Humid, Climate::Dry] {
            let north = coarse::eto_of_months_mm(f64::from(latitude), climate);
            assert!(north.iter().all(|mm| (0.0..=9.0).contains(mm)), "{latitude}: {north:?}");
        }
    }
    let north = coarse::eto_of_months_mm(45.0, Climate::Humid);
    let south = coarse::eto_of_months_mm(-45.0, Climate::Humid);
    assert!(north[6] > 3.0 * north[0] && south[0] > 3.0 * south[6]);
    let annual = |latitude| coarse::eto_of_months_mm(latitude, Climate::Humid).iter().sum::<f32>();
    assert!(annual(10.0) > annual(40.0) && annual(40.0) > annual(60.0));
}

#[test]
fn what_is_less_known_is_less_sure() {
    let normals = Normals::default();
    let error = |normals, default: &DefaultEto| Usual { normals, default, learnt: None }.uncertainty_mm(Climate::Humid);
    let (by_latitude, flat) = (DefaultEto::ByLatitude([2.0; 12]), DefaultEto::Flat(4.0));
    let [known, guessed, said] = [error(Some(&normals), &flat), error(None, &by_latitude), error(None, &flat)];
    assert!(known < guessed && guessed < said, "{known} {guessed} {said}");
}

#[test]
fn frost_is_reckoned_with_by_the_date_unless_somebody_named_the_months() {
    let mut odds = [0.0; 12];
    odds[3] = 0.2; // in the middle of April, and half of it at the ends
    let by_odds = SiteSettings {
        normals: Some(std::sync::Arc::new(Normals { frost_odds: Some(odds), ..Normals::default() })),
        ..site()
    };
    let check =
        |site: &SiteSettings, day: &str, possible: bool| assert_eq!(site.frost_possible(date(day)), possible, "{day}");
    check(&by_odds, "2027-04-15", true);
    check(&by_odds, "2027-03-20", false);
    check(&by_odds, "2027-01-15", false);
    let named = SiteSettings { frost_months_given: true, ..by_odds };
    check(&named, "2027-04-15", false);
    check(&named, "2027-01-15", true);
    check(&site(), "2027-01-15", true);
}
