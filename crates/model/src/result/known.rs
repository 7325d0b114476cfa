//! What is known of a result, and over what it was taken.

use super::NotDetermined;

/// What is known of a result: numbers in the unit of [`super::ResultName::dimension`],
/// `low` and `high` the ends of the 95 % interval. All are finite.
#[derive(Debug, Clone, PartialEq)]
pub enum Known {
    /// Its value.
    Value {
        /// The value.
        value: f64,
        /// Standard uncertainty (k = 1); `None` where the interval is open.
        u: Option<f64>,
        /// Lower end; `None` where it is open.
        low: Option<f64>,
        /// Upper end; `None` where it is open.
        high: Option<f64>,
    },
    /// No value, and yet what it lies between.
    Between {
        /// Lower end.
        low: f64,
        /// Upper end.
        high: f64,
        /// Why there is no value.
        why: NotDetermined,
    },
    /// A time that was not reached: no less than this.
    AtLeast {
        /// The least it can be.
        low: f64,
        /// Why there is no value.
        why: NotDetermined,
    },
    /// A size of which nothing is known but that it is no more than this.
    AtMost {
        /// The most it can be.
        high: f64,
    },
    /// Nothing.
    NotDetermined(NotDetermined),
}

impl Known {
    /// A value with its interval; an end, or a standard uncertainty, that is not finite is
    /// left open.
    #[must_use]
    pub fn value_of(value: f64, u: Option<f64>, low: Option<f64>, high: Option<f64>) -> Self {
        let finite = |number: Option<f64>| number.filter(|number| number.is_finite());
        if !value.is_finite() {
            return Self::NotDetermined(NotDetermined::NotFinite);
        }
        Self::Value {
            value,
            u: finite(u),
            low: finite(low),
            high: finite(high),
        }
    }

    /// The value; of what is at most so much, that.
    #[must_use]
    pub const fn value(&self) -> Option<f64> {
        match self {
            Self::Value { value, .. } => Some(*value),
            Self::AtMost { high } => Some(*high),
            Self::Between { .. } | Self::AtLeast { .. } | Self::NotDetermined(_) => None,
        }
    }

    /// Its standard uncertainty.
    #[must_use]
    pub const fn u(&self) -> Option<f64> {
        match self {
            Self::Value { u, .. } => *u,
            Self::Between { .. }
            | Self::AtLeast { .. }
            | Self::AtMost { .. }
            | Self::NotDetermined(_) => None,
        }
    }

    /// The lower end of its interval; of what is at most so much, nought.
    #[must_use]
    pub const fn low(&self) -> Option<f64> {
        match self {
            Self::Value { low, .. } => *low,
            Self::Between { low, .. } | Self::AtLeast { low, .. } => Some(*low),
            Self::AtMost { .. } => Some(0.0),
            Self::NotDetermined(_) => None,
        }
    }

    /// The upper end of its interval.
    #[must_use]
    pub const fn high(&self) -> Option<f64> {
        match self {
            Self::Value { high, .. } => *high,
            Self::Between { high, .. } | Self::AtMost { high } => Some(*high),
            Self::AtLeast { .. } | Self::NotDetermined(_) => None,
        }
    }

    /// Why there is no value.
    #[must_use]
    pub const fn why_not(&self) -> Option<&NotDetermined> {
        match self {
            Self::Value { .. } | Self::AtMost { .. } => None,
            Self::Between { why, .. } | Self::AtLeast { why, .. } | Self::NotDetermined(why) => {
                Some(why)
            }
        }
    }
}

/// Over what a result was taken. Times are in seconds since t = 0 of the stage.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Scope {
    /// A moment, from so many rounds next to it.
    Moment {
        /// The moment.
        t_s: f64,
        /// How many rounds.
        rounds: usize,
    },
    /// Rounds of the stage, or of a hold what stands for them.
    Rounds {
        /// Which.
        which: Which,
        /// The first of them.
        from_s: f64,
        /// The last of them.
        to_s: f64,
        /// How many.
        count: usize,
    },
    /// All since t = 0.
    PowerCycle {
        /// Until when readings matter to it.
        to_s: f64,
    },
}

impl Scope {
    /// Its first and last moment.
    #[must_use]
    pub const fn extent(&self) -> (f64, f64) {
        match self {
            Self::Moment { t_s, .. } => (*t_s, *t_s),
            Self::Rounds { from_s, to_s, .. } => (*from_s, *to_s),
            Self::PowerCycle { to_s } => (0.0, *to_s),
        }
    }
}

/// Which rounds of a stage.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Which {
    /// Those from when on the unit is warm.
    Warm {
        /// When that was, in seconds since t = 0.
        since_s: f64,
    },
    /// All: the unit became warm after the last of them.
    WarmLater,
    /// All: the unit was not seen to become warm.
    NeverWarm,
    /// All, warm or not.
    All,
    /// Those from the tuning on.
    SinceTuning,
}
