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
//! `compare --cases 3 --seed 1`, 81 cases of 27 categories, aubio 0.4.9 and librosa 0.11.0
//! from their registry, a server processor shared with other work. Gross: more than 50
//! cents off, of all cases, whatever the method says of its confidence; rms and median of
//! the rest, in cents; processor seconds per second of audio (aubio's in hops of 512).
//!
//! | method | gross % | rms | median | processor |
//! |---|---|---|---|---|
//! | this meter | 1.2 (1 case) | 0.022 | 0.000041 | 0.0025 |
//! | spectral peak, parabola | 25 | 0.083 | 0.0015 | 0.0041 |
//! | autocorrelation, parabola | 7.4 | 4.5 | 0.25 | 0.0056 |
//! | aubio yin 16384 | 8.6 | 9.1 | 0.33 | 1.4 |
//! | aubio yinfast 16384 | 8.6 | 9.1 | 0.33 | 0.029 |
//! | aubio mcomb 16384 | 7.4 | 3.4 | 0.0014 | 0.13 |
//! | aubio mcomb 4096 | 11 | 2.1 | 0.0035 | 0.039 |
//! | librosa yin | 8.6 | 7.4 | 0.61 | 0.0029 |
//! | librosa pyin | 8.6 | 7.8 | 2.6 | 0.48 |
//!
//! So few cases compare methods by orders of magnitude only: the interval of the meter's
//! one gross case is 0.03 to 6.7 %, and the two plain ones are written as briefly as can
//! be, without care for speed.

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
