//! Listening: spans of the capture turned into measurements of every position.

use meter::{Advice, Limit, Meter, window_for};
use model::port::{Capture, CaptureError, Doubt, Window};
use model::quantity::{Cents, Hertz, Seconds};
use model::record::{Flag, Measured, PositionId};
use model::time::{Epoch, SampleRate, Span, Stop, Timeline};
use rayon::prelude::*;
use std::collections::BTreeMap;

/// Below this many samples in all, handing work to other threads costs more than it saves.
const WORTH_SHARING: usize = 4_000;

/// A short listen while a note settles holds so many periods of it, within these bounds,
/// in seconds.
const PERIODS: f64 = 8.0;
const SHORTEST_GLIMPSE: f64 = 0.06;
const LONGEST_GLIMPSE: f64 = 0.5;

/// How long a short listen must be to hold enough periods of the lowest of these notes.
pub(crate) fn glimpse_length(notes: impl Iterator<Item = Hertz>) -> Seconds {
    let lowest = notes.map(Hertz::get).fold(f64::INFINITY, f64::min);
    Seconds::of((PERIODS / lowest).clamp(SHORTEST_GLIMPSE, LONGEST_GLIMPSE))
}

/// The capture and a meter for each position.
pub(crate) struct Ear<C: Capture + ?Sized = dyn Capture> {
    pub(crate) capture: Box<C>,
    meters: BTreeMap<PositionId, Meter>,
    /// Whether the samples of windows are remembered, as evidence.
    pub(crate) remembers: bool,
    /// The samples of the last span that was measured, if they are.
    pub(crate) remembered: BTreeMap<PositionId, Vec<f32>>,
}

/// The measurements of a span, in the order of the capture's positions.
pub(crate) type Measurements = Vec<(PositionId, Measured)>;

impl<C: Capture + ?Sized> Ear<C> {
    pub(crate) fn new(capture: Box<C>) -> Self {
        Self {
            capture,
            meters: BTreeMap::new(),
            remembers: false,
            remembered: BTreeMap::new(),
        }
    }

    pub(crate) fn timeline(&self) -> Timeline {
        self.capture.timeline()
    }

    pub(crate) fn reopen(&mut self) -> Result<Epoch, CaptureError> {
        self.capture.reopen()
    }

    /// Waits until a span has passed and measures it.
    pub(crate) fn measure(
        &mut self,
        span: Span,
        stop: &Stop,
    ) -> Result<Measurements, CaptureError> {
        self.read(span, stop, |_, meter, samples| {
            meter.estimate(samples).measured()
        })
    }

    /// Waits until a short span has passed and looks at it briefly, beginning with
    /// what the span before it showed.
    pub(crate) fn glimpse(
        &mut self,
        span: Span,
        before: Option<&Measurements>,
        stop: &Stop,
    ) -> Result<Measurements, CaptureError> {
        let remembers = std::mem::replace(&mut self.remembers, false);
        let measured = self.read(span, stop, |position, meter, samples| {
            let before = before.and_then(|before| {
                let (_, measured) = before.iter().find(|(other, _)| other == position)?;
                measured.frequency
            });
            meter.glimpse(samples, before).measured()
        });
        self.remembers = remembers;
        measured
    }

    fn read(
        &mut self,
        span: Span,
        stop: &Stop,
        look: impl Fn(&PositionId, &mut Meter, &[f32]) -> Measured + Sync,
    ) -> Result<Measurements, CaptureError> {
        let rate = self.capture.timeline().rate;
        let window = self.capture.read(span, stop)?;
        let channels: Vec<(PositionId, &[f32])> = window
            .channels
            .iter()
            .map(|(position, samples)| (position.clone(), *samples))
            .collect();
        let mut measured = side_by_side(&mut self.meters, rate, &channels, &look);
        for (position, measured) in &mut measured {
            mark(&window, position, measured);
        }
        if self.remembers {
            self.remembered = channels
                .into_iter()
                .map(|(position, samples)| (position, samples.to_vec()))
                .collect();
        }
        Ok(measured)
    }

