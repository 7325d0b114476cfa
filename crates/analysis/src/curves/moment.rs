//! Results that are a number of one moment and depend linearly on readings:
//! scale error, high end, low end, mean slope, two-note slope, and under hertz per
//! volt the offset of the control voltage.

use crate::curves::shared::Shared;
use crate::curves::tracking::{
    Functional, NOTES_FOR_HIGH_END, RoundFit, SPAN_FOR_HIGH_END, SPAN_FOR_LOW_END, StageFit,
};
use crate::readings::deviation::UnitReadings;
use crate::uncertainty::sources::Sources;
use model::pitch::{ControlLaw, Pitch};
use model::result::{NotDetermined, OneNote, OtherLaw, ResultName, Term};

/// Over how many rounds next to the moment a line is laid.
const ROUNDS: usize = 5;

/// Which of these results.
#[derive(Debug, Clone, Copy)]
pub(crate) struct MomentOf {
    pub(crate) name: ResultName,
    /// The notes of the two-note slope.
    pub(crate) pair: Option<(usize, usize)>,
    /// Of a low end that does not stand out: how large it may be all the same.
    pub(crate) not_there: bool,
}

/// A result at a moment.
#[derive(Debug, Clone)]
pub(crate) struct AtMoment {
    pub(crate) value: f64,
    pub(crate) sources: Sources,
    /// The moment it speaks of, in seconds of the run.
    pub(crate) t: f64,
    pub(crate) readings: usize,
    pub(crate) rounds: usize,
}

impl MomentOf {
    pub(crate) const fn new(name: ResultName, pair: Option<(usize, usize)>) -> Self {
        Self {
            name,
            pair,
            not_there: false,
        }
    }

    /// The result of a single round.
    pub(crate) fn of_round(self, shared: &Shared<'_>, round: &RoundFit) -> Option<Functional> {
        let stage = shared.stage;
        let octaves = matches!(shared.unit.law, ControlLaw::VoltsPerOctave { .. });
        match self.name {
            ResultName::ScaleError if stage.named && octaves => round.scale_error.clone(),
            ResultName::HighEnd if stage.named => round.high_end.clone(),
            ResultName::LowEnd if self.not_there => round.low_end_not_there.clone(),
            ResultName::LowEnd => round.low_end.clone(),
            ResultName::VoltageOffset => {
                let mut offset = round.voltage_offset.clone()?;
                // Cents for a volt more, at the reference note.
                let note = &shared.unit.notes[*stage.notes.first()?];
                let per_volt = note.per_volt * note.x.exp2();
                offset.value /= per_volt;
                offset.weights /= per_volt;
                Some(offset)
            }
            ResultName::MeanSlope => round.mean_slope.clone(),
            ResultName::TwoNoteSlope => {
                let (low, high) = self.pair?;
                let octaves = shared.unit.notes[high].x - shared.unit.notes[low].x;
                let mut slope = stage.difference(round, low, high)?;
                slope.value /= octaves;
                slope.weights /= octaves;
                Some(slope)
            }
            _ => None,
        }
    }

    /// The result at a moment (seconds of the run): a line through the rounds next to it.
    pub(crate) fn at(self, shared: &Shared<'_>, moment: f64) -> Result<AtMoment, NotDetermined> {
        if shared.stage.rounds.is_empty() {
            return Err(NotDetermined::NoneCounts);
        }
        let mut rounds: Vec<(&RoundFit, Functional)> = shared
            .stage
            .rounds
            .iter()
            .filter_map(|round| Some((round, self.of_round(shared, round)?)))
            .collect();
        if rounds.is_empty() {
            return Err(self.why_not(shared));
        }
        rounds.sort_by(|a, b| (a.0.t - moment).abs().total_cmp(&(b.0.t - moment).abs()));
        rounds.truncate(ROUNDS);
        let first = rounds
            .iter()
            .map(|(round, _)| round.t)
            .fold(f64::INFINITY, f64::min);
        let last = rounds
            .iter()
            .map(|(round, _)| round.t)
            .fold(f64::NEG_INFINITY, f64::max);
        let t = moment.clamp(first, last);
        let times: Vec<f64> = rounds.iter().map(|(round, _)| round.t).collect();
        let weights = line_weights(&times, t);
        let value = rounds
            .iter()
            .zip(&weights)
            .map(|((_, f), weight)| f.value * weight)
            .sum();
        let parts: Vec<(f64, Sources)> = rounds
            .iter()
            .zip(&weights)
            .map(|((round, f), weight)| (*weight, shared.sources(round, &f.weights)))
            .collect();
        let mut sources = Sources::of_sum(&parts).ok_or(NotDetermined::NoneCounts)?;
        // Rounds that scatter more than their readings say are uncertain by their scatter.
        if rounds.len() >= 4 {
            let residuals: f64 = rounds
                .iter()
                .map(|(round, f)| {
                    let line: f64 = rounds
                        .iter()
                        .zip(line_weights(&times, round.t))
                        .map(|((_, other), weight)| other.value * weight)
                        .sum();
                    (f.value - line).powi(2)
                })
                .sum();
            let scatter = residuals / (rounds.len() - 2) as f64;
            let averaged: f64 = weights.iter().map(|weight| weight * weight).sum();
            sources.own = sources.own.max(scatter * averaged);
        }
        let readings = rounds.iter().map(|(round, _)| round.note_of.len()).sum();
        Ok(AtMoment {
            value,
            sources,
            t,
            readings,
            rounds: rounds.len(),
        })
    }

