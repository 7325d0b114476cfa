//! A run: the stages of a plan, one after the other, each thing on disk before
//! the next is begun.

use crate::error::RunError;
use crate::judge::Heard;
use crate::power::Power;
use crate::preflight;
use crate::progress::{Delay, Progress};
use crate::safety::{SafeState, Why};
use crate::schedule::{Schedule, Work};
use crate::session::{Ports, Session};
use crate::watch::{Asking, Watch};
use crate::watched::Fault;
use model::document::plan::{Evidence, Plan};
use model::document::rig::Rig;
use model::port::{Journal, JournalError, Request, Watcher, commit};
use model::quantity::Seconds;
use model::record::{Entry, Event, EventKind, PositionId, RunRecord};
use model::time::{HostTime, RunTime, Stop, StopReason};

/// A run to be carried out or carried on.
pub struct Job<'a> {
    /// The plan.
    pub plan: &'a Plan,
    /// The rig.
    pub rig: &'a Rig,
    /// All that is on disk of the run: its header at least.
    pub record: &'a RunRecord,
    /// Whether to go on when the checks before the plan find a fault.
    pub in_spite_of_preflight: bool,
}

/// Carries a run out, or on, until its plan is done or something ends it. On
/// every way out notes are ended; supplies go off only after an electrical fault, and
/// where a switching or the checks before the plan had not come to their end.
///
/// # Errors
/// [`RunError`] when it ended before its plan did. What is on disk stays valid.
pub fn conduct(
    job: &Job<'_>,
    ports: Ports,
    journal: &mut dyn Journal,
    watcher: &mut dyn Watcher,
    stop: &Stop,
) -> Result<(), RunError> {
    let safe = SafeState::of(&ports, job.rig);
    let mut run = Run::new(job, ports, journal, watcher, stop, safe.clone());
    // A wait that was cut short does not know why; the flag does, and on the reason
    // depends whether supplies go off.
    let outcome = run.all().map_err(|error| match error {
        RunError::Stopped(_) => run.stopped(),
        other => other,
    });
    run.end(outcome, &safe)
}

/// How long a run that waits lets others wait who ask something of it.
const HEARD_WITHIN: Seconds = Seconds::of(0.5);
/// What takes so much longer than it should is a delay worth a word.
const HELD_UP: Seconds = Seconds::of(5.0);

pub(crate) struct Run<'a> {
    pub(crate) plan: &'a Plan,
    pub(crate) rig: &'a Rig,
    pub(crate) positions: Vec<PositionId>,
    pub(crate) schedule: Schedule,
    pub(crate) session: Session,
    pub(crate) progress: Progress,
    pub(crate) journal: &'a mut dyn Journal,
    watcher: &'a mut dyn Watcher,
    resumed: bool,
    /// How long nobody looked before the run was taken up again.
    pub(crate) away: Seconds,
    in_spite_of_preflight: bool,
    /// The stage under way.
    pub(crate) stage: Option<u16>,
    pub(crate) watch: Watch,
    asking: Option<Asking>,
    pub(crate) safe: SafeState,
}

impl<'a> Run<'a> {
    fn new(
        job: &Job<'a>,
        ports: Ports,
        journal: &'a mut dyn Journal,
        watcher: &'a mut dyn Watcher,
        stop: &Stop,
        safe: SafeState,
    ) -> Self {
        let mut ports = ports;
        let positions: Vec<PositionId> = job.record.header.units.keys().cloned().collect();
        let progress = Progress::of(job.record);
        let resumed = !job.record.events.is_empty();
        // Across sessions only the wall clock knows how long the run has been
        // going on; it cannot have gone on for less than what is on disk.
        let by_wall = ports.clock.wall().duration_since(job.record.header.began);
        let by_wall =
            RunTime::from_nanoseconds(i64::try_from(by_wall.as_nanos()).unwrap_or(i64::MAX));
        let now = if resumed {
            by_wall.max(job.record.last_deed())
        } else {
            RunTime::START
        };
        let progress_end = progress.last_instant;
        let zero = HostTime::from_nanoseconds(ports.clock.now().nanoseconds() - now.nanoseconds());
        let watch = Watch::begin(
            job.rig,
            &positions,
            &progress,
            &ports,
            zero,
            safe.clone(),
            stop,
        );
        let asking = std::mem::replace(&mut ports.asking, Asking::Apart);
        let mut session = Session::new(ports, stop.clone(), job.plan.pitch, zero);
        session.heard = Heard::of(job.record);
        session.ear.remembers = job.plan.evidence != Evidence::None;
        Self {
            plan: job.plan,
            rig: job.rig,
            schedule: Schedule::new(job.plan, job.rig, &positions),
            positions,
            session,
            progress,
            journal,
            watcher,
            resumed,
            away: Seconds::of(now.seconds_from(progress_end).max(0.0)),
            in_spite_of_preflight: job.in_spite_of_preflight,
            stage: None,
            watch,
            asking: Some(asking),
            safe,
        }
    }

