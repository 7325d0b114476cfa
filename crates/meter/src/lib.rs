//! Samples in, frequency with its uncertainty out.
//!
//! ```
//! use meter::Meter;
//! use model::quantity::Hertz;
//! use model::time::SampleRate;
//!
//! let rate = SampleRate::new(Hertz::of(48_000.0)).unwrap();
//! let saw: Vec<f32> = (0..24_000)
//!     .map(|n| {
//!         let phase = 2.0 * std::f64::consts::PI * 220.5 * f64::from(n) / 48_000.0;
//!         (1..30).map(|h| (0.2 / f64::from(h) * (phase * f64::from(h)).sin()) as f32).sum()
//!     })
//!     .collect();
//! let estimate = Meter::new(rate).estimate(&saw);
//! let cents = estimate.frequency.unwrap().cents_from(Hertz::of(220.5)).get();
//! assert!(cents.abs() < 1e-4);
//! ```
//!
//! # Model
//!
//! x(n) = s(p(n)) + noise: any waveform s, one period of it repeated, with all its
//! harmonics up to 0.98 of the Nyquist frequency, at a phase p(n) that is a polynomial
//! of second order in time (of up to fifth where the phases ask for it). The frequency
//! stated is the mean over the window [0, T), T = N / rate: (p(T) - p(0)) / T. It uses
//! the nominal rate; the sample clock's error is the rig's, not the meter's.
//!
//! # Stages
//!
//! 1. Coarse period: normalised square difference function, by transforms of at most
//!    half a second (McLeod and Wyvill, "A smarter way to find pitch", 2005; from
//!    memory); the first peak of 0.9 of the highest, sharpened on its multiples.
//! 2. Ladder: the phase of one low harmonic in stretches of whole periods, unwrapped,
//!    a polynomial through it by weighted least squares (Tretter 1985; from memory).
//! 3. Fit: nonlinear least squares over all harmonics at once (the estimator of Nielsen,
//!    Jensen, Jensen, Christensen and Jensen, "Fast fundamental frequency estimation",
//!    Signal Processing 135, 2017, made cheap in another way; from memory).
//!    Because all harmonics share one phase, the model is a look-up in a table of a
//!    period and the waveform's update a sorting of the residual into its bins: four to
//!    seven passes of some nanoseconds a sample, however many harmonics there are. A
//!    harmonic takes part when it stands out of the noise alone or together with its
//!    neighbours, the latter shrunk as by a Wiener filter.
//! 4. Octave: upwards, the largest number of which all strong harmonics are multiples;
//!    downwards, lines at f k/2, f k/3, f k/5 in the residual, folded along the phase
//!    track under Hann's window and judged against the lines beside them on the same
//!    hill of phase noise. From -40 dB of the tone's power on such lines are the tone's;
//!    down to -60 dB they are, too, where they fall with the frequency as an oscillator's
//!    do, but then the octave may be called ambiguous. Images of harmonics above half the
//!    rate, as of a naive saw, do not fall and are no stronger than the highest harmonics
//!    below it: then the tone stays where it is, called ambiguous.
//! 5. Mains: lines of 50 or 60 Hz in the residual are taken off and the fit repeated.
//!    Harmonics within 1.3 / T of a mains line that pull another way than the rest are
//!    left out of the frequency; where they are all there is, the pull enters the
//!    uncertainty, and beyond one cent the state is [`HumTooNear`](State::HumTooNear).
//!
//! # Uncertainty
//!
//! The inverse Fisher information of the track with the variance of the residual,
//! which is the Cramer-Rao bound
//! var(f) >= 6 s^2 rate^2 / (pi^2 N (N^2 - 1) sum h^2 A_h^2) where it is attained. If
//! the phases of 12 or 24 stretches scatter more than the residual explains, the
//! oscillator's own phase may wander: a steady phase, white jitter and a random walk are
//! weighed by their likelihood, and the mean is that of a Gaussian process. Where it is
//! beyond doubt, the uncertainty of the mean over the window as it was
//! ([`Estimate::u`]) is smaller than that of the oscillator's frequency which the window
//! samples ([`Estimate::u_oscillator`]); before, the two are the same.
//!
//! A next order of the track that stands out of the noise too little to be taken up may
//! still be there: what it would do to the mean enters the uncertainty, weighed by the
//! chance that it is no accident.
//!
//! # Measured
//!
//! By the laboratory of this repository, whose signals share no code with this crate's
//! own tests: `cargo run --release -p laboratory -- efficiency` (seed 33, 300 trials a
//! cell), `categories` (seed 1701, 2000 cases a category), `speed` and `allocations`;
//! nothing was tuned with those seeds. Intervals are of 95 %.
//!
//! - Mean square error over the bound, saw, pulse, triangle and sine of 55 to 3520 Hz at
//!   20 to 60 dB: 1.014 (1.001 to 1.028) pooled over 42 000 trials; 1.19 (1.02 to 1.41) in
//!   the worst of 140 cells. Another seed (90211) with 200 trials a cell: 1.013, and 1.44 in
//!   one cell that came to 1.02 here.
//! - Errors above 50 cents without a flag: none of 58 000 cases in 29 categories (below
//!   0.0052 %), 6 of 2000 with a second tone besides. With those that are flagged: 0.12 % of
//!   56 000 tones (0.10 to 0.16).
//! - Truth within two uncertainties, 12 periods or more; the interval is about 0.9 % to
//!   either side:
//!
//!   | category | % | category | % | category | % |
//!   |---|---|---|---|---|---|
//!   | saw | 95.8 | pulse | 96.9 | triangle | 95.8 |
//!   | sine | 96.8 | folded | 95.8 | skewed | 96.2 |
//!   | filtered | 96.0 | low | 96.7 | high | 96.3 |
//!   | noisy | 95.9 | coloured | 97.9 | drift | 96.9 |
//!   | curved | 96.5 | offset | 96.3 | hum | 95.9 |
//!   | hum-near | 93.7 | weak-fundamental | 95.2 | weak-odd | 95.9 |
//!   | clipped | 96.8 | jitter | 97.0 | walk | 96.5 |
//!   | aliased | 96.6 | rates | 96.2 | levels | 95.2 |
//!   | windows | 96.9 | mixed | 96.7 | two-tones | 96.3 |
//!
//! - Ordinary tones flagged without need: 0.58 % (0.48 to 0.70) of 19 874; most of them
//!   folded shapes (3.4 %) high up, whose few harmonics below half the rate look like
//!   images.
//! - Speed: 650 to 780 times real time on one core from 110 Hz on, 310 to 390 at 8.25 Hz
//!   (processor time; a server processor with AVX, shared with other work). Eight channels
//!   live take 1.2 % of a core with a reading of each every half second, 9.7 % with one
//!   every tenth. No allocation once a window of the length has been seen, whatever the
//!   next one holds.
//!
//! The transforms use the vector instructions that the processor has, so the last
//! digits of a double may differ between kinds of processor, not between runs.
//!
//! # Beyond a window
//!
//! - [`Meter::waveform`]: harmonics, total harmonic distortion, even against odd, mean and
//!   duty cycle, by a transform of the window folded at the frequency that was found.
//!   Closed forms of saw, square, triangle and pulses are met to 2e-5 (duty cycles to 1e-3
//!   and mostly much better); only harmonics below 0.49 of the rate are there to be summed.
//! - [`Stream`]: readings at any hop of many channels, in pieces of any size, by one meter.
//! - [`Meter::onset`]: when a note began to leave the old one. Of 64 random changes of 1 to
//!   24 semitones at 55 to 1500 Hz, 20 to 60 dB, in no time or by a lag of up to 15 ms or a
//!   glide of up to 40 ms, 63 were found to a millisecond, and 63 lay within two of the
//!   stated uncertainties (`cargo test -p meter --test estimates the_onset_of -- --nocapture`).
//! - [`Meter::settling`], [`ChangeFinder`]: the curve after it; [`SettlingCurve`]: whether a
//!   note has come to rest, as one listens.
//! - [`window_for`]: how long to listen for an uncertainty, and what forbids it.
//!
//! # Where it fails
//!
//! - A fundamental that lies below the noise of its line, with all odd harmonics, is
//!   called an octave up, and no flag can know. Of those 15 to 50 dB down 1.2 % are called
//!   so, with the flag [`OctaveAmbiguous`](model::record::Flag::OctaveAmbiguous).
//! - A tone cut after sampling, like a naive saw, repeats exactly after 2, 3 or 5 periods
//!   where its rate meets that of the samples so: 13 % of random ones are called ambiguous,
//!   0.1 % are taken for the lower tone, flagged.
//! - A second tone near a half, a third or a fifth of the first may be taken for its lower
//!   octave, and two tones for one at their common period: 6 of 2000 without a flag. A
//!   second tone 20 dB down or more is not reported.
//! - Hum beside a harmonic of a tone with few other strong ones: the uncertainty holds in
//!   93.7 % (92.5 to 94.7), for such a line may pull less than the noise shows.
//! - Noise without any tone, coloured, was taken for a tone of few periods in 10 of 2000
//!   windows, flagged.
//! - Below 24 periods too few lines lie between the harmonics to tell phase noise from a
//!   lower octave, which is then looked for down to -65 dB only.
//! - Tones near 50 or 60 Hz with their odd harmonics 25 dB down look like the octave with
//!   hum: called so, and flagged.
//! - Tones cut off after sampling carry images of their harmonics; with a low rate of
//!   samples per period they can look like a lower octave (flagged `clipped`).
//! - Noise is taken as white: in coloured noise all harmonics weigh alike, which costs
//!   several times the variance that would be possible; the uncertainty covers it (97.9 %).
//! - Between 4 and 12 periods (2 and 12 in a glimpse) the uncertainty does not know how
//!   far waveform and track trade places. Under hum 6 to 30 dB down it then holds in
//!   86 % of 1773 (`cargo run --release -p meter --example categories -- 2000 1701
//!   'hum, few periods'`), flagged `few_periods`.
//! - An oscillator whose level changes within the window is fitted with a steady one.

