//! What incidents do to verdicts: a unit to which something happened does not pass.

use model::document::plan::{Incidents, Plan};
use model::incident::{Incident, IncidentKind, Whose};
use model::record::{PositionId, RunRecord};
use model::result::{Because, Finding, JointRisk, Verdict};
use model::time::RunTime;

/// Turns passes over stages in which something happened to the unit: what is its own, or may
/// be, fails it; what is shared or the rig's leaves it undecided. What only kept the rig from
/// listening turns nothing. `origin` has the number and
/// t = 0 of a stage, by its name and the unit's position.
pub(crate) fn turn(
    plan: &Plan,
    record: &RunRecord,
    origin: impl Fn(&str, &PositionId) -> Option<(u16, RunTime)>,
    incidents: &[Incident],
    verdicts: &mut [Verdict],
    risks: &mut [JointRisk],
) {
    if plan.decision.incidents == Incidents::Allow {
        return;
    }
    let passes = verdicts
        .iter_mut()
        .filter(|verdict| verdict.finding == Finding::Pass);
    for verdict in passes {
        let tolerance = plan.tolerances.get(verdict.tolerance);
        let stage = tolerance.and_then(|tolerance| origin(&tolerance.of, &verdict.position));
        let Some((from, until)) =
            stage.and_then(|(stage, from)| Some((from, last_heard(record, stage)?)))
        else {
            continue;
        };
        let mut own: Vec<&Incident> = incidents
            .iter()
            .filter(|one| one.id.position == verdict.position)
            .filter(|one| !is_deafness(one) && concerns(one, from, until))
            .collect();
        own.sort_by_key(|one| (is_shared(one), one.id.number));
        let Some(first) = own.first() else {
            continue;
        };
        verdict.finding = if is_shared(first) {
            Finding::Undecided
        } else {
            Finding::Fail
        };
        verdict.because = Because::Incidents(own.iter().map(|one| one.id.clone()).collect());
        // What it would have been without, nobody knows; nor, of such a unit, the risk over
        // all tolerances.
        verdict.outside = None;
        let of_unit = |risk: &&mut JointRisk| risk.position == verdict.position;
        if let Some(risk) = risks.iter_mut().find(of_unit) {
            (risk.outside, risk.counted) = (None, 0);
        }
    }
}

/// Whether it is only that the rig did not listen: nothing is known to have happened to the
/// unit, and what was not measured is missing, which is judged by itself.
const fn is_deafness(incident: &Incident) -> bool {
    matches!(
        incident.kind,
        IncidentKind::LostSamples | IncidentKind::CaptureLost | IncidentKind::InputDead
    )
}

const fn is_shared(incident: &Incident) -> bool {
    matches!(incident.whose, Whose::SharedBy(_) | Whose::Rig)
}

/// The end of the last window of a stage.
fn last_heard(record: &RunRecord, stage: u16) -> Option<RunTime> {
    let readings = record.readings.iter();
    let readings = readings
        .filter(|reading| reading.key.stage == stage)
        .map(|reading| reading.at + reading.window);
    let traces = record.traces.iter();
    let traces = traces
        .filter(|trace| trace.stage == stage)
        .map(|trace| trace.at + trace.hop * trace.points.len() as f64);
    readings.chain(traces).max()
}

/// Whether a result over a stretch has to do with it.
fn concerns(incident: &Incident, from: RunTime, until: RunTime) -> bool {
    let ends = match (incident.kind, incident.until) {
        (IncidentKind::Step, _) => Some(incident.from.bad),
        (_, until) => until.map(|until| until.bad),
    };
    incident.from.bad <= until && ends.is_none_or(|ends| ends >= from)
}