    /// Puts entries on disk, with all that the watch has seen until now, then lets the
    /// progress and the watcher know.
    pub(crate) fn keep(&mut self, entries: Vec<Entry>) -> Result<(), RunError> {
        if entries.is_empty() {
            return Ok(());
        }
        let mut all = self.changes();
        all.extend(entries);
        let begun = self.session.now();
        let committed = commit(self.journal, all)?;
        self.account(begun, Seconds::ZERO, "the store took long to write");
        for entry in committed.entries() {
            match entry {
                Entry::Reading(reading) => {
                    self.progress.reading(reading);
                    self.session.heard.remember(reading);
                }
                Entry::Trace(trace) => {
                    self.progress.trace(trace);
                    self.session.heard.remember_trace(trace);
                }
                Entry::Gap(gap) => self.progress.gap(gap),
                Entry::Event(event) => self.progress.event(event),
            }
        }
        self.watcher.committed(&committed);
        Ok(())
    }

    pub(crate) fn event(
        &self,
        at: RunTime,
        kind: EventKind,
        stage: Option<u16>,
        position: Option<PositionId>,
        text: impl Into<String>,
    ) -> Entry {
        Entry::Event(Event {
            at,
            wall: self.session.clock.wall(),
            kind,
            stage,
            position,
            text: text.into(),
        })
    }

    pub(crate) fn say(
        &mut self,
        kind: EventKind,
        stage: Option<u16>,
        text: impl Into<String>,
    ) -> Result<(), RunError> {
        let event = self.event(self.session.now(), kind, stage, None, text);
        self.keep(vec![event])
    }

    /// Notes that something took longer than it should, as a reason for what is late.
    pub(crate) fn account(&mut self, from: RunTime, should: Seconds, what: &'static str) {
        let until = self.session.now();
        if until.seconds_from(from) > should.get() + HELD_UP.get() {
            self.progress.delays.push(Delay {
                from,
                until,
                what,
                device: false,
            });
        }
    }

    /// Why something due some time ago is not going to be measured.
    pub(crate) fn why_late(&self, since: RunTime) -> String {
        let now = self.session.now();
        self.progress.held_up(since, now).map_or_else(
            || format!("what came before lasted until {}", words(now)),
            Delay::words,
        )
    }

