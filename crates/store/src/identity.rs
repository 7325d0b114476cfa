//! The identifier of a run: computed from what the run is, not from when or
//! where it was begun.

use crate::error::StoreError;
use model::record::RunHeader;
use sha2::{Digest, Sha256};

/// The first eight hexadecimal digits of SHA-256 (FIPS 180-4) over plan, rig,
/// units and seed, each with its length before it so that nothing can move from
/// one into the other. Program version and wall clock are left out: the same run
/// begun again has the same identifier.
pub(crate) fn of(header: &RunHeader) -> Result<String, StoreError> {
    let mut hash = Sha256::new();
    let mut add = |part: &[u8]| {
        hash.update((part.len() as u64).to_le_bytes());
        hash.update(part);
    };
    add(b"nightbench run 1");
    add(header.plan_text.as_bytes());
    add(header.rig_text.as_bytes());
    for (position, unit) in &header.units {
        add(position.as_str().as_bytes());
        let unit = serde_json::to_vec(unit).map_err(|error| StoreError::Failed {
            attempted: format!("writing down the unit in position {position}"),
            path: "nightbench.sqlite".into(),
            detail: error.to_string(),
        })?;
        add(&unit);
    }
    match header.seed {
        Some(seed) => add(&seed.to_le_bytes()),
        None => add(b"no seed"),
    }
    Ok(hex(&hash.finalize()[..4]))
}

/// The SHA-256 of a text or a recording, in hexadecimal digits.
pub(crate) fn sha256(bytes: &[u8]) -> String {
    hex(&Sha256::digest(bytes))
}

pub(crate) fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// The one identifier among `ids` that is `wanted` or begins with it.
pub(crate) fn resolve(wanted: &str, ids: &[String]) -> Result<String, StoreError> {
    let wanted = wanted.trim().to_ascii_lowercase();
    if wanted.is_empty() {
        return Err(StoreError::NoSuchRun(
            "no run was named; give its identifier or the beginning of it".into(),
        ));
    }
    if let Some(exact) = ids.iter().find(|id| **id == wanted) {
        return Ok(exact.clone());
    }
    let begin: Vec<&String> = ids.iter().filter(|id| id.starts_with(&wanted)).collect();
    match begin[..] {
        [one] => Ok(one.clone()),
        [] => Err(StoreError::NoSuchRun(match ids {
            [] => format!("there is no run {wanted}: the store is empty"),
            [.., last] => format!(
                "there is no run {wanted} among the {} of this store; the last one is {last}",
                ids.len()
            ),
        })),
        _ => {
            let some: Vec<&str> = begin.iter().take(5).map(|id| id.as_str()).collect();
            Err(StoreError::NoSuchRun(format!(
                "{wanted} is the beginning of {} runs ({}{}); give more of it",
                begin.len(),
                some.join(", "),
                if begin.len() > 5 { ", ..." } else { "" }
            )))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use model::record::{PositionId, Unit};
    use model::time::Timestamp;

    fn header() -> RunHeader {
        RunHeader {
            plan_text: "plan".into(),
            rig_text: "rig".into(),
            units: [(
                PositionId::new("left"),
                Unit {
                    serial: "7".into(),
                    ..Unit::default()
                },
            )]
            .into(),
            program_version: "1".into(),
            seed: Some(0),
            began: Timestamp::UNIX_EPOCH,
        }
    }

    #[test]
    fn all_that_makes_the_run_counts_and_nothing_else_does() {
        let id = of(&header()).unwrap();
        assert_eq!(id.len(), 8);
        let same = RunHeader {
            program_version: "2".into(),
            began: Timestamp::from_second(1_800_000_000).unwrap(),
            ..header()
        };
        assert_eq!(of(&same).unwrap(), id);
        let moved = RunHeader {
            plan_text: "planr".into(),
            rig_text: "ig".into(),
            ..header()
        };
        let mut other_unit = header();
        other_unit
            .units
            .get_mut(&PositionId::new("left"))
            .unwrap()
            .revision = Some("B".into());
        let others = [
            moved,
            other_unit,
            RunHeader {
                units: Default::default(),
                ..header()
            },
            RunHeader {
                seed: Some(1),
                ..header()
            },
            RunHeader {
                seed: None,
                ..header()
            },
        ];
        for other in others {
            assert_ne!(of(&other).unwrap(), id, "{other:?}");
        }
    }

    // FIPS 180-4 example, as published with the standard ("abc").
    #[test]
    fn the_hash_is_sha_256() {
        assert_eq!(
            sha256(b"abc"),
            "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
        );
    }

    #[test]
    fn a_beginning_will_do_where_there_is_only_one() {
        let ids: Vec<String> = ["a1b2c3d4", "a1b2c3d4-2", "a1ff0000"]
            .map(String::from)
            .into();
        assert_eq!(resolve("a1b2c3d4", &ids).unwrap(), "a1b2c3d4");
        assert_eq!(resolve("A1F", &ids).unwrap(), "a1ff0000");
        for (wanted, said) in [
            ("a1b", "a1b2c3d4, a1b2c3d4-2"),
            ("c", "no run c"),
            (" ", "no run was named"),
        ] {
            let refused = resolve(wanted, &ids).unwrap_err().to_string();
            assert!(refused.contains(said), "{refused}");
        }
    }
}
