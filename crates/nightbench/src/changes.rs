//! `measure --settling`: changes of note in a recording.

use crate::cli::StreamFormat;
use crate::exit::Failure;
use crate::measured_line::Style;
use crate::outlet::tell;
use crate::output;
use meter::{ChangeFinder, NoteChange};
use model::quantity::Hertz;
use report::{Cell, Decimals, csv_row};
use serde_json::{Value, json};
use std::io::Write;
use std::path::Path;

/// The names of the columns.
const COLUMNS: [&str; 10] = [
    "channel",
    "onset_s",
    "u_onset_s",
    "from_hz",
    "to_hz",
    "t_s",
    "window_s",
    "hz",
    "u_hz",
    "cents_from_rest",
];

/// Prints every change of note in a file, of all channels or of one (from 1).
pub fn measure(path: &Path, only: Option<u16>, style: &Style) -> Result<u8, Failure> {
    let mut recording = crate::measuring::open(path, only)?;
    let channels = usize::from(recording.channels());
    let mut finder = ChangeFinder::new(recording.rate(), channels);
    let mut piece = vec![Vec::new(); channels];
    let mut out = Vec::new();
    let mut any = false;
    if style.format == StreamFormat::Csv {
        out.extend_from_slice(csv_row(&COLUMNS.map(Cell::from), style.decimals).as_bytes());
    }
    loop {
        for channel in &mut piece {
            channel.clear();
        }
        let read = recording.next(&mut piece);
        let mut found = Vec::new();
        for (channel, samples) in piece.iter().enumerate() {
            if only.is_none_or(|only| usize::from(only) == channel + 1) {
                finder.push(channel, samples, &mut found);
            }
        }
        let ended = !matches!(read, Ok(frames) if frames > 0);
        if ended {
            finder.finish(&mut found);
        }
        any |= !found.is_empty();
        let written = found
            .iter()
            .try_for_each(|change| write(&mut out, change, style))
            .and_then(|()| output::write(&out));
        if written.is_err() {
            return output::judge(written).map(|()| 0);
        }
        out.clear();
        if ended {
            read?;
            if !any {
                tell(format!("nightbench: {}", nothing(path, only)));
            }
            return Ok(0);
        }
    }
}

/// What is said of a whole recording in which no change was found.
fn nothing(path: &Path, only: Option<u16>) -> String {
    let which = only.map_or_else(String::new, |channel| format!(" on channel {channel}"));
    format!(
        "{}: no change of note was found{which}; one is seen where a note has stood still and the pitch then leaves it for another that stands still",
        path.display()
    )
}

fn write(out: &mut impl Write, change: &NoteChange, style: &Style) -> std::io::Result<()> {
    match style.format {
        StreamFormat::Json => writeln!(out, "{}", json_of(change)),
        StreamFormat::Csv => csv(out, change, style.decimals),
        StreamFormat::Text => text(out, change, style),
    }
}

fn hertz(frequency: Option<Hertz>) -> Option<f64> {
    frequency.map(|frequency| frequency.get())
}

fn json_of(change: &NoteChange) -> Value {
    let curve: Vec<Value> = change
        .curve
        .iter()
        .map(|point| {
            json!({
                "t_s": point.begins.get(),
                "window_s": point.window.get(),
                "hz": point.frequency.get(),
                "u_hz": point.u.get(),
                "cents_from_rest": change.from_rest(point).map(|off| off.get()),
            })
        })
        .collect();
    json!({
        "channel": change.channel + 1,
        "onset_s": change.onset.get(),
        "u_onset_s": change.u_onset.get(),
        "from_hz": hertz(change.from.frequency),
        "to_hz": hertz(change.to.frequency),
        "curve": curve,
    })
}

fn csv(out: &mut impl Write, change: &NoteChange, decimals: Decimals) -> std::io::Result<()> {
    for point in &change.curve {
        let row: [Cell<'_>; COLUMNS.len()] = [
            Cell::Whole(change.channel as i64 + 1),
            change.onset.get().into(),
            change.u_onset.get().into(),
            hertz(change.from.frequency).into(),
            hertz(change.to.frequency).into(),
            point.begins.get().into(),
            point.window.get().into(),
            point.frequency.get().into(),
            point.u.get().into(),
            change.from_rest(point).map(|off| off.get()).into(),
        ];
        out.write_all(csv_row(&row, decimals).as_bytes())?;
    }
    Ok(())
}

fn text(out: &mut impl Write, change: &NoteChange, style: &Style) -> std::io::Result<()> {
    let named = |frequency: Option<Hertz>| {
        frequency.map_or_else(String::new, |frequency| {
            let (note, cents) = style.deviation(frequency);
            format!("{:.3} Hz ({note} {cents:+.2} cents)", frequency.get())
        })
    };
    writeln!(
        out,
        "{:>3} {:>11.5} s (u {:.2} ms)  {} -> {}",
        change.channel + 1,
        change.onset.get(),
        change.u_onset.get() * 1e3,
        named(change.from.frequency),
        named(change.to.frequency),
    )?;
    for point in &change.curve {
        let off = change.from_rest(point).map_or(0.0, |off| off.get());
        writeln!(
            out,
            "      +{:>8.1} ms  {:>14.5} Hz  u {:.1e} Hz  {off:>+9.3} cents",
            point.begins.get() * 1e3,
            point.frequency.get(),
            point.u.get(),
        )?;
    }
    Ok(())
}
