//! `measure` and `ports`.

use crate::cli::{Format, Measure, StreamFormat};
use crate::exit::Failure;
use crate::measured_line::{AskedFor, Line, Style};
use crate::outlet::tell;
use crate::output;
use crate::sound_file;
use crate::view::View;
use meter::{Coupling, Meter};
use model::document::rig::CaptureDevice;
use model::pitch::AskedNote;
use model::port::{Capture, CaptureError, Clock, Doubt};
use model::quantity::Seconds;
use model::record::{Flag, PositionId};
use model::time::{HostTime, SampleTime, Span, Stop};
use orchestrator::RunError;
use recording::{Recording, Windows};
use report::Decimals;
use serde_json::json;
use std::collections::BTreeMap;
use std::fs::File;
use std::io::BufReader;
use std::path::Path;
use std::sync::Arc;

/// The longest window: the memory of a live input is a minute, and a meter is for tones
/// that stand still.
const LONGEST_WINDOW: f64 = 30.0;

/// Measures a file or a live input.
pub fn measure(arguments: &Measure) -> Result<u8, Failure> {
    if !(1e-3..=LONGEST_WINDOW).contains(&arguments.window.get()) {
        return Err(Failure::input(
            "--window must be from a millisecond to 30 seconds, for example 500ms",
        ));
    }
    if hop(arguments).get() < 1e-3 {
        return Err(Failure::input(
            "--hop must be a millisecond at least, for example 100ms",
        ));
    }
    let note = match &arguments.note {
        None => None,
        Some(AskedNote::Voltage(_)) => {
            return Err(Failure::input(
                "--note must be a note or a frequency; which pitch a voltage is only a rig knows",
            ));
        }
        Some(AskedNote::Named(note)) => Some(note.pitch()),
        Some(AskedNote::Frequency(frequency)) => Some(arguments.pitch.pitch(*frequency)),
    };
    let style = Style {
        format: arguments.format,
        standard: arguments.pitch,
        note: note
            .zip(arguments.note.as_ref())
            .map(|(pitch, note)| AskedFor {
                name: note.to_string(),
                pitch,
            }),
        waveform: arguments.waveform,
        decimals: if arguments.decimal_comma {
            Decimals::Comma
        } else {
            Decimals::Point
        },
    };
    if arguments.decimal_comma && arguments.format != StreamFormat::Csv {
        return Err(Failure::input(
            "--decimal-comma is for CSV; add --format csv",
        ));
    }
    if arguments.settling
        && let Some(file) = &arguments.file
    {
        return crate::changes::measure(file, arguments.channel, &style);
    }
    match (&arguments.file, &arguments.live) {
        (Some(file), _) => measure_file(arguments, style, file),
        (None, Some(device)) => measure_live(arguments, style, device),
        (None, None) => Err(Failure::input("say a WAV file or --live DEVICE")),
    }
}

fn hop(arguments: &Measure) -> Seconds {
    arguments.hop.unwrap_or(arguments.window)
}

/// Where measured windows go.
struct Output {
    style: Style,
    view: Option<View>,
    /// What a view showed last, to be left on the terminal after it.
    last: Vec<Line>,
}

impl Output {
    fn open(arguments: &Measure, style: Style, title: String) -> std::io::Result<Self> {
        let view = if arguments.view {
            View::open(title)
        } else {
            None
        };
        if arguments.view && view.is_none() {
            tell("nightbench: stdout is no terminal, so lines are printed instead of a view");
        }
        if let Some(heading) = style.heading() {
            output::write(heading.as_bytes())?;
        }
        Ok(Self {
            style,
            view,
            last: Vec::new(),
        })
    }

    /// Takes the channels of a window.
    fn put(&mut self, lines: Vec<Line>) -> std::io::Result<()> {
        if let Some(view) = &mut self.view {
            view.show(&lines, &self.style)?;
            self.last = lines;
            return Ok(());
        }
        // One write for all channels; whoever reads along sees whole windows.
        let mut text = Vec::new();
        for line in &lines {
            line.write(&mut text, &self.style)?;
        }
        output::write(&text)
    }
}

