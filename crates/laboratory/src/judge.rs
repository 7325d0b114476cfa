//! What an estimate is worth when the truth is known.

use crate::case::Case;
use crate::motion::CENTS;
use meter::{Estimate, Meter};
use model::quantity::Hertz;
use model::record::State;
use model::time::SampleRate;
use std::collections::BTreeMap;

/// An error above this many cents is gross: another note.
pub const GROSS_CENTS: f64 = 50.0;
/// From this many periods on, the uncertainty is held to its promise.
pub const COUNTED_PERIODS: f64 = 12.0;

/// An estimate beside the truth.
#[derive(Debug, Clone, Copy)]
pub struct Judgement {
    /// What the meter said.
    pub estimate: Estimate,
    /// Found minus true, in cents; none where nothing was found or nothing is true.
    pub error_cents: Option<f64>,
    /// The error in standard uncertainties, likewise.
    pub error_in_u: Option<f64>,
    /// Whether a tone was found where there is none.
    pub imagined: bool,
}

impl Judgement {
    /// Of an estimate of this case.
    #[must_use]
    pub fn of(case: &Case, estimate: Estimate) -> Self {
        let found = estimate
            .frequency
            .filter(|_| estimate.state == State::Ok)
            .map(Hertz::get);
        let both = case.truth.zip(found);
        let u = estimate.u.map(|u| u.get());
        Self {
            estimate,
            error_cents: both.map(|(truth, found)| CENTS * (found / truth).ln()),
            error_in_u: both.zip(u).map(|((truth, found), u)| (found - truth) / u),
            imagined: case.truth.is_none() && found.is_some(),
        }
    }

    /// Another note than the true one, or one where there is none.
    #[must_use]
    pub fn is_gross(&self) -> bool {
        self.imagined
            || self
                .error_cents
                .is_some_and(|error| error.abs() > GROSS_CENTS)
    }

    /// Whether the estimate itself says that something is not as usual.
    #[must_use]
    pub fn is_flagged(&self) -> bool {
        self.estimate.state != State::Ok || !self.estimate.flags.is_empty()
    }

    /// State and flags, for people.
    #[must_use]
    pub fn words(&self) -> String {
        let mut words = vec![self.estimate.state.name()];
        words.extend(self.estimate.flags.names());
        words.join(" ")
    }
}

/// Meters by sampling rate, kept warm.
#[derive(Debug, Default)]
pub struct Meters(BTreeMap<u64, Meter>);

impl Meters {
    /// Estimates a case.
    ///
    /// # Panics
    /// When its rate is none.
    pub fn judge(&mut self, case: &Case) -> Judgement {
        let meter = self.0.entry(case.rate as u64).or_insert_with(|| {
            let rate = SampleRate::new(Hertz::of(case.rate));
            Meter::new(rate.unwrap_or_else(|| panic!("no sampling rate: {}", case.rate)))
        });
        Judgement::of(case, meter.estimate(&case.samples))
    }
}

/// Counts over the cases of a category, or of all.
#[derive(Debug, Clone, Default)]
pub struct Tally {
    /// All of them.
    pub cases: usize,
    /// Gross and nothing said.
    pub gross_unflagged: usize,
    /// Gross at all.
    pub gross: usize,
    /// With a frequency and enough periods.
    pub counted: usize,
    /// Of those, truth within two standard uncertainties.
    pub within: usize,
    /// With a frequency and fewer periods.
    pub counted_few: usize,
    /// Of those, truth within two standard uncertainties.
    pub within_few: usize,
    /// With any flag or state but ok.
    pub flagged: usize,
    /// With enough periods.
    pub long_enough: usize,
    /// Of those, with any flag or state but ok.
    pub flagged_long_enough: usize,
    /// Errors in cents that are not gross.
    pub errors: Vec<f64>,
    /// Squared errors over the squared bound, of those that have one and are not gross.
    pub squares: Vec<f64>,
    /// How often each state but ok and each flag came.
    pub words: BTreeMap<&'static str, usize>,
}

impl Tally {
    /// Counts one.
    pub fn add(&mut self, case: &Case, judged: &Judgement) {
        self.cases += 1;
        let (gross, flagged) = (judged.is_gross(), judged.is_flagged());
        self.gross += usize::from(gross);
        self.gross_unflagged += usize::from(gross && !flagged);
        self.flagged += usize::from(flagged);
        let long = case.periods() >= COUNTED_PERIODS;
        self.long_enough += usize::from(long);
        self.flagged_long_enough += usize::from(long && flagged);
        if let Some(ratio) = judged.error_in_u {
            let within = usize::from(ratio.abs() <= 2.0);
            if long {
                self.counted += 1;
                self.within += within;
            } else {
                self.counted_few += 1;
                self.within_few += within;
            }
        }
        if let Some(error) = judged.error_cents.filter(|_| !gross) {
            self.errors.push(error);
            if let Some((bound, truth)) = case.bound.zip(case.truth) {
                self.squares.push((error * truth / CENTS / bound).powi(2));
            }
        }
        if judged.estimate.state != State::Ok {
            *self.words.entry(judged.estimate.state.name()).or_default() += 1;
        }
        for flag in judged.estimate.flags.names() {
            *self.words.entry(flag).or_default() += 1;
        }
    }

    /// Counts those of another.
    pub fn merge(&mut self, other: &Self) {
        self.cases += other.cases;
        self.gross_unflagged += other.gross_unflagged;
        self.gross += other.gross;
        self.counted += other.counted;
        self.within += other.within;
        self.counted_few += other.counted_few;
        self.within_few += other.within_few;
        self.flagged += other.flagged;
        self.long_enough += other.long_enough;
        self.flagged_long_enough += other.flagged_long_enough;
        self.errors.extend_from_slice(&other.errors);
        self.squares.extend_from_slice(&other.squares);
        for (word, count) in &other.words {
            *self.words.entry(word).or_default() += count;
        }
    }

    /// The error in cents that this share of the errors that are not gross stay below.
    #[must_use]
    pub fn error_quantile(&self, share: f64) -> Option<f64> {
        quantile(self.errors.iter().map(|error| error.abs()), share)
    }
}

/// The value that a share of the values stay below.
pub fn quantile(values: impl Iterator<Item = f64>, share: f64) -> Option<f64> {
    let mut sorted: Vec<f64> = values.collect();
    sorted.sort_by(f64::total_cmp);
    let last = sorted.len().checked_sub(1)?;
    Some(sorted[((last as f64) * share).round() as usize])
}
