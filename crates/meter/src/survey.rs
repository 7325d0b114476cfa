//! What can be said of samples before anything is fitted: levels, clipping, holes.

/// A sample from here on is at full scale.
const FULL_SCALE: f32 = 0.9995;
/// A signal whose peak is above this and which stands still at its extreme for
/// three samples that many times was cut off somewhere before.
const LOUD: f32 = 0.1;
const PLATEAUS: usize = 6;

/// What can be said of the samples before anything is fitted.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Survey {
    pub mean: f64,
    pub rms: f64,
    pub ac_rms: f64,
    pub peak: f64,
    pub finite: bool,
    pub clipped: bool,
    pub zeros: bool,
}

/// How often the signal stands still at its extreme for three samples or more, and
/// was cut off there. The top of a slow wave in few bits stands still, too, but is
/// come to and left by small steps.
fn plateaus(samples: &[f32], extreme: f32) -> usize {
    // Seldom anything to look for.
    if samples.iter().filter(|x| **x == extreme).count() < 3 {
        return 0;
    }
    let step = samples
        .windows(2)
        .map(|pair| (pair[1] - pair[0]).abs())
        .filter(|step| *step > 0.0)
        .fold(f32::INFINITY, f32::min);
    let mut runs = samples.chunk_by(|a, b| a == b).peekable();
    let (mut count, mut before): (_, &[f32]) = (0, &[]);
    while let Some(run) = runs.next() {
        let after = runs.peek().copied().unwrap_or_default();
        // A parabola that keeps within a step for so many samples has left it by no more
        // than the square of this one sample later, rounding apart; and the value next
        // to its top lasts a fifth as long, at least.
        let wider = (run.len() + 1) as f32 / run.len().saturating_sub(1).max(1) as f32;
        let furthest = (wider * wider + 1.0) * step;
        let cut = |beside: &[f32]| {
            beside.first().is_some_and(|value| {
                (extreme - value).abs() > furthest || (beside.len() + 2) * 5 < run.len()
            })
        };
        if run.len() >= 3 && run[0] == extreme && (cut(before) || cut(after)) {
            count += 1;
        }
        before = run;
    }
    count
}

/// The longest run of exact zeros, where there are many at all.
fn longest_silence(samples: &[f32]) -> usize {
    if samples.iter().filter(|x| **x == 0.0).count() * 4 < samples.len() {
        return 0;
    }
    let runs = samples.chunk_by(|a, b| a == b);
    let zeros = runs.filter(|run| run[0] == 0.0);
    zeros.map(<[f32]>::len).max().unwrap_or(0)
}

pub(crate) fn survey(samples: &[f32]) -> Survey {
    const LANES: usize = 8;
    let (mut sum, mut square) = ([0.0_f64; LANES], [0.0_f64; LANES]);
    let (mut high, mut low) = ([f32::NEG_INFINITY; LANES], [f32::INFINITY; LANES]);
    let mut full = [0_u32; LANES];
    let mut add = |part: &[f32]| {
        for (lane, &x) in part.iter().enumerate() {
            sum[lane] += f64::from(x);
            square[lane] += f64::from(x) * f64::from(x);
            high[lane] = if x > high[lane] { x } else { high[lane] };
            low[lane] = if x < low[lane] { x } else { low[lane] };
            full[lane] += u32::from(x.abs() >= FULL_SCALE);
        }
    };
    let (whole, rest) = samples.as_chunks::<LANES>();
    whole.iter().for_each(|part| add(part));
    add(rest);
    let (sum, square) = (sum.iter().sum::<f64>(), square.iter().sum::<f64>());
    let high = high.into_iter().fold(f32::NEG_INFINITY, f32::max);
    let low = low.into_iter().fold(f32::INFINITY, f32::min);
    let full: u32 = full.iter().sum();
    let n = samples.len().max(1) as f64;
    let mean = sum / n;
    let peak = high.max(-low).max(0.0);
    let longest = longest_silence(samples);
    let still = || plateaus(samples, high) + plateaus(samples, low);
    Survey {
        mean,
        rms: (square / n).sqrt(),
        ac_rms: (square / n - mean * mean).max(0.0).sqrt(),
        peak: f64::from(peak),
        // Squares of samples cannot overflow a double: only what is not finite can
        // make the sum of them so.
        finite: square.is_finite(),
        clipped: full >= 3 || (peak > LOUD && still() >= PLATEAUS),
        // A quarter of the window: no waveform rests at exactly zero for so long.
        zeros: longest * 4 >= samples.len() && longest > 0,
    }
}
