//! What a person sees while a run goes on. Everything here goes to stderr, and
//! only what is on disk is shown.

use crate::cli::Format;
use crate::glass::Glass;
use crate::outlet;
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use model::pitch::{Pitch, PitchStandard};
use model::plain;
use model::port::{Committed, Watcher};
use model::quantity::shown::duration_within;
use model::quantity::{Hertz, Seconds};
use model::record::{Entry, Event, EventKind, MAY_STILL_BE_ON, PositionId, Reading, State};
use serde_json::json;
use std::collections::BTreeMap;
use std::io::IsTerminal;
use std::time::{Duration, Instant};

/// Shows a run on the terminal, or streams it as JSON Lines.
pub struct Screen {
    standard: PitchStandard,
    format: Format,
    bar: ProgressBar,
    latest: BTreeMap<PositionId, String>,
    total: Seconds,
    drawn: Option<Instant>,
}

impl Screen {
    /// A screen for a run of `total` length.
    pub fn new(standard: PitchStandard, format: Format, total: Seconds) -> Self {
        let steps = (total.get().ceil() as u64).max(1);
        Self {
            standard,
            format,
            bar: bar(steps, "{bar:32} {msg}\n{prefix}"),
            latest: BTreeMap::new(),
            total,
            drawn: None,
        }
    }

    fn reading(&mut self, reading: &Reading) {
        let shown = match reading.measured.frequency {
            Some(frequency) if reading.measured.state == State::Ok => {
                self.deviation(frequency, reading.asked)
            }
            _ => reading.measured.state.name().replace('_', " "),
        };
        self.latest.insert(reading.key.position.clone(), shown);
        if self.format == Format::Json {
            let line = json!({
                "stage": reading.key.stage,
                "round": reading.key.round,
                "slot": reading.key.slot,
                "repeat": reading.key.repeat,
                "attempt": reading.key.attempt,
                "position": reading.key.position.as_str(),
                "run_s": reading.at.seconds(),
                "window_s": reading.window.get(),
                "hz": reading.measured.frequency.map(|frequency| frequency.get()),
                "u_hz": reading.measured.u.map(|u| u.get()),
                "level_dbfs": reading.measured.level.map(|level| level.get()),
                "state": reading.measured.state.name(),
                "flags": reading.measured.flags.names(),
            });
            outlet::stream(line);
        }
    }

    /// How far a frequency is from the one asked for, whole octaves left out: a
    /// range switch may stand anywhere.
    fn deviation(&self, heard: Hertz, asked: Pitch) -> String {
        let cents = heard.cents_from(self.standard.frequency(asked)).get();
        format!("{:+.2}", cents - (cents / 1200.0).round() * 1200.0)
    }

    /// Shows an event. `of` are the positions that the same is said of.
    fn event(&self, event: &Event, of: &[&str]) {
        let loud = !matches!(
            event.kind,
            EventKind::SessionOpened
                | EventKind::SessionClosed
                | EventKind::StageBegan
                | EventKind::StageEnded
                | EventKind::PowerOn
                | EventKind::PowerOff
                | EventKind::FirstSound
                | EventKind::Answered
                | EventKind::Remark
                | EventKind::RunEnded
        );
        if loud {
            let positions = if of.is_empty() {
                String::new()
            } else {
                format!("{}: ", of.join(", "))
            };
            let first = if event.kind == EventKind::OutputUncertain {
                format!("{MAY_STILL_BE_ON}: ")
            } else {
                String::new()
            };
            let at = clock(event.at.seconds());
            let line = format!("{first}{at} {positions}{}", event.text);
            if self.bar.is_hidden() {
                outlet::tell(line);
            } else {
                self.bar.println(plain(&line));
            }
        }
        tracing::info!(
            kind = event.kind.name(),
            at_s = event.at.seconds(),
            "{}",
            event.text
        );
    }

    /// Takes the bar away.
    pub fn finish(&self) {
        self.bar.finish_and_clear();
    }
}

impl Watcher for Screen {
    fn committed(&mut self, committed: &Committed) {
        let entries = committed.entries();
        for (index, entry) in entries.iter().enumerate() {
            match entry {
                Entry::Reading(reading) => self.reading(reading),
                Entry::Event(event) => {
                    // What is said of a supply is an event of each position, and shown once.
                    let same = |other: &&Entry| {
                        matches!(other, Entry::Event(other) if (other.at, other.kind, &other.text)
                            == (event.at, event.kind, &event.text))
                    };
                    if index > 0 && entries.get(index - 1).as_ref().is_some_and(same) {
                        continue;
                    }
                    let of: Vec<&str> = entries[index..]
                        .iter()
                        .take_while(same)
                        .filter_map(|entry| match entry {
                            Entry::Event(event) => event.position.as_ref(),
                            _ => None,
                        })
                        .map(PositionId::as_str)
                        .collect();
                    self.event(event, &of);
                }
                Entry::Gap(gap) => {
                    tracing::info!(stage = gap.stage, round = gap.round, "gap: {}", gap.reason)
                }
                Entry::Trace(trace) => {
                    let last = trace.points.last().and_then(|point| point.frequency);
                    let shown = last.map_or_else(
                        || "-".to_owned(),
                        |frequency| self.deviation(frequency, trace.asked),
                    );
                    self.latest.insert(trace.position.clone(), shown);
                }
            }
        }
    }

    fn progress(&mut self, stage: &str, left: Seconds) {
        // Virtual nights pass many notes a second; a screen need not follow them all.
        if self
            .drawn
            .is_some_and(|drawn| drawn.elapsed() < Duration::from_millis(100))
        {
            return;
        }
        self.drawn = Some(Instant::now());
        let latest: Vec<String> = self
            .latest
            .iter()
            .map(|(position, shown)| format!("{position} {shown}"))
            .collect();
        self.bar
            .set_position((self.total.get() - left.get()).max(0.0) as u64);
        self.bar
            .set_message(format!("{}, {} left", plain(stage), length(left.get())));
        // Nothing has been heard yet while units cool or are tuned.
        self.bar.set_prefix(if latest.is_empty() {
            String::new()
        } else {
            plain(&format!("cents: {}", latest.join("   "))).into_owned()
        });
    }
}

/// A bar on stderr; where that is no terminal, one that nobody sees.
pub fn bar(steps: u64, form: &str) -> ProgressBar {
    let target = if std::io::stderr().is_terminal() {
        ProgressDrawTarget::term_like_with_hz(Box::new(Glass::default()), 5)
    } else {
        ProgressDrawTarget::hidden()
    };
    let bar = ProgressBar::with_draw_target(Some(steps), target);
    if let Ok(style) = ProgressStyle::with_template(form) {
        bar.set_style(style);
    }
    bar
}

/// A point in the time of a run: `3:25:00`.
pub fn clock(seconds: f64) -> String {
    let seconds = seconds.round() as i64;
    format!(
        "{}:{:02}:{:02}",
        seconds / 3600,
        seconds / 60 % 60,
        seconds % 60
    )
}

/// A length of time that is planned or has passed: `14 h 30 min`, `5 min 20 s`, `12 s`.
pub fn length(seconds: f64) -> String {
    // Within the hour every second counts.
    let known_to = (seconds < 3600.0).then_some(10.0);
    duration_within(seconds.round(), known_to)
}
