//! Where a control voltage rests, and which notes it then stands for.

use crate::ControlVoltageError;
use crate::notes::{Slot, number};
use model::document::notes::name_of;
use model::pitch::{AskedNote, ControlLaw, PitchStandard};
use model::quantity::Volts;
use model::time::SampleRate;

/// The voltage is looked at in means over so long, seconds.
const BLOCK: f64 = 0.01;
/// It rests while a mean is so near to those before, volts: a twelfth of a semitone at
/// 1 V/octave, and more than a noisy input makes of 10 ms.
const REST: f64 = 7e-3;
/// A rest shorter than this is no note, seconds.
const SHORTEST: f64 = 0.25;
/// Rests nearer to each other than this are the same note, volts: a quarter of a semitone.
const SAME_NOTE: f64 = 20e-3;
/// A note of the scale is meant where the voltage is so near to its own, volts.
const MEANT: f64 = 12e-3;
/// A rest that sags by this share of the step before it came through a capacitor.
const SAG: f64 = 0.05;
/// So do rests most of which fall back by this share of their own voltage: a capacitor of
/// minutes. An interface that lets go of its notes so fast plays them wrong, too.
const FALLS_BACK: f64 = 0.005;
/// Near nought such a share says nothing, volts.
const NEAR_NOUGHT: f64 = 0.5;
/// The first blocks of a rest are still on their way.
const UNDER_WAY: u64 = 25;
/// Beyond this share of full scale the voltage cannot be known.
const FULL: f32 = 0.999;

/// A stretch at one voltage.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Rest {
    first: u64,
    blocks: u64,
    sum: f64,
    /// Mean of its first and of its last blocks.
    begins: f64,
    ends: f64,
    /// A straight line through the blocks from [`UNDER_WAY`] on.
    line: Line,
}

/// Sums for a straight line through values one after the other.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
struct Line {
    count: f64,
    value: f64,
    place_value: f64,
}

impl Line {
    fn push(&mut self, value: f64) {
        self.place_value += self.count * value;
        self.value += value;
        self.count += 1.0;
    }

    /// How far it rises from the first value to the last.
    fn rise(&self) -> Option<f64> {
        let n = self.count;
        let middle = (n - 1.0) / 2.0;
        let squares = n * (n * n - 1.0) / 12.0;
        (n >= UNDER_WAY as f64).then(|| (self.place_value - middle * self.value) / squares * n)
    }
}

impl Rest {
    fn volts(&self) -> f64 {
        self.sum / self.blocks as f64
    }

    /// By which share of its voltage it comes nearer to nought, where that can be said.
    fn falls_back(&self) -> Option<f64> {
        let volts = self.volts();
        let share = -self.line.rise()? / volts;
        (volts.abs() >= NEAR_NOUGHT).then_some(share)
    }
}

/// Follows a control voltage.
#[derive(Debug)]
pub(crate) struct StepFinder {
    rate: f64,
    block: usize,
    full_scale: f64,
    sum: f64,
    count: usize,
    next: u64,
    before: Option<f64>,
    current: Option<Rest>,
    rests: Vec<Rest>,
    full_at: Option<f64>,
    low: f64,
    high: f64,
}

impl StepFinder {
    /// A follower of samples at this rate, full scale at so many volts.
    pub(crate) fn new(rate: SampleRate, full_scale: Volts) -> Self {
        Self {
            rate: rate.get(),
            block: ((BLOCK * rate.get()) as usize).max(1),
            full_scale: full_scale.get(),
            sum: 0.0,
            count: 0,
            next: 0,
            before: None,
            current: None,
            rests: Vec::new(),
            full_at: None,
            low: f64::INFINITY,
            high: f64::NEG_INFINITY,
        }
    }

    /// Takes more samples.
    pub(crate) fn push(&mut self, samples: &[f32]) {
        for sample in samples {
            if sample.abs() >= FULL && self.full_at.is_none() {
                let at = self.next * self.block as u64 + self.count as u64;
                self.full_at = Some(at as f64 / self.rate);
            }
            self.sum += f64::from(*sample);
            self.count += 1;
            if self.count == self.block {
                let volts = self.sum / self.block as f64 * self.full_scale;
                (self.sum, self.count) = (0.0, 0);
                self.see(volts);
            }
        }
    }

    fn see(&mut self, volts: f64) {
        (self.low, self.high) = (self.low.min(volts), self.high.max(volts));
        let place = self.next;
        self.next += 1;
        let before = self.before.replace(volts);
        match &mut self.current {
            Some(rest) if (volts - rest.ends).abs() <= REST => {
                rest.blocks += 1;
                rest.sum += volts;
                if rest.blocks > UNDER_WAY {
                    rest.line.push(volts);
                }
                // Slow enough to be steady against noise, quick enough to follow a drift.
                rest.ends += (volts - rest.ends) / rest.blocks.min(10) as f64;
                if rest.blocks <= 10 {
                    rest.begins = rest.sum / rest.blocks as f64;
                }
            }
            Some(_) => {
                self.leave();
            }
            None if before.is_some_and(|before| (volts - before).abs() <= REST) => {
                self.current = Some(Rest {
                    first: place,
                    blocks: 1,
                    sum: volts,
                    begins: volts,
                    ends: volts,
                    line: Line::default(),
                });
            }
            None => {}
        }
    }