impl Drop for Output {
    fn drop(&mut self) {
        if self.view.take().is_some() {
            for line in &self.last {
                let _ = line.write(&mut std::io::stdout(), &self.style);
            }
        }
    }
}

/// Opens a recording that must have a channel, if one is named.
pub fn open(path: &Path, channel: Option<u16>) -> Result<Recording<BufReader<File>>, Failure> {
    let recording = sound_file::open(path)?;
    let channels = recording.channels();
    if let Some(channel) = channel.filter(|channel| *channel > channels) {
        return Err(Failure::input(format!(
            "{}: it has {channels} channel{}, so there is no channel {channel}",
            path.display(),
            if channels == 1 { "" } else { "s" }
        )));
    }
    if recording.length_is_open() {
        tell(format!(
            "nightbench: {}: its header leaves open how long it is; it is measured to its end",
            path.display()
        ));
    }
    Ok(recording)
}

fn measure_file(arguments: &Measure, style: Style, path: &Path) -> Result<u8, Failure> {
    let recording = open(path, arguments.channel)?;
    let title = path
        .file_name()
        .unwrap_or(path.as_os_str())
        .to_string_lossy()
        .into_owned();
    if !arguments.view {
        let mut written = Ok(());
        match Output::open(arguments, style, title) {
            Err(error) => written = Err(error),
            Ok(mut output) => read_through(recording, arguments, |lines| {
                written = output.put(lines);
                written.is_ok()
            })?,
        }
        return output::judge(written).map(|()| 0);
    }
    let clock = devices::RealClock::new();
    let stop = Stop::new();
    let mut failure = None;
    let outcome = crate::supervision::watch(&stop, None, || {
        let Ok(mut output) = Output::open(arguments, style, title) else {
            return Ok(());
        };
        let paced = output.view.is_some();
        let begun = clock.now();
        let read = read_through(recording, arguments, |lines| {
            let heard = lines.first().map_or(0.0, |line| line.t + line.window);
            // A window is shown when its last sample has been played.
            let due: HostTime = begun + Seconds::of(heard);
            !(paced && clock.sleep_until(due, &stop).is_err()) && output.put(lines).is_ok()
        });
        failure = read.err();
        Ok(())
    });
    outcome.map_err(Failure::rig)?;
    failure.map_or(Ok(0), Err)
}

/// Measures a recording window by window until `put` says no.
fn read_through<R: std::io::BufRead>(
    recording: Recording<R>,
    arguments: &Measure,
    mut put: impl FnMut(Vec<Line>) -> bool,
) -> Result<(), Failure> {
    let rate = recording.rate();
    let channels = usize::from(recording.channels());
    let only = arguments.channel.map(|channel| usize::from(channel) - 1);
    let last = only.unwrap_or(channels - 1);
    let frames = rate.frames(arguments.window) as usize;
    let windows = Windows::new(recording, frames, rate.frames(hop(arguments)), only)
        .with_waveforms(coupling(arguments));
    let mut lines = Vec::new();
    for window in windows {
        let window = window?;
        lines.push(Line {
            channel: window.channel as u16 + 1,
            t: rate.duration(window.begins).get(),
            window: rate.duration(window.frames as u64).get(),
            measured: window.measured,
            waveform: window.waveform,
        });
        if window.channel == last && !put(std::mem::take(&mut lines)) {
            break;
        }
    }
    Ok(())
}

/// How the input is coupled, where waveforms are asked for.
fn coupling(arguments: &Measure) -> Option<Coupling> {
    arguments.waveform.then_some(if arguments.dc_coupled {
        Coupling::Dc
    } else {
        Coupling::Ac
    })
}

