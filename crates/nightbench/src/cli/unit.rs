//! A unit as it is typed: serial number, and what else is known of it.

use model::document::nearest;
use model::plain;
use model::record::Unit;
use std::collections::BTreeSet;

/// Details with a place of their own, and settings that many units have. Any other may be
/// given, unless it is one of these misspelt.
const USUAL: [&str; 16] = [
    "model",
    "revision",
    "job",
    "notes",
    "waveform",
    "octave",
    "range",
    "input",
    "output",
    "mode",
    "level",
    "switch",
    "switches",
    "sync",
    "pulse_width",
    "fine_tune",
];
/// The longest serial number, name of a detail and detail, in characters; notes may be
/// longer.
const LONGEST_SERIAL: usize = 80;
const LONGEST_NAME: usize = 40;
const LONGEST_DETAIL: usize = 200;
const LONGEST_NOTES: usize = 2000;
/// The most details of a unit.
const MOST: usize = 50;

fn not_longer(what: &str, text: &str, most: usize) -> Result<(), String> {
    match text.chars().count() {
        length if length <= most => Ok(()),
        length => Err(format!(
            "{what} has {length} characters; at most {most} are kept"
        )),
    }
}

/// Reads `left=A-1041,model=two-pole,waveform=saw`.
pub(super) fn parse_unit(text: &str) -> Result<(String, Unit), String> {
    // Serial numbers are printed on terminals, which obey such characters, and are compared.
    if plain(text) != text || text.chars().any(char::is_control) {
        return Err(
            "a control character or one that is not seen stands in it; leave it out".to_owned(),
        );
    }
    let mut parts = text.split(',');
    let first = parts.next().unwrap_or_default();
    let Some((position, serial)) = first
        .split_once('=')
        .map(|(position, serial)| (position.trim(), serial.trim()))
        .filter(|(position, serial)| !position.is_empty() && !serial.is_empty())
    else {
        return Err("write POSITION=SERIAL, for example left=A-1041".to_owned());
    };
    not_longer("the serial number", serial, LONGEST_SERIAL)?;
    let mut unit = Unit {
        serial: serial.to_owned(),
        ..Unit::default()
    };
    let mut said = BTreeSet::new();
    for part in parts {
        let Some((name, value)) = part
            .split_once('=')
            .map(|(name, value)| (name.trim(), value.trim().to_owned()))
            .filter(|(name, _)| !name.is_empty())
        else {
            return Err(format!(
                "\"{part}\" is no NAME=VALUE, for example revision=B"
            ));
        };
        if !said.insert(name) {
            return Err(format!(
                "\"{name}\" is said twice of the same unit; keep one of them"
            ));
        }
        not_longer("the name of a detail", name, LONGEST_NAME)?;
        let most = if name == "notes" {
            LONGEST_NOTES
        } else {
            LONGEST_DETAIL
        };
        not_longer(&format!("\"{name}\""), &value, most)?;
        if said.len() > MOST {
            return Err(format!("more than {MOST} details are given of one unit"));
        }
        match name {
            "model" => unit.model = Some(value),
            "revision" => unit.revision = Some(value),
            "job" => unit.job = Some(value),
            "notes" => unit.notes = Some(value),
            setting => {
                let meant = nearest(setting, USUAL).filter(|usual| *usual != setting);
                if let Some(meant) = meant.filter(|_| !USUAL.contains(&setting)) {
                    return Err(format!(
                        "\"{setting}\" is no usual detail of a unit; did you mean {meant}?"
                    ));
                }
                unit.settings.insert(setting.to_owned(), value);
            }
        }
    }
    Ok((position.to_owned(), unit))
}

/// Reads `A-1041,model=two-pole`: a unit without a position.
pub(super) fn parse_unit_alone(text: &str) -> Result<Unit, String> {
    if text
        .split(',')
        .next()
        .is_none_or(|serial| serial.trim().is_empty())
    {
        return Err("write the unit's serial number, for example A-1041".to_owned());
    }
    parse_unit(&format!("unit={text}")).map(|(_, unit)| unit)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_unit_carries_what_is_known_of_it() {
        let (position, unit) = parse_unit("left=A-1041,revision=B,waveform=saw").unwrap();
        assert_eq!(position, "left");
        assert_eq!(unit.serial, "A-1041");
        assert_eq!(unit.revision.as_deref(), Some("B"));
        assert_eq!(unit.settings["waveform"], "saw");
        assert!(parse_unit("left").is_err());
        assert!(parse_unit("=x").is_err());
        assert!(parse_unit("left= ").is_err());
        assert!(parse_unit("left=A-1041,=saw").is_err());
        assert!(parse_unit_alone(" ,revision=B").is_err());
        let (position, unit) = parse_unit(" left = A-1041 ").unwrap();
        assert_eq!(
            (position.as_str(), unit.serial.as_str()),
            ("left", "A-1041")
        );
        assert!(parse_unit("left=A\u{1b}[31m").is_err());
    }

    #[test]
    fn a_misspelt_detail_is_refused_and_a_free_one_is_kept() {
        for (wrong, right) in [
            ("revison", "revision"),
            ("Model", "model"),
            ("note", "notes"),
            ("wavefrom", "waveform"),
            ("jobs", "job"),
        ] {
            let why = parse_unit(&format!("left=A-1041,{wrong}=B")).unwrap_err();
            assert!(why.contains(&format!("did you mean {right}?")), "{why}");
        }
        for free in ["portamento", "mode", "core temperature", "customer", "VCO"] {
            let (_, unit) = parse_unit(&format!("left=A-1041,{free}=B")).unwrap();
            assert_eq!(unit.settings[free], "B");
        }
    }

    #[test]
    fn what_is_too_long_or_not_seen_is_refused() {
        let long = "A".repeat(LONGEST_SERIAL + 1);
        assert!(parse_unit(&format!("left={long}")).is_err());
        assert!(parse_unit(&format!("left=A,model={}", "m".repeat(201))).is_err());
        assert!(parse_unit(&format!("left=A,notes={}", "m".repeat(201))).is_ok());
        for unseen in ["\u{202e}", "\u{2028}", "\u{200b}", "\u{85}"] {
            assert!(parse_unit(&format!("left=A{unseen}B")).is_err());
        }
    }

    #[test]
    fn a_detail_said_twice_is_refused() {
        for twice in ["model=a,model=b", "waveform=saw, waveform =saw"] {
            let why = parse_unit(&format!("left=A-1041,{twice}")).unwrap_err();
            assert!(why.contains("twice"), "{why}");
        }
        let why = parse_unit_alone("A-1041,job=1,revision=B,job=2").unwrap_err();
        assert!(why.contains("\"job\" is said twice"), "{why}");
    }
}
