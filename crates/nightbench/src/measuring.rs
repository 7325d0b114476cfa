//! `measure` and `ports`.

use crate::cli::{Format, Measure};
use crate::exit::Failure;
use crate::recording::Recording;
use meter::Meter;
use model::document::rig::CaptureDevice;
use model::port::{Capture, CaptureError};
use model::quantity::Seconds;
use model::record::{Measured, PositionId};
use model::time::{Span, Stop};
use orchestrator::RunError;
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::io::Write;
use std::path::Path;
use std::sync::Arc;

/// Measures a file or a live input.
pub fn measure(arguments: &Measure) -> Result<u8, Failure> {
    if arguments.window.get() < 1e-3 {
        return Err(Failure::input(
            "--window must be a millisecond at least, for example 500ms",
        ));
    }
    match (&arguments.file, &arguments.live) {
        (Some(file), _) => measure_file(arguments, file),
        (None, Some(device)) => measure_live(arguments, device),
        (None, None) => Err(Failure::input("say a WAV file or --live DEVICE")),
    }
}

/// What was measured of one window of one channel.
struct Line {
    channel: u16,
    t: f64,
    window: f64,
    measured: Measured,
}

impl Line {
    fn json(&self) -> Value {
        json!({
            "channel": self.channel,
            "t_s": self.t,
            "window_s": self.window,
            "hz": self.measured.frequency.map(|frequency| frequency.get()),
            "u_hz": self.measured.u.map(|u| u.get()),
            "level_dbfs": self.measured.level.map(|level| level.get()),
            "state": self.measured.state.name(),
            "flags": self.measured.flags.names(),
        })
    }

    fn text(&self) -> String {
        let level = self
            .measured
            .level
            .map_or_else(String::new, |level| format!("{:.1} dBFS", level.get()));
        let flags = self.measured.flags.names().join(" ");
        match (self.measured.frequency, self.measured.u) {
            (Some(frequency), Some(u)) => format!(
                "{:>3} {:>10.3} {:>14.5} Hz  u {:.1e} Hz  {level:>11}  {flags}",
                self.channel,
                self.t,
                frequency.get(),
                u.get()
            ),
            _ => format!(
                "{:>3} {:>10.3} {:>14}     {level:>11}  {flags}",
                self.channel,
                self.t,
                self.measured.state.name().replace('_', " ")
            ),
        }
    }

    fn print(&self, format: Format) -> std::io::Result<()> {
        match format {
            Format::Json => writeln!(std::io::stdout(), "{}", self.json()),
            Format::Text => writeln!(std::io::stdout(), "{}", self.text()),
        }
    }
}

fn measure_file(arguments: &Measure, path: &Path) -> Result<u8, Failure> {
    let mut recording = Recording::open(path)?;
    let rate = recording.rate();
    let channels = recording.channels();
    if let Some(channel) = arguments.channel.filter(|channel| *channel > channels) {
        return Err(Failure::input(format!(
            "{} has {channels} channels, not {channel}",
            path.display()
        )));
    }
    let frames = rate.frames(arguments.window).max(1) as usize;
    let mut meter = Meter::new(rate);
    let mut begun: u64 = 0;
    while let Some(window) = recording.next(frames)? {
        let length = window.first().map_or(0, Vec::len);
        // The rest of a file is measured only when there is nothing else in it.
        if length < frames && begun > 0 {
            break;
        }
        for (index, samples) in window.iter().enumerate() {
            let channel = index as u16 + 1;
            if arguments.channel.is_some_and(|only| only != channel) {
                continue;
            }
            let line = Line {
                channel,
                t: rate.duration(begun).get(),
                window: rate.duration(length as u64).get(),
                measured: meter.estimate(samples).measured(),
            };
            if line.print(arguments.output.format).is_err() {
                return Ok(0);
            }
        }
        begun += length as u64;
    }
    Ok(0)
}

fn measure_live(arguments: &Measure, device: &str) -> Result<u8, Failure> {
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
    let format = arguments.output.format;
    let outcome = crate::supervision::watch(&stop, None, || {
        listen(
            &mut *capture,
            &*clock,
            &inputs,
            arguments.window,
            arguments.lasts,
            format,
            &stop,
        )
    });
    match outcome {
        Ok(()) | Err(RunError::Stopped(_)) => Ok(0),
        Err(error) => Err(Failure::rig(error)),
    }
}

fn listen(
    capture: &mut dyn Capture,
    clock: &dyn model::port::Clock,
    inputs: &BTreeMap<PositionId, u16>,
    window: Seconds,
    lasts: Option<Seconds>,
    format: Format,
    stop: &Stop,
) -> Result<(), RunError> {
    let timeline = capture.timeline();
    let frames = timeline.rate.frames(window).max(1);
    let mut meter = Meter::new(timeline.rate);
    let mut span = Span {
        start: timeline.sample_time(clock.now()),
        frames: 0,
    };
    let mut t = 0.0;
    while lasts.is_none_or(|lasts| t + window.get() <= lasts.get() + 1e-9) {
        span = span.then(frames);
        let samples = match capture.read(span, stop) {
            Ok(samples) => samples,
            Err(CaptureError::Cancelled(_)) => return Ok(()),
            Err(error) => return Err(error.into()),
        };
        for (position, channel) in &samples.channels {
            let line = Line {
                channel: inputs.get(position).copied().unwrap_or(0),
                t,
                window: timeline.rate.duration(frames).get(),
                measured: meter.estimate(channel).measured(),
            };
            if line.print(format).is_err() {
                return Ok(());
            }
        }
        t += timeline.rate.duration(frames).get();
    }
    Ok(())
}

/// Lists what is plugged in.
pub fn ports(format: Format) -> Result<u8, Failure> {
    let ports = devices::list();
    let _ = match format {
        Format::Json => writeln!(std::io::stdout(), "{}", json!(ports)),
        Format::Text => write!(std::io::stdout(), "{ports}"),
    };
    Ok(0)
}