fn measure_live(arguments: &Measure, style: Style, device: &str) -> Result<u8, Failure> {
    let inputs: BTreeMap<PositionId, u16> = (1..=arguments.channels)
        .filter(|channel| arguments.channel.is_none_or(|only| only == *channel))
        .map(|channel| (PositionId::new(&channel.to_string()), channel))
        .collect();
    if inputs.is_empty() {
        return Err(Failure::input(format!(
            "--channel must be at most --channels ({})",
            arguments.channels
        )));
    }
    let description = CaptureDevice {
        device: device.to_owned(),
        host: arguments.host.clone(),
        rate: arguments.rate,
        channels: arguments.channels,
        buffer: arguments.buffer,
    };
    let clock = Arc::new(devices::RealClock::new());
    let mut capture =
        devices::open_capture(&description, &inputs, clock.clone()).map_err(Failure::rig)?;
    let stop = Stop::new();
    let mut written = Ok(());
    let outcome = crate::supervision::watch(&stop, None, || {
        let mut output = match Output::open(arguments, style, device.to_owned()) {
            Ok(output) => output,
            Err(error) => {
                written = Err(error);
                return Ok(());
            }
        };
        listen(&mut *capture, &*clock, &inputs, arguments, &stop, |lines| {
            written = output.put(lines);
            written.is_ok()
        })
    });
    match outcome {
        Ok(()) | Err(RunError::Stopped(_)) => output::judge(written).map(|()| 0),
        Err(error) => Err(Failure::rig(error)),
    }
}

fn listen(
    capture: &mut dyn Capture,
    clock: &dyn Clock,
    inputs: &BTreeMap<PositionId, u16>,
    arguments: &Measure,
    stop: &Stop,
    mut put: impl FnMut(Vec<Line>) -> bool,
) -> Result<(), RunError> {
    let timeline = capture.timeline();
    let rate = timeline.rate;
    let frames = rate.frames(arguments.window).max(1);
    let hop = rate.frames(hop(arguments)).max(1);
    let most = arguments.lasts.map(|lasts| rate.frames(lasts));
    let mut meter = Meter::new(rate);
    let start = timeline.sample_time(clock.now());
    let mut begins = 0;
    while most.is_none_or(|most| begins + frames <= most) {
        let span = Span {
            start: SampleTime {
                index: start.index + begins,
                ..start
            },
            frames,
        };
        let samples = match capture.read(span, stop) {
            Ok(samples) => samples,
            Err(CaptureError::Cancelled(_)) => return Ok(()),
            Err(error) => return Err(error.into()),
        };
        let mut lines: Vec<Line> = samples
            .channels
            .iter()
            .map(|(position, channel)| {
                let estimate = meter.estimate(channel);
                let waveform = coupling(arguments)
                    .and_then(|coupling| meter.waveform(channel, &estimate, coupling));
                let mut measured = estimate.measured();
                for doubt in &samples.doubts {
                    match doubt {
                        Doubt::Xrun { .. } => measured.flags.insert(Flag::Xrun),
                        Doubt::Clipped(which) if which == position => {
                            measured.flags.insert(Flag::Clipped);
                        }
                        Doubt::ExactZeros(which) if which == position => {
                            measured.flags.insert(Flag::ExactZeros);
                        }
                        Doubt::Clipped(_) | Doubt::ExactZeros(_) => {}
                    }
                }
                Line {
                    channel: inputs.get(position).copied().unwrap_or(0),
                    t: rate.duration(begins).get(),
                    window: rate.duration(frames).get(),
                    measured,
                    waveform,
                }
            })
            .collect();
        lines.sort_by_key(|line| line.channel);
        if !put(lines) {
            return Ok(());
        }
        begins += hop;
    }
    Ok(())
}

/// Lists what is plugged in.
pub fn ports(format: Format) -> Result<u8, Failure> {
    let ports = devices::list();
    let text = match format {
        Format::Json => format!("{}\n", json!(ports)),
        Format::Text => ports.to_string(),
    };
    output::print(&text).map(|()| 0)
}
