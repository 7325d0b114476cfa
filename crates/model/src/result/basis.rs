//! On what a result rests.

use super::{ColdStart, ResultName, TimeZero};

/// On what a result rests: what was chosen or found in it that its number does not say.
/// Notes are named as the plan writes them; times are in seconds, since t = 0 where they are
/// moments; errors are in cents.
#[derive(Debug, Clone, PartialEq)]
pub enum Basis {
    /// The slope with the high end taken out.
    ScaleError {
        /// The lowest and the highest note.
        span: [String; 2],
        /// Whether drift during its one round is in it, no note being played twice.
        drift_in_it: bool,
    },
    /// What the top is off.
    HighEnd {
        /// The highest note.
        note: String,
        /// The same in cents per kilohertz, with its standard uncertainty.
        per_khz: [f64; 2],
        /// The same as a delay in every cycle, in microseconds.
        delay_us: f64,
        /// As of the scale error.
        drift_in_it: bool,
    },
    /// What the bottom is off.
    LowEnd {
        /// The lowest note.
        note: String,
        /// The same as a frequency that leaks at every note, in hertz.
        leak_hz: f64,
        /// As of the scale error.
        drift_in_it: bool,
    },
    /// The offset of the control voltage.
    VoltageOffset {
        /// The lowest and the highest note.
        span: [String; 2],
        /// As of the scale error.
        drift_in_it: bool,
    },
    /// A straight line, high end and all.
    MeanSlope {
        /// The lowest and the highest note.
        span: [String; 2],
        /// As of the scale error.
        drift_in_it: bool,
    },
    /// A straight line through two notes.
    TwoNoteSlope {
        /// The lower and the upper note.
        between: [String; 2],
        /// As of the scale error.
        drift_in_it: bool,
    },
    /// Means of all rounds off the unit's own curve.
    LinearityError {
        /// The note that is off most.
        note: String,
        /// By so much, with its sign.
        cents: f64,
        /// Different notes.
        notes: usize,
        /// Standard deviation of single readings off the curve.
        rms: f64,
        /// Degrees of freedom of a round.
        freedom: f64,
    },
    /// The best retuning of one round.
    ErrorLeftAfterRetuning {
        /// Different notes.
        notes: usize,
        /// The largest deviation of that round alone, without smoothing.
        single: f64,
    },
    /// One tuning, and all rounds from then on.
    ErrorAfterOneTuning {
        /// Why then.
        tuned: Tuned,
        /// Different notes.
        notes: usize,
        /// The largest deviation of a single round, without smoothing.
        single: f64,
    },
    /// One tuning, until a note has moved.
    TuningHolds {
        /// Why then.
        tuned: Tuned,
        /// Different notes.
        notes: usize,
        /// The note that moved first, if one did; none where a step ended it.
        first: Option<String>,
        /// Rounds with readings of the unit's own incidents in them, which are left aside.
        left_aside: usize,
    },
    /// One setting of a trimmer, retuned in each round.
    ErrorLeftAfterTrimming {
        /// Which.
        trimmer: Trimmer,
        /// Different notes.
        notes: usize,
    },
    /// One setting of a trimmer and one of a high-end trimmer, retuned in each round.
    ErrorLeftAfterBothTrimmers {
        /// The first.
        trimmer: Trimmer,
        /// What the first alone leaves.
        alone: f64,
    },
    /// The widest run of notes that one retuning of a round puts within the limit.
    InTuneRange {
        /// Its ends.
        run: [String; 2],
        /// Whether that is all that was played.
        whole: bool,
    },
    /// The rounds whose notes one retuning puts within the limit.
    FractionOfRounds {
        /// Different notes.
        notes: usize,
    },
    /// The octave that beats fastest.
    WorstBeats {
        /// Its notes.
        pair: [String; 2],
        /// Of so many.
        pairs: usize,
    },
    /// Largest less smallest at a note.
    Excursion {
        /// The note.
        note: String,
        /// Smoothed over so many rounds.
        smoothed_over: usize,
        /// The same of single rounds.
        single: f64,
        /// The largest change from one single round to the next.
        step: f64,
    },
    /// The largest change at a note from one round to the next.
    LargestChangeBetweenRounds {
        /// The note.
        note: String,
        /// Smoothed over so many rounds.
        smoothed_over: usize,
        /// The same of single rounds.
        single: f64,
    },
    /// The slope of a note against time.
    DriftRate {
        /// The note.
        note: String,
    },
    /// When the reference note comes to rest.
    WarmUpTime(Reached),
    /// When the error left after retuning comes within the limit.
    ReadyAfter {
        /// Different notes.
        notes: usize,
        /// When.
        reached: Reached,
        /// From when on a single tuning lasts as long.
        one_tuning: OneTuning,
    },
    /// Exponentials with which a note comes to rest, the longest last.
    Convergence {
        /// The note.
        note: String,
        /// Size and time constant of each.
        terms: Vec<[f64; 2]>,
        /// What t = 0 is.
        origin: Origin,
    },
    /// Readings of a note so far apart.
    ChangeBetweenReadings {
        /// The note.
        note: String,
        /// How far.
        apart_s: f64,
        /// How many changes.
        changes: usize,
        /// The deviation with the meter's share in it.
        with_meter: f64,
        /// How it moves.
        noise: Noise,
    },
    /// The overlapping Allan deviation of a hold.
    ShortTermStability {
        /// The note.
        note: String,
        /// Over so long.
        over_s: f64,
        /// The length of the stretch without a gap.
        stretch_s: f64,
        /// Whether it was warm by then; if not, that is not known.
        warm: bool,
        /// The deviation with the meter's share in it.
        with_meter: f64,
        /// How it moves.
        noise: Noise,
        /// Degrees of freedom.
        freedom: f64,
        /// A steady drift that is in it, in cents per hour.
        drift: f64,
    },
    /// Notes left and come back to.
    Repeatability {
        /// Degrees of freedom.
        freedom: f64,
    },
    /// A note from above less the same from below.
    Hysteresis {
        /// How many pairs of visits.
        pairs: usize,
        /// The note that differs most.
        note: String,
        /// By so much, with its sign.
        cents: f64,
    },
    /// Changes of note heard from the beginning.
    SettlingTime {
        /// How near counts as settled.
        band: f64,
        /// The length of a window.
        window_s: f64,
        /// How many changes.
        changes: usize,
    },
    /// How long the plan waited for notes to be steady.
    SettlingTimeWaited {
        /// Within what.
        within: f64,
        /// How many changes.
        changes: usize,
    },
    /// Single windows beyond the later value.
    Overshoot {
        /// How many changes.
        changes: usize,
        /// The largest of a single window.
        single: f64,
        /// The length of a window.
        window_s: f64,
    },
    /// The reference note against the air.
    OffsetTemperatureCoefficient(Air),
    /// The scale against the air.
    ScaleTemperatureCoefficient {
        /// Scale error or mean slope.
        of: ResultName,
        /// The air.
        air: Air,
        /// Parts per million of the scale for a kelvin, with their standard uncertainty.
        ppm: [f64; 2],
        /// What a converter without compensation has, in cents per octave per kelvin.
        bare: f64,
        /// The control voltage at which temperature does not move the pitch, with its
        /// standard uncertainty, in volts, where it is known.
        pivot: Option<[f64; 2]>,
    },
    /// The reference note against the supply.
    SupplySensitivity {
        /// Its mean, in volts.
        mean: f64,
        /// By how much it moved, in volts.
        span: f64,
    },
}

