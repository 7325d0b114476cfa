//! What the documents for programs have in common: a number, a result, a verdict, a gap, a
//! suggestion. JSON and JSON Schema come from the same types, so a new key is one line
//! here and one where it is filled.

use crate::RunView;
use crate::deviations::Deviations;
use crate::verdicts;
use crate::words;
use model::document::plan::{Allow, Moment};
use model::record::{Gap, PositionId};
use model::result::{Contribution, Finding, Outcome, ResultName, UncertaintySource, Verdict};
use schemars::generate::SchemaSettings;
use schemars::transform::RecursiveTransform;
use schemars::{JsonSchema, Schema};
use serde::{Serialize, Serializer};
use serde_json::{Value, json};
use sha2::{Digest, Sha256};

/// The schema of a document with a title and, under `nightbench`, its kind and version:
/// every key is known, and all are there but those that say when they are.
pub(crate) fn schema_of<T: JsonSchema>(title: &str, header: &str) -> Value {
    let no_other_key = |schema: &mut Schema| {
        if schema.get("properties").is_some() {
            schema.insert("additionalProperties".to_owned(), false.into());
        }
    };
    let generator = SchemaSettings::draft2020_12()
        .for_serialize()
        .with_transform(RecursiveTransform(no_other_key))
        .into_generator();
    let mut schema = generator.into_root_schema_for::<T>().to_value();
    schema["title"] = json!(title);
    schema["properties"]["nightbench"]["const"] = json!(header);
    schema
}

/// A number: null where it is not finite, and nought without a sign.
#[derive(Debug, Clone, Copy, JsonSchema)]
#[schemars(inline)]
pub(crate) struct Number(pub(crate) f64);

impl Number {
    /// Seconds to the microsecond: the last digits of a time depend on how a hold
    /// was cut into pieces, and no clock of a bench knows them.
    pub(crate) fn seconds(value: f64) -> Self {
        Self((value * 1e6).round() / 1e6)
    }
}

impl Serialize for Number {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        match self.0 {
            0.0 => serializer.serialize_f64(0.0),
            value if value.is_finite() => serializer.serialize_f64(value),
            _ => serializer.serialize_none(),
        }
    }
}

/// The SHA-256 of a text, in hexadecimal.
pub(crate) fn sha256(text: &str) -> String {
    use std::fmt::Write as _;
    Sha256::digest(text.as_bytes())
        .iter()
        .fold(String::new(), |mut hash, byte| {
            // Writing to a string cannot fail.
            let _ = write!(hash, "{byte:02x}");
            hash
        })
}

/// A result with its uncertainty, or why it cannot be said.
#[derive(Serialize, JsonSchema)]
pub(crate) struct OneResult<'a> {
    /// Which result.
    name: ResultName,
    /// In which unit; "1" for a share.
    unit: &'static str,
    /// Of which stage, by name.
    stage: &'a str,
    #[serde(flatten)]
    figures: Figures,
}

/// What is known of a result.
#[derive(Serialize, JsonSchema)]
pub(crate) struct Figures {
    /// The value, in `unit`; null where it cannot be said.
    value: Option<Number>,
    /// Its standard uncertainty (k = 1).
    u: Option<Number>,
    /// Lower end of its 95 % interval. Without a value: of a time that was not reached, the
    /// least it can be; of a low end that does not stand out, the least it may be all the same.
    low: Option<Number>,
    /// Upper end of its 95 % interval. Without a value: of a low end that does not stand
    /// out, the most it may be all the same.
    high: Option<Number>,
    /// The time it speaks of, in seconds since t = 0, where there is one.
    t_s: Option<Number>,
    /// How many readings it rests on.
    readings: usize,
    /// Which choice was made in its name, for people.
    meaning: Option<String>,
    /// Why it cannot be said; null where it can.
    why_not: Option<String>,
    /// What limits it: its uncertainty by source, largest first.
    budget: Vec<OneContribution>,
}

/// What one source does to a result: the squares of `u` add up to that of the result's.
#[derive(Serialize, JsonSchema)]
struct OneContribution {
    /// The source.
    source: UncertaintySource,
    /// The standard uncertainty it stands for, in the result's unit.
    u: Number,
    /// Its share of the variance.
    #[schemars(range(min = 0.0, max = 1.0))]
    share: Number,
}

