//! Exports: equal runs give equal bytes, and what goes out can be read back.

mod specimen;

use model::record::EventKind;
use specimen::{CHARACTERS, Specimen};

#[test]
fn the_order_in_which_a_run_was_kept_does_not_show() {
    let run = Specimen::night(&CHARACTERS[..2]);
    let bytes = report::export_json(&run.view()).to_string();
    let mut other = Specimen::night(&CHARACTERS[..2]);
    other.record.id = model::record::RunId::new("5f3a91c2-2");
    other.record.readings.reverse();
    other.record.events.reverse();
    other.record.gaps.reverse();
    // Laid down and taken up again, and holds cut elsewhere.
    let mut session = other.record.events[3].clone();
    session.kind = EventKind::SessionOpened;
    other.record.events.push(session);
    let traces = std::mem::take(&mut other.record.traces);
    for mut trace in traces {
        let mut rest = trace.clone();
        rest.points = trace.points.split_off(3);
        rest.at = trace.at + trace.hop * 3.0;
        rest.chunk = trace.chunk * 2 + 1;
        trace.chunk *= 2;
        other.record.traces.extend([rest, trace]);
    }
    let others = report::export_json(&other.view()).to_string();
    assert!(bytes == others);
    assert_eq!(
        report::export_csv(&run.view(), false),
        report::export_csv(&other.view(), false)
    );
}

#[test]
fn keys_carry_units_and_the_unknown_is_null() {
    let mut run = Specimen::night(&CHARACTERS[..1]);
    run.record.readings[0].measured.frequency = None;
    run.record.readings[0].measured.u = None;
    run.record.readings[1].conditions.air = None;
    let run = run.analysed_again();
    let export = report::export_json(&run.view());
    let readings = export["readings"].as_array().unwrap();
    assert_eq!(readings.len(), run.record.readings.len());
    assert!(readings[0]["hz"].is_null() && readings[0]["cents"].is_null());
    assert!(readings[1]["air_degc"].is_null());
    let reading = &readings[1];
    for key in [
        "hz",
        "u_hz",
        "u_noise_hz",
        "cents",
        "t_s",
        "run_s",
        "window_s",
        "level_dbfs",
        "supply_v",
    ] {
        assert!(reading[key].is_number(), "{key}");
    }
    // t_s counts from the supply, run_s from the beginning of the run: the
    // cooling lies between.
    let t_s = reading["t_s"].as_f64().unwrap();
    let run_s = reading["run_s"].as_f64().unwrap();
    assert!((run_s - t_s - 7200.0).abs() < 1e-5, "{t_s} {run_s}");
    // A hold is one piece of adjoining windows.
    assert_eq!(export["traces"].as_array().unwrap().len(), 1);
    assert_eq!(export["traces"][0]["hz"].as_array().unwrap().len(), 1800);
    // Cents say what hertz say (1200 log2 of the ratio).
    let cents =
        1200.0 * (reading["hz"].as_f64().unwrap() / reading["asked_hz"].as_f64().unwrap()).log2();
    assert!((cents - reading["cents"].as_f64().unwrap()).abs() < 1e-6);
    assert!(
        export["events"]
            .as_array()
            .unwrap()
            .iter()
            .all(|event| event["kind"] != "session_opened")
    );
}

