//! Limits and grades: equality holds, `none` holds, every other missing number misses.

mod outside_rows;

use outside_rows::check;
use plantstand::score::limit::{Bound, worse};
use plantstand::score::measure::{Measure, OptionKey};
use plantstand::score::verdict::{Graded, Mark, grade_percent};
use plantstand::score::{Answer, NoNumber};

const AT_MOST: Bound = Bound { max: Some(20.0), min: None, target: Some(8.0) };
const AT_LEAST: Bound = Bound { max: None, min: Some(35.0), target: Some(50.0) };

/// Derived: (20 − 12.5) / (20 − 8), (41 − 35) / (50 − 35), and 0 at the limit itself, which is held.
#[test]
fn grade_is_linear_between_limit_and_target() {
    check("grade", |_| {
        let at_limit = Answer::of(20.0);
        assert!(AT_MOST.held(&at_limit));
        vec![
            Some(AT_MOST.grade(&Answer::of(12.5))),
            Some(AT_LEAST.grade(&Answer::of(41.0))),
            Some(AT_MOST.grade(&at_limit)),
        ]
    });
    assert_eq!((AT_MOST.grade(&Answer::of(3.0)), AT_LEAST.grade(&Answer::of(60.0))), (1.0, 1.0));
    let untargeted = Bound { target: None, ..AT_MOST };
    assert_eq!((untargeted.grade(&Answer::of(20.0)), untargeted.grade(&Answer::of(20.1))), (1.0, 0.0));
    let at_its_target = Bound { target: Some(20.0), ..AT_MOST };
    assert_eq!((at_its_target.grade(&Answer::of(20.0)), at_its_target.grade(&Answer::of(21.0))), (1.0, 0.0));
}

#[test]
fn none_holds_and_other_missing_numbers_miss() {
    for bound in [AT_MOST, AT_LEAST] {
        let none = Answer::Without(NoNumber::None);
        assert_eq!((bound.held(&none), bound.grade(&none)), (true, 1.0));
        for reason in [NoNumber::NotDefined, NoNumber::NotSettled, NoNumber::NotReached, NoNumber::Unstable] {
            let answer = Answer::Without(reason);
            assert_eq!((bound.held(&answer), bound.grade(&answer)), (false, 0.0), "{reason:?}");
        }
        assert!(!bound.held(&Answer::of(f64::NAN)));
    }
}

#[test]
fn excess_is_how_far_a_number_lies_beyond() {
    assert_eq!(AT_MOST.excess(&Answer::of(22.5)), Some(2.5));
    assert_eq!(AT_LEAST.excess(&Answer::of(30.0)), Some(5.0));
    assert_eq!(AT_MOST.excess(&Answer::of(20.0)), None);
    assert_eq!(AT_MOST.excess(&Answer::Without(NoNumber::NotSettled)), None);
}

#[test]
fn the_worse_of_two_answers_counts() {
    let (low, high) = (Answer::of(1.0), Answer::of(2.0));
    let unstable = Answer::Without(NoNumber::Unstable);
    let none = Answer::Without(NoNumber::None);
    let margin = Measure::PhaseMargin;
    assert_eq!(worse(margin, None, low, high), low);
    assert_eq!(worse(margin, Some(&AT_MOST), low, high), high);
    assert_eq!(worse(Measure::Dip, None, low, high), high);
    assert_eq!(worse(Measure::Dip, Some(&AT_LEAST), high, low), low);
    assert_eq!(worse(margin, None, none, high), high);
    assert_eq!(worse(margin, None, high, unstable), unstable);
    assert_eq!(worse(margin, None, Answer::Without(NoNumber::NotSettled), unstable), unstable);
}

/// The weighted mean over limits, each by its worst machine; 0 when any machine misses any limit.
#[test]
fn grade_of_a_trial() {
    let limit = |weight: f64, grades: &[f64]| Graded {
        weight,
        machines: grades.iter().map(|grade| Mark { held: true, grade: *grade }).collect(),
    };
    let held = vec![limit(2.0, &[1.0, 0.5]), limit(1.0, &[0.8])];
    assert!((grade_percent(&held) - 100.0 * (2.0 * 0.5 + 0.8) / 3.0).abs() < 1e-12);
    let mut missed = held;
    missed[1].machines.push(Mark { held: false, grade: 0.0 });
    assert_eq!(grade_percent(&missed), 0.0);
    assert_eq!(grade_percent(&[]), 100.0);
}

/// Every row of the table stands where its measure says, every name leads back to its measure, units end the names.
#[test]
fn the_table_of_measures_is_in_order() {
    for measure in Measure::all() {
        assert_eq!(measure.row().measure, measure, "{}", measure.name());
        assert_eq!(Measure::from_name(measure.name()), Some(measure));
    }
    let takes = |key| Measure::all().filter(|measure| measure.takes(key)).map(Measure::name).collect::<Vec<_>>();
    assert_eq!(takes(OptionKey::HighpassHz), ["torque_noise_rms_percent"]);
    assert_eq!(takes(OptionKey::HoldS), ["settling_time_s", "recovery_time_s"]);
    assert_eq!(Measure::from_name("overshoot"), None);
}