#![cfg_attr(not(test), deny(clippy::print_stdout, clippy::print_stderr))]

mod beside_mains;
mod changes;
mod coarse;
mod estimate;
mod fit;
mod folding;
mod hum;
mod ladder;
mod octave;
mod onset;
mod refine;
mod scatter;
mod settling;
mod shape;
mod stream;
mod survey;
mod tone;
mod track;
mod wander;
mod waveform;
mod window_choice;

use estimate::Engine;
use folding::Folding;
use model::quantity::{Hertz, HertzDifference, Level};
use model::record::{Flags, Measured, State};
use model::time::SampleRate;

pub use changes::{ChangeFinder, NoteChange};
pub use onset::Onset;
pub use settling::{SettlingCurve, SettlingPoint, Steadiness};
pub use stream::{Stream, StreamReading};
pub use waveform::{Coupling, Harmonic, Measure, Waveform};
pub use window_choice::{Advice, Limit, window_for};

/// What was found in a window.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimate {
    /// Whether the window could be measured.
    pub state: State,
    /// What to know about it.
    pub flags: Flags,
    /// Mean frequency over the window.
    pub frequency: Option<Hertz>,
    /// Standard uncertainty of that mean.
    pub u: Option<HertzDifference>,
    /// The part of `u` that noise added to the signal makes, without hum and without the
    /// oscillator's own jitter: the Cramer-Rao bound for the residual as if that were
    /// white. It is no less than the noise makes, for the fit leaves some of the jitter there.
    pub u_noise: Option<HertzDifference>,
    /// Standard uncertainty of the oscillator's frequency that the window samples:
    /// larger than `u` where its phase wanders by itself.
    pub u_oscillator: Option<HertzDifference>,
    /// Rate of change over the window, in hertz per second.
    pub rate_of_change: Option<f64>,
    /// Level, rms; `None` for exact silence.
    pub level: Option<Level>,
    /// Level of the largest sample; `None` for exact silence.
    pub peak: Option<Level>,
    /// The share of the power (without the constant) that the tone explains.
    pub explained: Option<f64>,
}

