//! Whether a start was a cold one.

use crate::night::{NIGHT, analysed, outcome, plan, play};
use model::quantity::Seconds;
use model::record::{Event, EventKind};
use model::result::{Basis, ColdStart, ResultName};
use model::time::{RunTime, Timestamp};

/// How the unit started by the warm-up time, when the unit had been off for so long.
fn after(off: Option<f64>, earlier: &[EventKind]) -> ColdStart {
    let plan = plan(NIGHT, "");
    let mut record = play(&plan, 0.05, 1, |slot, random| {
        -9.0 * (-slot.t / 600.0).exp() + 0.05 * random.normal()
    });
    let later = Seconds::of(off.unwrap_or(0.0));
    for reading in &mut record.readings {
        reading.at = reading.at + later;
        reading.played = reading.played + later;
    }
    for event in &mut record.events {
        event.at = event.at + later;
    }
    for kind in earlier {
        record.events.push(Event {
            at: RunTime::START,
            wall: Timestamp::UNIX_EPOCH,
            kind: *kind,
            stage: None,
            position: None,
            text: String::new(),
        });
    }
    let analysis = analysed(&plan, &record);
    let warm = outcome(&analysis, "night", ResultName::WarmUpTime);
    match &warm.basis {
        Some(Basis::WarmUpTime(reached)) => reached.origin.start.unwrap(),
        _ => panic!("{warm:?}"),
    }
}

#[test]
fn a_start_is_called_cold_only_when_that_is_known() {
    let off = [EventKind::PowerOff];
    let cold = after(Some(7300.0), &off);
    assert_eq!(cold, ColdStart::Cold { off_s: 7300.0 });
    let short = ColdStart::TooShort {
        off_s: 600.0,
        asked_s: 7200.0,
    };
    assert_eq!(after(Some(600.0), &off), short);
    assert_eq!(after(None, &[]), ColdStart::OffUnknown);
}