    fn all(&mut self) -> Result<(), RunError> {
        let text = if self.resumed {
            "the run was taken up again"
        } else {
            "the run began"
        };
        let before = self.progress.last_instant;
        self.say(EventKind::SessionOpened, None, text)?;
        if self.resumed {
            let now = self.session.now();
            self.progress.delays.push(Delay::absence(before, now));
        }
        if self.progress.tripped {
            // Whoever found the cause begins anew: the night is spoilt in any case.
            return Err(RunError::Unfit(
                "an electrical fault ended this run, and it is not carried on; find the cause with the power off, then begin a new run".to_owned(),
            ));
        }
        if let Some(asking) = self.asking.take() {
            self.watch.asked_by(asking)?;
        }
        self.session.stop.check()?;
        // Until the checks are done it is they that switch supplies.
        if self.resumed && self.progress.preflight_done {
            self.look_for_lost_power()?;
        }
        if !self.progress.preflight_done {
            self.preflight()?;
        }
        let last = self.schedule.stages.len().checked_sub(1);
        let under_way = last.and_then(|last| {
            let begun = |stage: &u16| self.progress.anchor(*stage).is_some();
            (0..=last as u16).rfind(begun)
        });
        self.look_at_budget(under_way)?;
        let mut anchor = self.session.now();
        for stage in 0..self.schedule.stages.len() as u16 {
            if let Some(end) = self.progress.end(stage) {
                anchor = end;
                continue;
            }
            self.stage = Some(stage);
            anchor = match self.progress.anchor(stage) {
                Some(begun) => begun,
                None => {
                    let name = self.schedule.stages[usize::from(stage)].name.clone();
                    let began = self.event(anchor, EventKind::StageBegan, Some(stage), None, name);
                    self.keep(vec![began])?;
                    anchor
                }
            };
            let end = self.stage(stage, anchor)?;
            let name = self.schedule.stages[usize::from(stage)].name.clone();
            let ended = self.event(end, EventKind::StageEnded, Some(stage), None, name);
            self.keep(vec![ended])?;
            anchor = end;
        }
        self.say(EventKind::RunEnded, None, "all stages are done")
    }

    /// Carries a stage out and returns its end: the planned one where the plan
    /// decides it, else the real one.
    fn stage(&mut self, stage: u16, anchor: RunTime) -> Result<RunTime, RunError> {
        let scheduled = self.schedule.stages[usize::from(stage)].clone();
        let planned_end = scheduled.lasts.map(|lasts| anchor + lasts);
        match scheduled.work {
            Work::PowerOn => {
                self.switch(true, Some(stage), |run, position| {
                    !run.progress.has_switched(stage, position)
                })?;
                return Ok(self.session.now());
            }
            Work::CoolDown => {
                self.switch(false, Some(stage), |run, position| {
                    !run.progress.has_switched(stage, position)
                })?;
            }
            Work::Wait => {}
            Work::Rounds(rounds) => self.rounds(stage, anchor, &rounds)?,
            Work::Hold(held) => self.hold(stage, anchor, &held)?,
            Work::Ask { question } => {
                let answer = self.ask(Some(stage), &question)?;
                let text = if answer.is_empty() {
                    "done".to_owned()
                } else {
                    answer
                };
                self.say(
                    EventKind::Answered,
                    Some(stage),
                    format!("{question} — {text}"),
                )?;
            }
            Work::Tune(tuning) => self.tune(stage, &tuning)?,
        }
        let end = planned_end.unwrap_or_else(|| self.session.now());
        self.wait_until(stage, end)?;
        Ok(end)
    }

    /// Waits until `due`. The wait is cut into pieces, so that whoever wants to end the run
    /// or to remark on it is heard soon.
    pub(crate) fn wait_until(&mut self, stage: u16, due: RunTime) -> Result<(), RunError> {
        while self.session.now() < due {
            let begun = self.session.now();
            self.session.sleep_until((begun + HEARD_WITHIN).min(due))?;
            self.account(begun, HEARD_WITHIN, "the machine stood still");
            self.heed(stage)?;
            self.keep_changes()?;
        }
        Ok(())
    }

    /// Asks the person at the bench and waits for the answer, however long it takes; who
    /// wants to end the run meanwhile, or to remark on it, is heard all the same.
    pub(crate) fn ask(&mut self, stage: Option<u16>, question: &str) -> Result<String, RunError> {
        self.hear(stage)?;
        self.session.operator.ask(question);
        loop {
            if let Some(answer) = self.session.operator.answer(&self.session.stop)? {
                return Ok(answer);
            }
            self.hear(stage)?;
        }
    }

