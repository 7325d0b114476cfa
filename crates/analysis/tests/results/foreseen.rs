//! What is said beforehand of results that are a scatter, or that a steady unit does
//! not have.

use crate::night::{EXACT, plan, rig};
use analysis::{Foreseen, foresee};
use model::result::NotDetermined;

#[test]
fn a_scatter_is_foreseen_from_how_often_it_is_seen() {
    let plan = plan(
        "
  - sweep: {name: fine, notes: {range: {from: C2, to: C7, step: 300 cents}}, order: up_then_down}
  - hold: {name: still, note: C4, for: 10 min, hop: 1 s}",
        "{result: repeatability, of: fine, allow: {at_most: 0.5 cents}},
         {result: short_term_stability, of: still, allow: {at_most: 1 cent}},
         {result: low_end, of: fine, allow: {within: 3 cents}},
         {result: scale_temperature_coefficient, of: fine, allow: {within: 1 cent/oct/K}}",
    );
    let all = foresee(&plan, &rig(EXACT));
    let [repeatability, stability, low, temperature] = all.as_slice() else {
        panic!("{all:?}");
    };
    // Some twenty pairs of visits: a standard deviation is known to a third or so.
    assert_eq!(repeatability.decides, Some(true), "{repeatability:?}");
    let expanded = repeatability.expanded.unwrap();
    assert!((0.1..0.3).contains(&expanded), "{repeatability:?}");
    // Six hundred windows say more.
    assert_eq!(stability.decides, Some(true), "{stability:?}");
    assert!(
        (0.02..0.1).contains(&stability.expanded.unwrap()),
        "{stability:?}"
    );
    assert_eq!(low.decides, None, "{low:?}");
    let Foreseen::NotDetermined {
        at_limit: true,
        why_not: Some(why),
    } = &low.because
    else {
        panic!("{low:?}");
    };
    assert!(
        matches!(
            why,
            NotDetermined::TooFewNotes {
                takes: 6,
                takes_octaves: 6.0,
                ..
            }
        ),
        "{why:?}"
    );
    assert_eq!(temperature.decides, Some(false), "{temperature:?}");
    assert_eq!(temperature.because, Foreseen::NoThermometer);
}
