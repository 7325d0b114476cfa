//! Whether the certificates of a rig make sense, and how they stand on the days of a run.

use super::super::error::{DocumentError, Remark, clipped};
use super::super::rig::{Rig, Standing};
use super::super::source::Document;
use super::{Checker, at};

/// What is to be said of the certificates of a rig on which a run begins and ends on
/// these days (year, month, day, like 2026-03-01).
#[must_use]
pub fn check_certificates(document: &Document<Rig>, begins: &str, ends: &str) -> Vec<Remark> {
    let mut check = Checker::new(document);
    for part in document.value.backing() {
        let Some(certificate) = part.certificate else {
            continue;
        };
        let of = part.of;
        let path = at!["certificates", part.key];
        let due = certificate.due.as_deref().unwrap_or("");
        let uncalibrated = "reports of this run will call the rig uncalibrated";
        match part.standing(begins) {
            Standing::Overdue => check.remark(
                &path.then("due"),
                format!("the certificate of the {of} was due again on {due}, and the run begins on {begins}"),
                uncalibrated,
            ),
            Standing::NotYet => check.remark(
                &path.then("date"),
                format!("the certificate of the {of} is dated {}, and the run begins on {begins}", certificate.date),
                uncalibrated,
            ),
            Standing::InForce if certificate.standing(ends) == Standing::Overdue => check.remark(
                &path.then("due"),
                format!("the certificate of the {of} is due again on {due}, and the run ends on {ends}"),
                "it counts for this run, since it is in force when the run begins",
            ),
            Standing::InForce | Standing::Missing => {}
        }
    }
    check.remarks
}

impl Checker<'_, Rig> {
    /// Dates that can be held against each other, and limits that the certificates are for.
    pub(super) fn certificates(&mut self) -> Result<(), DocumentError> {
        let rig = &self.document.value;
        for part in rig.backing() {
            let Some(certificate) = part.certificate else {
                continue;
            };
            let path = at!["certificates", part.key];
            for (word, text) in [("what", &certificate.what), ("number", &certificate.number)] {
                self.require(
                    !text.trim().is_empty(),
                    &path.then(word),
                    || "nothing is written here".to_owned(),
                    || "reports name each certificate by both, so that it can be found".to_owned(),
                )?;
            }
            for (word, date) in [
                ("date", Some(&certificate.date)),
                ("due", certificate.due.as_ref()),
            ] {
                let Some(date) = date else { continue };
                // Written otherwise, dates could not be held against each other.
                let is_date = date.len() == 10 && date.parse::<jiff::civil::Date>().is_ok();
                self.require(
                    is_date,
                    &path.then(word),
                    || format!("\"{}\" is not a date", clipped(date, 40)),
                    || "write year, month and day, like 2026-03-01".to_owned(),
                )?;
            }
            if let Some(due) = &certificate.due {
                self.require(
                    *due >= certificate.date,
                    &path.then("due"),
                    || {
                        format!(
                            "it was due on {due}, before it was made on {}",
                            certificate.date
                        )
                    },
                    || "are the two dates swapped?".to_owned(),
                )?;
            }
        }
        let mut remarks = Vec::new();
        for part in rig.backing() {
            let path = at!["certificates", part.key];
            if part.certificate.is_none() {
                continue;
            }
            if !part.needed {
                remarks.push((
                    path.clone(),
                    format!("this rig has no {}", part.of),
                    "say which instrument it is: thermometer: NAME".to_owned(),
                ));
            }
            let of_it: &[&str] = match part.key {
                "sample_clock" => &["sample_clock"],
                "thermometer" => &["thermometer"],
                _ => &["cv_gain", "cv_offset", "cv_step"],
            };
            let unsaid: Vec<&str> = of_it
                .iter()
                .copied()
                .filter(|key| !self.document.has(&at!["bounds", *key]))
                .collect();
            if !unsaid.is_empty() {
                remarks.push((
                    path,
                    format!(
                        "the {} has a certificate, and the limits of a rig that nobody has calibrated stand in for {}",
                        part.of,
                        unsaid.join(", ")
                    ),
                    "write what the certificate says of it below \"bounds\"; only that makes results more certain".to_owned(),
                ));
            }
        }
        for (path, problem, advice) in remarks {
            self.remark(&path, problem, advice);
        }
        Ok(())
    }
}