/// A time from when on something stays as it should.
#[derive(Debug, Clone, PartialEq)]
pub struct Reached {
    /// How long it must stay so here: what is asked, as far as the record allows.
    pub stay_s: f64,
    /// How long the record is.
    pub record_s: f64,
    /// Whether rounds of other stages are judged, too.
    pub other_stages: bool,
    /// A round that stands out and is left aside.
    pub left_aside_s: Option<f64>,
    /// What t = 0 is.
    pub origin: Origin,
    /// Whether it was so in the first round already.
    pub from_first: bool,
    /// Whether it may still have moved at the end of the record.
    pub maybe_moving: bool,
}

/// From when on a single tuning lasts.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum OneTuning {
    /// From this time.
    From(f64),
    /// At no time.
    Never,
    /// Not looked for: it is not ready even retuned.
    NotReady,
}

/// What t = 0 of a stage is.
#[derive(Debug, Clone, PartialEq)]
pub struct Origin {
    /// What.
    pub zero: TimeZero,
    /// Whether the unit was cold then; `None` where it is not known when it was switched on.
    pub start: Option<ColdStart>,
}

/// Why a unit was tuned when it was.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Tuned {
    /// The plan says so.
    AsPlanned,
    /// It was warm and ready.
    WarmAndReady,
    /// It was ready, and not seen to become warm.
    Ready,
    /// It was warm, and not ready within the record.
    Warm,
    /// The stage began, and it was neither within the record.
    AtStart,
    /// The stage began; when it was switched on is not known, and it is taken to be warm.
    AssumedWarm,
}

/// A trimmer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Trimmer {
    /// Of the scale.
    Scale,
    /// Of the offset of the control voltage, under hertz per volt.
    VoltageOffset,
}

/// The air in which a coefficient was found.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Air {
    /// For how long at the beginning rounds are left out where the unit was not seen to
    /// become warm; `None` where it was.
    pub first_left_out_s: Option<f64>,
    /// Its mean, in degrees Celsius.
    pub mean: f64,
    /// By how much it moved, in kelvin.
    pub span: f64,
    /// How far the unit is behind it.
    pub lag_s: f64,
}

/// How a pitch moves by itself: power laws of its spectrum (IEEE Std 1139).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Noise {
    /// Random walk of the frequency.
    RandomWalk,
    /// Flicker of the frequency.
    Flicker,
    /// White noise of the frequency.
    White,
    /// Flicker of the phase.
    FlickerOfPhase,
    /// White noise of the phase.
    WhiteOfPhase,
}