impl<'a> From<&'a Outcome> for OneResult<'a> {
    fn from(outcome: &'a Outcome) -> Self {
        Self {
            name: outcome.name,
            unit: outcome.name.dimension().unit(),
            stage: &outcome.stage,
            figures: outcome.into(),
        }
    }
}

impl From<&Outcome> for Figures {
    fn from(outcome: &Outcome) -> Self {
        Self {
            value: outcome.value().map(Number),
            u: outcome.u().map(Number),
            low: outcome.low().map(Number),
            high: outcome.high().map(Number),
            t_s: outcome.t_s.map(Number::seconds),
            readings: outcome.readings,
            meaning: words::results::meaning(outcome),
            why_not: outcome.why_not().map(words::reasons::why),
            budget: outcome.budget.iter().map(Into::into).collect(),
        }
    }
}

impl From<&Contribution> for OneContribution {
    fn from(part: &Contribution) -> Self {
        Self {
            source: part.source,
            u: Number(part.u),
            share: Number(part.share),
        }
    }
}

/// A tolerance held against a unit.
#[derive(Serialize, JsonSchema)]
pub(crate) struct OneVerdict<'a> {
    /// The tolerance, counted from 1 in the plan.
    #[schemars(range(min = 1))]
    tolerance: usize,
    /// Which result.
    result: Option<ResultName>,
    /// Of which stage.
    stage: Option<&'a str>,
    /// When: `start`, `end`, or a time; null for the end.
    at: Option<Moment>,
    /// The range it must lie in, as the plan writes it.
    allow: Option<&'a Allow>,
    /// What is said.
    finding: Finding,
    /// In a sentence, with the numbers.
    reason: String,
    /// How likely the true value lies outside the range; null where that is not known.
    outside: Option<Number>,
}

impl<'a> OneVerdict<'a> {
    pub(crate) fn of(view: &RunView<'a>, verdict: &'a Verdict) -> Self {
        let tolerance = view.plan.tolerances.get(verdict.tolerance);
        Self {
            tolerance: verdict.tolerance + 1,
            result: tolerance.map(|tolerance| tolerance.result),
            stage: tolerance.map(|tolerance| tolerance.of.as_str()),
            at: tolerance.and_then(|tolerance| tolerance.at),
            allow: tolerance.map(|tolerance| &tolerance.allow),
            finding: verdict.finding,
            reason: verdicts::reason(view, verdict),
            outside: verdict.outside.map(Number),
        }
    }
}

/// Something planned that was not measured.
#[derive(Serialize, JsonSchema)]
pub(crate) struct OneGap<'a> {
    /// The stage, counted from 0 in the plan.
    stage: u16,
    /// Its name.
    stage_name: String,
    /// The round within the stage, from 0.
    round: u32,
    /// The place within the round, from 0; null for all of it.
    slot: Option<u16>,
    /// The position; null for all of them.
    position: Option<&'a str>,
    /// When it was due, in seconds since t = 0.
    t_s: Number,
    /// The same since the run began.
    run_s: Number,
    /// Why.
    reason: &'a str,
}

impl<'a> OneGap<'a> {
    pub(crate) fn of(view: &RunView<'a>, deviations: &Deviations, gap: &'a Gap) -> Self {
        Self {
            stage: gap.stage,
            stage_name: view.stage_name(gap.stage),
            round: gap.round,
            slot: gap.slot,
            position: gap.position.as_ref().map(PositionId::as_str),
            t_s: Number::seconds(deviations.t_s(gap.stage, gap.position.as_ref(), gap.at)),
            run_s: Number::seconds(gap.at.seconds()),
            reason: &gap.reason,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_not_finite_is_null_and_nought_has_no_sign() {
        let written = |value: f64| json!(Number(value)).to_string();
        assert_eq!(written(0.1 + 0.2), "0.30000000000000004");
        assert_eq!((written(0.0), written(-0.0)), ("0.0".into(), "0.0".into()));
        for value in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
            assert_eq!(written(value), "null");
        }
        let seconds = |value: f64| json!(Number::seconds(value)).to_string();
        assert_eq!(
            (seconds(1.000_000_4), seconds(-1e-9)),
            ("1.0".into(), "0.0".into())
        );
    }

    /// The digest of "abc" (FIPS 180-4, example of SHA-256).
    #[test]
    fn the_digest_is_the_published_one() {
        let digest = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
        assert_eq!(sha256("abc"), digest);
    }
}
