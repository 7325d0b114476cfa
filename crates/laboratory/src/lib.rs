//! Test signals with exactly known frequency, and what the meter makes of them.
//!
//! ```
//! use laboratory::case::Case;
//! use laboratory::category::Category;
//! use laboratory::judge::Meters;
//!
//! let case = Case::draw(Category::Saw, 1, 0);
//! let judged = Meters::default().judge(&case);
//! assert!(judged.error_cents.unwrap().abs() < 0.1, "{}", case.story);
//! ```
//!
//! # How a signal is made
//!
//! A [shape](shape) is a Fourier series in closed form; the harmonics that stay below
//! 0.98 of half the sampling rate go into a [table](table) of one period by a transform,
//! sixteen points or more per period of the highest, and the table is read by
//! interpolation over ten points at a phase that [runs](motion) as drawn. So the truth is
//! the difference of two phases, (p(T) - p(0)) / T, and exact. [Noise](noise) has a
//! density in closed form, from which the [bound] follows. The meter's own test tones
//! are sums of harmonics term by term with random numbers of another kind: nothing is
//! shared.
//!
//! A [case](case::Case) depends on its category, the seed and its number only.
//!
//! # The runner
//!
//! `cargo run --release -p laboratory --` and one of
//!
//! - `goals`: every goal with its interval of 95 %, as PASS or SHORT by how much
//!   (`--trials` a cell, `--cases` a category, `--seed`);
//! - `efficiency`, `categories` (`--category` for some of them, `--failures FILE` for a
//!   list of what went wrong), `speed`, `allocations`: parts of it;
//! - `case --category C --case N --seed S [--wav FILE]`: one case again, with all that is
//!   known of it;
//! - `compare --python PATH`: beside public general-purpose estimators, on the same cases
//!   in one run. It needs a Python that has numpy, and takes aubio and librosa where they
//!   are; what is missing is said.
//!
//! Speed is processor time (this thread's), which other work on the machine changes
//! little, by `speed`; there are no benches besides.
//!
//! # What counts
//!
//! A gross error is more than 50 cents from the truth, or a tone where there is none;
//! unflagged is state `ok` without any flag. Coverage counts all estimates of twelve
//! periods and more that have a frequency, gross ones too. Needless flags are those of
//! twelve periods and more of what a healthy oscillator delivers to a healthy rig
//! ([`Category::is_ordinary`](category::Category::is_ordinary)). Of two tones the stronger
//! is the truth. Harmonics that tell the octave are never drawn below the noise: what
//! nothing shows, nobody can find.
//!
//! # Beside public estimators
//!
//! `compare --cases 8 --seed 5`, 216 cases of 27 categories, aubio 0.4.9 and librosa 0.11.0
//! from their registry, a server processor shared with other work. Gross: more than 50
//! cents off, of all cases, whatever the method says of its confidence; rms and median of
//! the rest, in cents; processor seconds per second of audio (aubio's in hops of 512).
//!
//! | method | nothing | gross % | rms | median | processor |
//! |---|---|---|---|---|---|
//! | this meter | 1 | 0.5 (1 case) | 0.010 | 0.000019 | 0.0021 |
//! | spectral peak, parabola | 0 | 15 | 0.15 | 0.0042 | 0.0039 |
//! | autocorrelation, parabola | 0 | 8.3 | 3.3 | 0.27 | 0.0052 |
//! | aubio yin 16384 | 7 | 9.7 | 6.9 | 0.51 | 1.3 |
//! | aubio yinfast 16384 | 7 | 9.7 | 6.9 | 0.51 | 0.028 |
//! | aubio mcomb 16384 | 7 | 5.1 | 2.9 | 0.00093 | 0.12 |
//! | aubio mcomb 4096 | 7 | 9.3 | 2.5 | 0.0010 | 0.036 |
//! | librosa yin | 0 | 9.3 | 7.1 | 0.88 | 0.0025 |
//! | librosa pyin | 8 | 9.3 | 7.9 | 3.3 | 0.48 |
//!
//! So few cases compare methods by orders of magnitude only: the interval of the meter's
//! one gross case is 0.01 to 2.6 %. The two plain ones are written as briefly as can be,
//! without care for speed.

pub mod bound;
pub mod case;
pub mod category;
pub mod classics;
pub mod confidence;
pub mod dice;
pub mod judge;
pub mod motion;
pub mod noise;
pub mod shape;
pub mod table;