#[test]
fn a_table_reads_back() {
    let mut run = Specimen::night(&CHARACTERS[..1]);
    for unit in run.record.header.units.values_mut() {
        unit.serial = "7; \"left\", shelf\nbelow".to_owned();
    }
    for (decimal_comma, delimiter) in [(false, b','), (true, b';')] {
        let table = report::export_csv(&run.view(), decimal_comma);
        let mut reader = csv::ReaderBuilder::new()
            .delimiter(delimiter)
            .from_reader(table.as_bytes());
        let names = reader.headers().unwrap().clone();
        let column = |name: &str| names.iter().position(|column| column == name).unwrap();
        let rows: Vec<_> = reader.records().map(Result::unwrap).collect();
        let windows: usize = run
            .record
            .traces
            .iter()
            .map(|trace| trace.points.len())
            .sum();
        assert_eq!(rows.len(), run.record.readings.len() + windows);
        let (hz, serial) = (column("hz"), column("serial"));
        for (row, reading) in rows.iter().zip(&run.record.readings) {
            let number: f64 = row[hz].replace(',', ".").parse().unwrap();
            assert_eq!(Some(number), reading.measured.frequency.map(|f| f.get()));
            assert_eq!(&row[serial], "7; \"left\", shelf\nbelow");
            assert!(!decimal_comma || !row[hz].contains('.'));
        }
    }
}

/// Every window of a hold has a row with its own time and values, the same as in JSON.
#[test]
fn a_table_has_every_window_of_a_hold() {
    let run = Specimen::night(&CHARACTERS[..2]);
    let export = report::export_json(&run.view());
    let table = report::export_csv(&run.view(), false);
    let mut reader = csv::Reader::from_reader(table.as_bytes());
    let names = reader.headers().unwrap().clone();
    let rows: Vec<_> = reader.records().map(Result::unwrap).collect();
    let cell = |row: &csv::StringRecord, name: &str| {
        let at = names.iter().position(|column| column == name).unwrap();
        row[at].to_owned()
    };
    let value = |row: &csv::StringRecord, name: &str| cell(row, name).parse::<f64>().ok();
    let traces = export["traces"].as_array().unwrap();
    assert_eq!(traces.len(), 2);
    for trace in traces {
        let of_hold: Vec<_> = rows
            .iter()
            .filter(|row| {
                cell(row, "stage_name") == trace["stage_name"].as_str().unwrap()
                    && cell(row, "position") == trace["position"].as_str().unwrap()
            })
            .collect();
        let hz = trace["hz"].as_array().unwrap();
        assert_eq!(of_hold.len(), hz.len());
        let hop = trace["hop_s"].as_f64().unwrap();
        for (index, (row, hz)) in of_hold.iter().zip(hz).enumerate() {
            assert_eq!(value(row, "hz"), hz.as_f64());
            assert_eq!(value(row, "u_hz"), trace["u_hz"][index].as_f64());
            assert_eq!(cell(row, "state"), trace["state"][index].as_str().unwrap());
            let due = trace["t_s"].as_f64().unwrap() + hop * index as f64;
            assert!((value(row, "t_s").unwrap() - due).abs() < 2e-6);
            // Cents say what hertz say (1200 log2 of the ratio).
            if let (Some(hz), Some(cents)) = (hz.as_f64(), value(row, "cents")) {
                let ratio = hz / value(row, "asked_hz").unwrap();
                assert!((1200.0 * ratio.log2() - cents).abs() < 1e-6);
            }
            assert_eq!(value(row, "cents").is_some(), hz.is_number());
            assert_eq!(cell(row, "round") + &cell(row, "attempt"), "");
        }
    }
}

#[test]
fn results_have_the_documented_shape() {
    let run = Specimen::night(&CHARACTERS[..2]);
    let results = report::results_json(&run.view());
    assert_eq!(results["calibrated"], false);
    let units = results["units"].as_array().unwrap();
    assert_eq!(units.len(), 2);
    for unit in units {
        for result in unit["results"].as_array().unwrap() {
            for key in [
                "name", "value", "u", "low", "high", "unit", "stage", "t_s", "why_not",
            ] {
                assert!(result.get(key).is_some(), "{key}");
            }
            assert_ne!(
                result["value"].is_null(),
                result["why_not"].is_null(),
                "{result}"
            );
        }
        assert_eq!(unit["verdicts"].as_array().unwrap().len(), 3);
        assert_eq!(unit["gaps"].as_array().unwrap().len(), 3);
    }
}