impl Estimate {
    /// The part of it that is kept with a reading.
    #[must_use]
    pub fn measured(&self) -> Measured {
        Measured {
            state: self.state,
            flags: self.flags,
            frequency: self.frequency,
            u: self.u,
            u_noise: self.u_noise,
            level: self.level,
        }
    }
}

/// An estimator for one sample rate. It keeps its buffers and transforms, so use
/// one for many windows; one per thread.
#[derive(Debug)]
pub struct Meter {
    engine: Engine,
    rate: f64,
    /// Made when the first waveform is asked for.
    folding: Option<Folding>,
}

impl Meter {
    /// A meter for samples at this rate.
    #[must_use]
    pub fn new(rate: SampleRate) -> Self {
        Self {
            engine: Engine::new(rate.get()),
            rate: rate.get(),
            folding: None,
        }
    }

    /// Measures a window: `samples` at the meter's rate, full scale at one.
    pub fn estimate(&mut self, samples: &[f32]) -> Estimate {
        self.engine.measure(samples, None, estimate::LEAST_PERIODS)
    }

    /// Measures a short window (50 to 100 ms) while a note settles: two periods are
    /// enough. `before` is the frequency of the glimpse before, if there was one; it
    /// is tried first and saves time when it still fits. It is never trusted.
    pub fn glimpse(&mut self, samples: &[f32], before: Option<Hertz>) -> Estimate {
        self.engine.measure(
            samples,
            before.map(Hertz::get),
            estimate::LEAST_PERIODS_OF_GLIMPSE,
        )
    }

    /// Measures the waveform of a window that was estimated before: as much work as a
    /// few passes over it, spent only when asked for. `None` where the estimate has no
    /// frequency.
    pub fn waveform(
        &mut self,
        samples: &[f32],
        estimate: &Estimate,
        coupling: Coupling,
    ) -> Option<Waveform> {
        let folding = self.folding.get_or_insert_with(Folding::new);
        waveform::waveform(folding, self.rate, samples, estimate, coupling)
    }
}

/// The level of an amplitude, full scale at one; `None` for nothing at all.
fn level_of(amplitude: f64) -> Option<Level> {
    (amplitude > 0.0)
        .then(|| Level::new(20.0 * amplitude.log10()).ok())
        .flatten()
}