    fn preflight(&mut self) -> Result<(), RunError> {
        let powers_later = self
            .schedule
            .stages
            .iter()
            .any(|stage| stage.work == Work::PowerOn);
        let positions = self.positions.clone();
        let power = Power::new(self.rig, &positions);
        // A supply the plan will switch may be switched for the checks; one that it
        // never mentions is taken as it is, and only switched on if found off. Checks that
        // were broken off may have switched it on already.
        let already =
            |run: &Self, position: &PositionId| run.progress.powered(position) == Some(true);
        let switch = self.plan.preflight
            && power.switchable()
            && (powers_later
                || positions.iter().any(|position| already(self, position))
                || !power.found_off(&self.session).is_empty());
        if switch {
            self.safe.owes().checks(true);
            self.switch(true, None, |run, position| !already(run, position))?;
        }
        let can_listen = switch || !powers_later;
        let findings = if self.plan.preflight && can_listen {
            if switch {
                self.session
                    .sleep_until(self.session.now() + Seconds::of(2.0))?;
            }
            Some(preflight::check(
                &mut self.session,
                self.rig,
                &self.schedule.reference.clone(),
            )?)
        } else {
            None
        };
        let mut entries = Vec::new();
        if switch && powers_later {
            // t = 0 is when the plan switches on, not when the checks did. It is kept together
            // with what they found: they are done, or to be done again, as a whole.
            for name in self.supplies_of(|_, _| true) {
                entries.extend(self.switch_one(false, None, &name)?);
            }
        }
        // What was heard here is not on disk; a resumed run could not know it.
        self.session.heard = Heard::default();
        let now = self.session.now();
        let fatal = findings
            .as_ref()
            .map_or_else(Vec::new, |findings| findings.fatal.clone());
        let sentences: Vec<String> = match findings {
            None if self.plan.preflight => vec!["the checks before the plan were left out: no instrument can switch the units on for them, so watch the first round".to_owned()],
            None => vec!["the checks before the plan were left out, as the plan says".to_owned()],
            Some(findings) if findings.fatal.is_empty() && findings.remarks.is_empty() => {
                vec!["every input hears its own unit, and every unit follows its own control voltage".to_owned()]
            }
            Some(findings) => findings.fatal.into_iter().chain(findings.remarks).collect(),
        };
        let refused = !fatal.is_empty() && !self.in_spite_of_preflight;
        // Checks that ended the run are not done with: it is taken up again only when
        // they find nothing, or when told to go on in spite of them.
        let kind = if refused {
            EventKind::Fault
        } else {
            EventKind::Preflight
        };
        for sentence in sentences {
            entries.push(self.event(now, kind, None, None, sentence));
        }
        self.keep(entries)?;
        self.safe.owes().switching(false);
        self.safe.owes().checks(refused && !powers_later);
        if refused {
            return Err(RunError::Preflight(fatal.join("; ")));
        }
        Ok(())
    }

    /// Is the run to stop, and what do other processes ask?
    pub(crate) fn hear(&mut self, stage: Option<u16>) -> Result<(), RunError> {
        if self.session.stop.reason().is_some() {
            return Err(self.stopped());
        }
        let requests = self.journal.requests()?;
        let stops = requests.contains(&Request::Stop);
        self.keep(self.remarks(stage, requests))?;
        if stops {
            self.session.stop.raise(StopReason::Asked);
            return Err(RunError::Stopped(StopReason::Asked));
        }
        Ok(())
    }

    /// The remarks among what was asked. They go to disk in one commit: it marks all of it
    /// as taken.
    fn remarks(&self, stage: Option<u16>, requests: Vec<Request>) -> Vec<Entry> {
        let now = self.session.now();
        requests
            .into_iter()
            .filter_map(|request| match request {
                Request::Remark(text) => {
                    Some(self.event(now, EventKind::Remark, stage, None, text))
                }
                Request::Stop => None,
            })
            .collect()
    }

    /// Between two notes and while nothing sounds: is the run to stop, what do other
    /// processes ask, how much is left.
    pub(crate) fn heed(&mut self, stage: u16) -> Result<(), RunError> {
        self.hear(Some(stage))?;
        let scheduled = &self.schedule.stages[usize::from(stage)];
        let end = self
            .progress
            .anchor(stage)
            .map_or(self.session.now(), |anchor| {
                anchor + scheduled.lasts.unwrap_or(Seconds::ZERO)
            });
        let left = Seconds::of(end.seconds_from(self.session.now()).max(0.0));
        let name = scheduled.name.clone();
        self.watcher.progress(
            &name,
            left + self.schedule.duration_after(usize::from(stage)),
        );
        Ok(())
    }