    /// Listens to adjoining spans until every position has the uncertainty asked for, or
    /// `longest` frames have passed, or it is clear that more of them would not do. Returns
    /// the frames listened to and what was measured over all of them.
    pub(crate) fn measure_until(
        &mut self,
        first: Span,
        longest: u64,
        reaches: Cents,
        stop: &Stop,
    ) -> Result<(Span, Measurements), CaptureError> {
        let rate = self.capture.timeline().rate;
        let mut samples: BTreeMap<PositionId, Vec<f32>> = BTreeMap::new();
        let mut doubts = Vec::new();
        let mut whole = Span {
            start: first.start,
            frames: 0,
        };
        let mut piece = first;
        loop {
            let window = self.capture.read(piece, stop)?;
            for (position, channel) in &window.channels {
                samples
                    .entry(position.clone())
                    .or_default()
                    .extend_from_slice(channel);
            }
            doubts.extend(window.doubts);
            whole.frames += piece.frames;
            let channels: Vec<(PositionId, &[f32])> = samples
                .iter()
                .map(|(position, samples)| (position.clone(), samples.as_slice()))
                .collect();
            let listened = rate.duration(whole.frames);
            let most = rate.duration(longest);
            let advised = side_by_side(&mut self.meters, rate, &channels, &|_, meter, samples| {
                let estimate = meter.estimate(samples);
                let advice = window_for(&estimate, listened, reaches, most);
                (estimate.measured(), advice)
            });
            // The longest of what the positions want; what is forbidden to one may do
            // for another.
            let wanted = advised
                .iter()
                .filter_map(|(_, (_, advice))| match advice {
                    Advice::Listen(window) => Some(rate.frames(*window)),
                    Advice::Reached | Advice::Forbidden(_) => None,
                })
                .max();
            let more = wanted.map_or(0, |wanted| {
                // Each piece costs a look at all that came before.
                wanted
                    .max(whole.frames + whole.frames / 4)
                    .min(longest)
                    .saturating_sub(whole.frames)
            });
            if more == 0 {
                let window = Window {
                    span: whole,
                    channels: Vec::new(),
                    doubts,
                };
                let measured = advised
                    .into_iter()
                    .map(|(position, (mut measured, advice))| {
                        mark(&window, &position, &mut measured);
                        mark_advice(advice, &mut measured);
                        (position, measured)
                    })
                    .collect();
                if self.remembers {
                    self.remembered = samples;
                }
                return Ok((whole, measured));
            }
            piece = whole.then(more);
        }
    }
}

/// Says why a reading has not the uncertainty that was asked for.
fn mark_advice(advice: Advice, measured: &mut Measured) {
    let limit = match advice {
        Advice::Reached => return,
        Advice::Listen(_) => Limit::Noise,
        Advice::Forbidden(limit) => limit,
    };
    match limit {
        // The state says more.
        Limit::NoTone => return,
        Limit::Noise => {}
        Limit::Jitter => measured.flags.insert(Flag::LimitedByJitter),
        Limit::Drift => measured.flags.insert(Flag::LimitedByDrift),
    }
    measured.flags.insert(Flag::UncertaintyNotReached);
}

/// Looks at each channel with its own meter, side by side where that pays.
fn side_by_side<T: Send>(
    meters: &mut BTreeMap<PositionId, Meter>,
    rate: SampleRate,
    channels: &[(PositionId, &[f32])],
    look: &(impl Fn(&PositionId, &mut Meter, &[f32]) -> T + Sync),
) -> Vec<(PositionId, T)> {
    for (position, _) in channels {
        meters
            .entry(position.clone())
            .or_insert_with(|| Meter::new(rate));
    }
    let jobs: Vec<(&PositionId, &mut Meter, &[f32])> = meters
        .iter_mut()
        .filter_map(|(position, meter)| {
            let (_, samples) = channels.iter().find(|(channel, _)| channel == position)?;
            Some((position, meter, *samples))
        })
        .collect();
    let total: usize = jobs.iter().map(|(_, _, samples)| samples.len()).sum();
    let one = |(position, meter, samples): (&PositionId, &mut Meter, &[f32])| {
        (position.clone(), look(position, meter, samples))
    };
    if jobs.len() < 2 || total < WORTH_SHARING {
        return jobs.into_iter().map(one).collect();
    }
    // The order stays that of the positions, whoever is done first.
    jobs.into_par_iter().map(one).collect()
}

/// Adds what the capture doubts about a window to a measurement of it.
fn mark(window: &Window<'_>, position: &PositionId, measured: &mut Measured) {
    for doubt in &window.doubts {
        match doubt {
            Doubt::Xrun { at } if window.span.contains(*at) => measured.flags.insert(Flag::Xrun),
            Doubt::Clipped(clipped) if clipped == position => measured.flags.insert(Flag::Clipped),
            Doubt::ExactZeros(zeros) if zeros == position => {
                measured.flags.insert(Flag::ExactZeros)
            }
            _ => {}
        }
    }
}
