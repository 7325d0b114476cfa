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

/// Counts how often the signal stands still at its extreme.
#[derive(Debug, Clone, Copy)]
struct Plateau {
    side: f32,
    extreme: f32,
    run: usize,
    count: usize,
}

impl Plateau {
    fn new(side: f32) -> Self {
        Self {
            side,
            extreme: f32::NEG_INFINITY,
            run: 0,
            count: 0,
        }
    }

    fn see(&mut self, x: f32) {
        let x = x * self.side;
        if x < self.extreme {
            self.run = 0;
        } else if x > self.extreme {
            self.extreme = x;
            self.run = 1;
            self.count = 0;
        } else {
            self.run += 1;
            self.count += usize::from(self.run == 3);
        }
    }
}

pub(crate) fn survey(samples: &[f32]) -> Survey {
    let (mut sum, mut square) = (0.0_f64, 0.0_f64);
    let mut peak = 0.0_f32;
    let mut full = 0_usize;
    let (mut high, mut low) = (Plateau::new(1.0), Plateau::new(-1.0));
    let mut not_finite = 0_usize;
    let (mut run, mut longest) = (0_usize, 0_usize);
    for part in samples.chunks(256) {
        let (mut s, mut q) = (0.0_f64, 0.0_f64);
        for &x in part {
            not_finite += usize::from(!x.is_finite());
            s += f64::from(x);
            q += f64::from(x) * f64::from(x);
            peak = peak.max(x.abs());
            full += usize::from(x.abs() >= FULL_SCALE);
            high.see(x);
            low.see(x);
            run = if x == 0.0 { run + 1 } else { 0 };
            longest = longest.max(run);
        }
        sum += s;
        square += q;
    }
    let n = samples.len().max(1) as f64;
    let mean = sum / n;
    Survey {
        mean,
        rms: (square / n).sqrt(),
        ac_rms: (square / n - mean * mean).max(0.0).sqrt(),
        peak: f64::from(peak),
        finite: not_finite == 0,
        clipped: full >= 3 || (peak > LOUD && high.count + low.count >= PLATEAUS),
        // A quarter of the window: no waveform rests at exactly zero for so long.
        zeros: longest * 4 >= samples.len() && longest > 0,
    }
}
