//! The categories of test signals.

/// What is special about a signal.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Category {
    /// A saw.
    Saw,
    /// A pulse of any duty cycle from 2 %.
    Pulse,
    /// A symmetric triangle.
    Triangle,
    /// A sine.
    Sine,
    /// A sine through a folder.
    Folded,
    /// A triangle that rises and falls at different speed.
    Skewed,
    /// A saw or pulse through a resonant low-pass filter.
    Filtered,
    /// 8 to 30 Hz.
    Low,
    /// 8 to 20 kHz.
    High,
    /// 10 to 20 dB above the noise.
    Noisy,
    /// Noise that is not white.
    Coloured,
    /// The pitch drifts evenly.
    Drift,
    /// The drift changes.
    Curved,
    /// A constant besides.
    Offset,
    /// Mains hum with harmonics.
    Hum,
    /// A mains line next to a harmonic of the tone.
    HumNear,
    /// The fundamental far below the second harmonic, or all odd harmonics.
    WeakFundamental,
    /// Odd harmonics softer than even ones.
    WeakOdd,
    /// Cut off at full scale.
    Clipped,
    /// Each period begins a little early or late.
    Jitter,
    /// The phase walks at random.
    Walk,
    /// Shapes sampled without a band limit.
    Aliased,
    /// 4 to 12 periods in the window.
    FewPeriods,
    /// Other sampling rates than 48 kHz.
    Rates,
    /// Peaks of -60 to 0 dBFS, rounded to 24 bits.
    Levels,
    /// Windows of 0.1 to 4 s.
    Windows,
    /// Some of it all, mildly.
    Mixed,
    /// Two tones.
    TwoTones,
    /// Next to nothing.
    Silence,
    /// Noise without a tone.
    NoiseOnly,
}

impl Category {
    /// Every category, in order.
    pub const ALL: [Self; 30] = [
        Self::Saw,
        Self::Pulse,
        Self::Triangle,
        Self::Sine,
        Self::Folded,
        Self::Skewed,
        Self::Filtered,
        Self::Low,
        Self::High,
        Self::Noisy,
        Self::Coloured,
        Self::Drift,
        Self::Curved,
        Self::Offset,
        Self::Hum,
        Self::HumNear,
        Self::WeakFundamental,
        Self::WeakOdd,
        Self::Clipped,
        Self::Jitter,
        Self::Walk,
        Self::Aliased,
        Self::FewPeriods,
        Self::Rates,
        Self::Levels,
        Self::Windows,
        Self::Mixed,
        Self::TwoTones,
        Self::Silence,
        Self::NoiseOnly,
    ];

    /// Its name on the command line.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Saw => "saw",
            Self::Pulse => "pulse",
            Self::Triangle => "triangle",
            Self::Sine => "sine",
            Self::Folded => "folded",
            Self::Skewed => "skewed",
            Self::Filtered => "filtered",
            Self::Low => "low",
            Self::High => "high",
            Self::Noisy => "noisy",
            Self::Coloured => "coloured",
            Self::Drift => "drift",
            Self::Curved => "curved",
            Self::Offset => "offset",
            Self::Hum => "hum",
            Self::HumNear => "hum-near",
            Self::WeakFundamental => "weak-fundamental",
            Self::WeakOdd => "weak-odd",
            Self::Clipped => "clipped",
            Self::Jitter => "jitter",
            Self::Walk => "walk",
            Self::Aliased => "aliased",
            Self::FewPeriods => "few-periods",
            Self::Rates => "rates",
            Self::Levels => "levels",
            Self::Windows => "windows",
            Self::Mixed => "mixed",
            Self::TwoTones => "two-tones",
            Self::Silence => "silence",
            Self::NoiseOnly => "noise-only",
        }
    }

    /// By its name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|one| one.name() == name)
    }

    /// Whether there is one tone in it.
    #[must_use]
    pub const fn has_a_tone(self) -> bool {
        !matches!(self, Self::Silence | Self::NoiseOnly)
    }

    /// Whether its tones are ordinary: what a healthy oscillator delivers to a healthy
    /// rig, which no flag should mark.
    #[must_use]
    pub const fn is_ordinary(self) -> bool {
        matches!(
            self,
            Self::Saw
                | Self::Pulse
                | Self::Triangle
                | Self::Sine
                | Self::Folded
                | Self::Skewed
                | Self::Filtered
                | Self::Offset
                | Self::Rates
                | Self::Windows
        )
    }
}