    /// The end of a session: the rig is made safe first, and what became of it written
    /// afterwards. That may fail; what is returned is then all that says so.
    fn end(&mut self, outcome: Result<(), RunError>, safe: &SafeState) -> Result<(), RunError> {
        self.watch.end();
        let told = self.watch.fault();
        // Nobody watches from here on, so what looks like a short circuit counts as one.
        let suspect = self.watch.suspect();
        // Of the plan's own supplies that were sent off with a switching that failed, a run
        // that is taken up again finds them off, and switches them on again.
        let undone = !self.progress.preflight_done && safe.owes().any();
        let electrical = told.is_some() || outcome.as_ref().is_err_and(RunError::is_electrical);
        let why = if electrical {
            Why::Electrical
        } else {
            Why::Measurement
        };
        let made = safe.enter(why);
        let outcome = match told.map(|(fault, _)| fault).or(suspect) {
            Some(fault) => {
                let Fault { at, what, check } = fault;
                let off = if made.off.is_empty() {
                    "off was sent to every supply that the rig file lets go off"
                } else {
                    "the supplies were switched off"
                };
                let tripped = self.event(at, EventKind::Tripped, None, None, what.clone());
                let kept = self.keep(vec![tripped]);
                let unkept = kept.err().map_or_else(String::new, |error| {
                    format!("; that could not be kept, so do not resume this run: {error}")
                });
                Err(RunError::Electrical(format!(
                    "{what}; {off}; {check}{unkept}"
                )))
            }
            None => outcome,
        };
        let now = self.session.now();
        let mut entries = Vec::new();
        let positions_of = |name: &String| Power::new(self.rig, &self.positions).fed_by(name);
        for (name, sentence) in &made.uncertain {
            for position in positions_of(name) {
                let kind = EventKind::OutputUncertain;
                entries.push(self.event(now, kind, None, Some(position), sentence.clone()));
            }
        }
        if undone {
            for name in &made.off {
                for position in positions_of(name) {
                    let text = format!("supply \"{name}\" switched off, as the run ended");
                    entries.push(self.event(now, EventKind::PowerOff, None, Some(position), text));
                }
            }
        }
        let _ = self.keep(entries);
        let outcome = match (made.uncertain.is_empty(), made.notes, outcome) {
            (false, _, outcome) => Err(RunError::MayStillBeOn {
                uncertain: made
                    .uncertain
                    .into_values()
                    .collect::<Vec<String>>()
                    .join("; "),
                error: Box::new(outcome.err().unwrap_or_else(|| {
                    RunError::Unfit("the plan is done all the same".to_owned())
                })),
            }),
            (true, Some(notes), Ok(())) => Err(RunError::Unfit(notes)),
            (true, Some(notes), Err(error)) => Err(RunError::Unfit(format!("{error}; {notes}"))),
            (true, None, outcome) => outcome,
        };
        let text = match &outcome {
            Ok(()) => "the run was laid down: its plan is done".to_owned(),
            Err(error) => format!("the run was laid down: {error}"),
        };
        if let Err(
            RunError::Device(_)
            | RunError::Capture(_)
            | RunError::NotSwitched(_)
            | RunError::Unanswered,
        ) = outcome
        {
            let fault = self.event(now, EventKind::Fault, None, None, text.clone());
            let _ = self.keep(vec![fault]);
        }
        // Whoever was told that the run takes a request finds it in the log: what comes
        // before the last entry is kept with it, and nothing is accepted after it.
        loop {
            let requests = self.journal.requests().unwrap_or_default();
            let late = outcome.is_ok() && requests.contains(&Request::Stop);
            let mut entries = self.remarks(None, requests);
            let text = if late {
                format!("{text}; it was asked to stop as it ended")
            } else {
                text.clone()
            };
            entries.push(self.event(now, EventKind::SessionClosed, None, None, text));
            match self.keep(entries) {
                Err(RunError::Journal(JournalError::Unheard)) => {}
                _ => break,
            }
        }
        outcome
    }
}

/// A run time for a person.
pub(crate) fn words(at: RunTime) -> String {
    let seconds = at.seconds().round() as i64;
    format!(
        "{}:{:02}:{:02}",
        seconds / 3600,
        seconds / 60 % 60,
        seconds % 60
    )
}