    fn leave(&mut self) {
        if let Some(rest) = self.current.take()
            && rest.blocks as f64 * BLOCK >= SHORTEST
        {
            self.rests.push(rest);
        }
    }

    /// The notes, in the order of time; `file` is for messages.
    pub(crate) fn finish(
        mut self,
        file: &str,
        law: ControlLaw,
        standard: PitchStandard,
    ) -> Result<Vec<Slot>, ControlVoltageError> {
        self.leave();
        if let Some(at_s) = self.full_at {
            let full_scale = self.full_scale;
            return Err(ControlVoltageError::FullScale { full_scale, at_s });
        }
        if self.rests.is_empty() {
            let (low, high) = (self.low, self.high);
            return Err(ControlVoltageError::NoRest { low, high });
        }
        let (low, high) = self
            .rests
            .iter()
            .map(Rest::volts)
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), volts| {
                (low.min(volts), high.max(volts))
            });
        if high - low < SAME_NOTE {
            return Err(ControlVoltageError::OneVoltage { low, high });
        }
        self.refuse_sagging()?;
        let nominal = nominal(&self.rests, law, standard);
        let mut slots: Vec<Slot> = Vec::new();
        for (rest, (asked, volts)) in self.rests.iter().zip(nominal) {
            let start = rest.first as f64 * self.block as f64 / self.rate;
            let lasts = rest.blocks as f64 * self.block as f64 / self.rate;
            let measured = Volts::new(volts).ok();
            slots.push(Slot {
                place: format!("{file}, at {} s", number(start)),
                start,
                lasts,
                asked,
                measured,
                stage: None,
            });
        }
        Ok(slots)
    }

    /// Behind a capacitor a voltage does not rest: it goes back to nought.
    fn refuse_sagging(&self) -> Result<(), ControlVoltageError> {
        let sagging = self
            .rests
            .windows(2)
            .filter(|pair| {
                let step = pair[1].begins - pair[0].ends;
                let sag = pair[1].ends - pair[1].begins;
                let sags = step.abs() > 0.1 && sag * step < 0.0 && sag.abs() > SAG * step.abs();
                // One that falls quicker is seen as many rests, each nearer to nought.
                let gap = pair[1].first.saturating_sub(pair[0].first + pair[0].blocks);
                let falls = (gap as f64) * BLOCK < 0.1
                    && step.abs() < 2.0 * SAME_NOTE
                    && step * pair[0].ends < 0.0;
                sags || falls
            })
            .count();
        if sagging * 2 > self.rests.len().saturating_sub(1) && sagging > 0 {
            return Err(ControlVoltageError::FallsBack);
        }
        let mut shares: Vec<f64> = self.rests.iter().filter_map(Rest::falls_back).collect();
        shares.sort_by(f64::total_cmp);
        // One rest may drift for reasons of its own; four fifths of them do not.
        let most = shares.get(shares.len() / 5).copied();
        match most.filter(|share| shares.len() > 1 && *share > FALLS_BACK) {
            Some(share) => Err(ControlVoltageError::Sags { share }),
            None => Ok(()),
        }
    }
}

/// What each rest was meant to be, and what it was: the note of the scale where its
/// voltage is near to that, else the mean of all rests like it, to the millivolt.
fn nominal(rests: &[Rest], law: ControlLaw, standard: PitchStandard) -> Vec<(AskedNote, f64)> {
    let mut order: Vec<usize> = (0..rests.len()).collect();
    order.sort_by(|a, b| rests[*a].volts().total_cmp(&rests[*b].volts()));
    let mut groups: Vec<Vec<usize>> = Vec::new();
    for index in order {
        let near = groups
            .last()
            .and_then(|group| group.last())
            .is_some_and(|last| rests[index].volts() - rests[*last].volts() < SAME_NOTE);
        match groups.last_mut().filter(|_| near) {
            Some(group) => group.push(index),
            None => groups.push(vec![index]),
        }
    }
    let mut found: Vec<(AskedNote, f64)> = rests
        .iter()
        .map(|rest| (AskedNote::Voltage(Volts::of(0.0)), rest.volts()))
        .collect();
    for group in groups {
        let mean = group.iter().map(|at| rests[*at].volts()).sum::<f64>() / group.len() as f64;
        let rounded = Volts::new((mean * 1e3).round() / 1e3).unwrap_or(Volts::of(0.0));
        let pitch = law.pitch(rounded, standard);
        let nearest = pitch.note_number().round();
        let note = (-12.0..=131.0)
            .contains(&nearest)
            .then(|| model::pitch::Note::from_number(nearest as i16))
            .filter(|note| {
                (law.voltage(note.pitch(), standard).get() - mean).abs() <= MEANT
                    && name_of(note.pitch()).parse::<AskedNote>().is_ok()
            });
        let asked = note.map_or(AskedNote::Voltage(rounded), AskedNote::Named);
        for at in group {
            found[at].0 = asked.clone();
        }
    }
    found
}