    /// Why no round gives this result.
    fn why_not(self, shared: &Shared<'_>) -> NotDetermined {
        use NotDetermined as N;
        let stage = shared.stage;
        let octaves = matches!(shared.unit.law, ControlLaw::VoltsPerOctave { .. });
        match self.name {
            ResultName::ScaleError if !octaves => return N::OtherLaw(OtherLaw::ScaleError),
            ResultName::VoltageOffset if octaves => return N::OtherLaw(OtherLaw::VoltageOffset),
            ResultName::LowEnd if !octaves => return N::OtherLaw(OtherLaw::LowEnd),
            _ => {}
        }
        let have = stage.notes.len();
        if have == 1 {
            return stage.one_note(OneNote::Told);
        }
        let too_few = |to_tell: Term, takes: usize, takes_octaves: f64| N::TooFewNotes {
            to_tell,
            have,
            have_octaves: stage.span,
            takes,
            takes_octaves,
        };
        match self.name {
            ResultName::LowEnd
                if stage.span < SPAN_FOR_LOW_END - 1e-6 || have <= NOTES_FOR_HIGH_END =>
            {
                too_few(Term::LowEnd, NOTES_FOR_HIGH_END + 1, SPAN_FOR_LOW_END)
            }
            ResultName::LowEnd => N::NoneStandsOut,
            ResultName::VoltageOffset if have < NOTES_FOR_HIGH_END => N::FewNotes {
                takes: NOTES_FOR_HIGH_END,
            },
            ResultName::ScaleError | ResultName::HighEnd if stage.hides_low_end => {
                stage.low_end_hidden()
            }
            ResultName::ScaleError | ResultName::HighEnd if !stage.named => {
                too_few(Term::HighEnd, NOTES_FOR_HIGH_END, SPAN_FOR_HIGH_END)
            }
            _ if have < 2 => stage.one_note(OneNote::Slope),
            ResultName::TwoNoteSlope => N::NoRoundHasBoth,
            _ => N::NoRoundHasEnough,
        }
    }
}

/// Weights that evaluate the line through values at `times` at `t`; their mean
/// where there are fewer than three or all at one time.
fn line_weights(times: &[f64], t: f64) -> Vec<f64> {
    let n = times.len() as f64;
    let mean = times.iter().sum::<f64>() / n;
    let spread: f64 = times.iter().map(|time| (time - mean).powi(2)).sum();
    if times.len() < 3 || spread <= 0.0 {
        // With two rounds the nearer one speaks for the moment.
        let nearest = times
            .iter()
            .enumerate()
            .min_by(|a, b| (a.1 - t).abs().total_cmp(&(b.1 - t).abs()))
            .map_or(0, |(place, _)| place);
        return (0..times.len())
            .map(|place| if place == nearest { 1.0 } else { 0.0 })
            .collect();
    }
    times
        .iter()
        .map(|time| 1.0 / n + (time - mean) * (t - mean) / spread)
        .collect()
}

/// The notes of the two-note slope: those asked for, else the lowest and two
/// octaves up (or the note nearest to that).
pub(crate) fn notes_of_two_note_slope(
    unit: &UnitReadings,
    stage: &StageFit,
    asked: Option<(Pitch, Pitch)>,
) -> Result<(usize, usize), NotDetermined> {
    let nearest = |x: f64, within: f64| {
        stage
            .notes
            .iter()
            .copied()
            .min_by(|a, b| {
                (unit.notes[*a].x - x)
                    .abs()
                    .total_cmp(&(unit.notes[*b].x - x).abs())
            })
            .filter(|note| (unit.notes[*note].x - x).abs() <= within)
    };
    let pair = if let Some((one, other)) = asked {
        let find = |pitch: Pitch| {
            stage
                .notes
                .iter()
                .copied()
                .find(|note| unit.notes[*note].pitch.cents_from(pitch).get().abs() < 0.01)
                .ok_or_else(|| NotDetermined::NotPlayed(model::document::notes::name_of(pitch)))
        };
        (find(one)?, find(other)?)
    } else {
        let Some(&lowest) = stage.notes.first() else {
            return Err(NotDetermined::NoneCounts);
        };
        let upper = nearest(unit.notes[lowest].x + 2.0, 1.0).filter(|upper| *upper != lowest);
        let upper = upper.or_else(|| stage.notes.last().copied().filter(|note| *note != lowest));
        (lowest, upper.ok_or_else(|| stage.one_note(OneNote::Slope))?)
    };
    let (low, high) = (pair.0.min(pair.1), pair.0.max(pair.1));
    if unit.notes[high].x - unit.notes[low].x < 0.05 {
        return Err(NotDetermined::SameNotes);
    }
    Ok((low, high))
}
