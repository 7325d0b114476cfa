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
//!    period and the waveform's update a sorting of the residual into its bins: five or
//!    six passes of some nanoseconds a sample, however many harmonics there are. A
//!    harmonic takes part when it stands out of the noise alone or together with its
//!    neighbours, the latter shrunk as by a Wiener filter.
//! 4. Octave: upwards, the largest number of which all strong harmonics are multiples;
//!    downwards, lines at f k/2, f k/3, f k/5 in the residual, folded along the phase
//!    track under Hann's window and judged against the lines beside them on the same
//!    hill of phase noise. From -40 dB of the tone's power
//!    on such lines are the tone's; below, the octave is called ambiguous.
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
//! oscillator's own phase wanders: white jitter and a random walk are told apart by
//! their likelihood and the mean is that of a Gaussian process. Then the
//! uncertainty of the mean over the window as it was ([`Estimate::u`]) is smaller than
//! that of the oscillator's frequency which the window samples
//! ([`Estimate::u_oscillator`]).
//!
//! A next order of the track that stands out of the noise too little to be taken up may
//! still be there: what it would do to the mean enters the uncertainty, weighed by the
//! chance that it is no accident.
//!
//! # Measured
//!
//! By the laboratory of this repository, whose signals share no code with this crate's
//! own tests: `cargo run --release -p laboratory -- goals`, and its parts `efficiency`,
//! `categories` and `speed`. Intervals are of 95 %. The last change of the estimator (an
//! order of the track must be rarer to be taken up) came after these runs.
//!
//! - Mean square error over the bound, saw, pulse, triangle and sine of 55 to 3520 Hz at
//!   20 to 60 dB: 1.044 (1.027 to 1.061) pooled over 28 000 trials; 1.50 (1.24 to 1.84)
//!   in the worst of 140 cells of 200 trials, a triangle of 110 Hz at 20 dB, whose
//!   harmonics lie near the noise.
//! - Truth within two uncertainties, 2000 signals of each of 28 categories: 95 to 97 % in
//!   most; up to 97.6 % (a little too careful) for filtered, low, high, coloured, jittery,
//!   aliased and two tones; 93.2 % (92.0 to 94.3) with a mains line beside a harmonic;
//!   98.1 % where everything is mixed.
//! - Errors above 50 cents: 5 of 60 000 signals without a flag; 0.12 % of 56 000 tones
//!   (0.10 to 0.16) with those that are flagged.
//! - Ordinary tones flagged without need: 0.71 % (0.60 to 0.84) of 19 874.
//! - Speed: at least 677 times real time on one core from 110 Hz on, 323 at 8.25 Hz (a
//!   server processor with AVX, shared with other work). Eight channels live take 1.2 % of
//!   a core with a reading of each every half second, 9.6 % with one every tenth. No
//!   allocation once a window of the kind has been seen.
//! - In the simulated night the octave is called ambiguous without need in no reading of
//!   3168 (phase noise of 2 to 5 ppm).
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
//! - [`Meter::onset`]: when a note began to leave the old one. Of 160 random changes of 1 to
//!   24 semitones at 55 to 1500 Hz, 20 to 60 dB, in no time or by a lag of up to 15 ms or a
//!   glide of up to 40 ms, 157 were found to a millisecond, and 152 lay within two of the
//!   stated uncertainties.
//! - [`Meter::settling`], [`ChangeFinder`]: the curve after it; [`SettlingCurve`]: whether a
//!   note has come to rest, as one listens.
//! - [`window_for`]: how long to listen for an uncertainty, and what forbids it.
//!
//! # Where it fails
//!
//! - A fundamental 40 dB or more below its even harmonics is called an octave (or
//!   twelfth) up with the flag [`OctaveAmbiguous`](model::record::Flag::OctaveAmbiguous),
//!   or without when it lies below the noise.
//! - Tones cut like a naive saw or square carry images that may fall on thirds of the
//!   frequency: called ambiguous, for the lines are there.
//! - Below 24 periods too few lines lie between the harmonics to tell phase noise from a
//!   lower octave, which is then looked for down to -65 dB only.
//! - Tones near 50 or 60 Hz with their odd harmonics 25 dB down look like the octave with
//!   hum: called so, and flagged.
//! - Tones cut off after sampling carry images of their harmonics; with a low rate of
//!   samples per period they can look like a lower octave (flagged `clipped`).
//! - Noise is taken as white: hills of noise at some harmonics widen the uncertainty of
//!   all. A second tone 20 dB down or more is not reported.
//! - Between 4 and 12 periods (2 and 12 in a glimpse) the uncertainty does not know how
//!   far waveform and track trade places.
//! - An oscillator whose level changes within the window is fitted with a steady one.

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
