//! The capture stream.

use super::pace::Pace;
use super::ring::Ring;
use super::{connect_to, find_input, host};
use cpal::traits::{DeviceTrait, StreamTrait};
use cpal::{ErrorKind, FromSample, InputCallbackInfo, SampleFormat, SizedSample};
use model::document::rig::CaptureDevice;
use model::port::{Capture, CaptureError, Clock, Doubt, PortError, Remedy, Window};
use model::quantity::{Fraction, Seconds};
use model::record::PositionId;
use model::time::{Epoch, HostTime, SampleRate, SampleTime, Span, Stop, Timeline};
use sender::deadline;
use std::collections::BTreeMap;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, OnceLock};
use std::time::Duration;

/// How much is kept.
const KEPT: Seconds = Seconds::of(60.0);
/// How many samples are kept at most, over all channels: 256 MB.
const KEPT_SAMPLES: u64 = 64_000_000;
/// Without a callback for so long, the capture is dead.
const SILENCE: Seconds = Seconds::of(0.5);
/// The first callback may take longer.
const FIRST_SILENCE: Seconds = Seconds::of(3.0);
/// How often a waiting reader looks.
const GLANCE: Duration = Duration::from_millis(5);
/// Samples at or above this are taken to be at full scale: the largest of 16 bits.
const FULL_SCALE: f32 = 32_767.0 / 32_768.0;
/// So long a run of exact zeros no analogue input delivers.
const ZEROS: Seconds = Seconds::of(0.02);
/// How long a rate is watched before it is believed, and how far off it may be:
/// further than any crystal, nearer than any other rate.
const RATE_WATCH: Seconds = Seconds::of(5.0);
const RATE_OFF: f64 = 0.02;
/// A callback so late has lost samples, whether or not the audio system says so.
const UNREPORTED_NS: i64 = 50_000_000;
/// A gap longer than this is not filled: the stream is begun anew.
const LONGEST_GAP_NS: i64 = 2_000_000_000;
/// How far the sample clock may be off that places windows: it drifts away for
/// as long as [`Pace`] looks back.
const DRIFT: Seconds = Seconds::of(2e-3);

/// Opens the capture stream of a rig: the inputs of all positions, counted from 1.
///
/// # Errors
/// When the device is not there, does not do what the rig file says, or an input
/// is not among its channels.
pub fn open_capture(
    device: &CaptureDevice,
    positions: &BTreeMap<PositionId, u16>,
    clock: Arc<dyn Clock>,
) -> Result<Box<dyn Capture>, PortError> {
    let rate = SampleRate::new(device.rate).ok_or_else(|| PortError {
        device: device.device.clone(),
        what: format!("a rate of {} is no audio rate", device.rate),
        check: "write the rate of the capture like 48 kHz".into(),
        remedy: Remedy::Abort,
    })?;
    for (position, input) in positions {
        if *input == 0 || *input > device.channels {
            return Err(PortError {
                device: device.device.clone(),
                what: format!(
                    "position {position} listens to input {input}, and the capture has the channels 1 to {}",
                    device.channels
                ),
                check: "check the inputs and the channels in the rig file".into(),
                remedy: Remedy::Abort,
            });
        }
    }
    // Positions may share an input; it is kept once.
    let mut inputs: Vec<u16> = positions.values().copied().collect();
    inputs.sort_unstable();
    inputs.dedup();
    let columns = positions
        .iter()
        .filter_map(|(position, input)| {
            let column = inputs.iter().position(|kept| kept == input)?;
            Some((position.clone(), column))
        })
        .collect();
    let wanted = Arc::new(Wanted {
        device: device.clone(),
        rate,
        inputs,
    });
    let live = Live::open(&wanted, &clock)?;
    let buffers = vec![Vec::new(); wanted.inputs.len()];
    Ok(Box::new(Stream {
        wanted,
        columns,
        clock,
        live: Some(live),
        epoch: Epoch(0),
        buffers,
        bad_rate: None,
    }))
}

/// What is to be opened.
struct Wanted {
    device: CaptureDevice,
    rate: SampleRate,
    /// The inputs that are kept, counted from 1.
    inputs: Vec<u16>,
}

/// An open stream, and what its callbacks leave behind.
struct Live {
    stream: cpal::Stream,
    ring: Arc<Ring>,
    fatal: Arc<OnceLock<cpal::Error>>,
    opened: HostTime,
}

/// The capture of a rig.
struct Stream {
    wanted: Arc<Wanted>,
    columns: Vec<(PositionId, usize)>,
    clock: Arc<dyn Clock>,
    live: Option<Live>,
    epoch: Epoch,
    buffers: Vec<Vec<f32>>,
    /// The device runs at another rate than it said.
    bad_rate: Option<String>,
}

impl Live {
    fn open(wanted: &Arc<Wanted>, clock: &Arc<dyn Clock>) -> Result<Self, PortError> {
        let (what, when) = (Arc::clone(wanted), Arc::clone(clock));
        deadline::within(super::PATIENCE, move || build(&what, when)).unwrap_or_else(|| {
            Err(PortError {
                device: wanted.device.device.clone(),
                what: format!(
                    "the audio system did not open it within {} s",
                    super::PATIENCE.as_secs()
                ),
                check: "check that the audio system is not hung".into(),
                remedy: Remedy::Retry,
            })
        })
    }

    /// Lets go of the stream, however long the audio system takes over it.
    fn close(self) {
        let _ = deadline::within(Duration::from_secs(2), move || drop(self.stream));
    }
}

fn build(wanted: &Wanted, clock: Arc<dyn Clock>) -> Result<Live, PortError> {
    let named = &wanted.device;
    let host = host(named.host.as_deref())?;
    let (device, client) = find_input(&host, &named.device)?;
    let refuse = |what: String, check: &str| PortError {
        device: format!("audio input \"{}\"", named.device),
        what,
        check: check.into(),
        remedy: Remedy::Retry,
    };
    let rate = wanted.rate.get().round() as u32;
    let offers: Vec<cpal::SupportedStreamConfigRange> = device
        .supported_input_configs()
        .map_err(|error| {
            refuse(
                format!("could not be asked what it can do: {error}"),
                "check whether another program holds it",
            )
        })?
        .collect();
    let format = best_format(&offers, named.channels, rate).ok_or_else(|| {
        refuse(
            format!(
                "does not do {} channels at {rate} Hz; it does {}",
                named.channels,
                told(&offers)
            ),
            "write one of these into the rig file (capture: rate, channels)",
        )
    })?;
    let config = cpal::StreamConfig {
        channels: named.channels,
        sample_rate: rate,
        buffer_size: named
            .buffer
            .map_or(cpal::BufferSize::Default, cpal::BufferSize::Fixed),
    };
    let frames = wanted
        .rate
        .frames(KEPT)
        .min(KEPT_SAMPLES / wanted.inputs.len().max(1) as u64);
    let ring = Arc::new(Ring::new(wanted.inputs.len(), frames));
    let fatal = Arc::new(OnceLock::new());
    let taps = Taps {
        ring: Arc::clone(&ring),
        fatal: Arc::clone(&fatal),
        clock: Arc::clone(&clock),
        rate: wanted.rate,
        columns: wanted
            .inputs
            .iter()
            .map(|input| usize::from(*input) - 1)
            .collect(),
        channels: usize::from(named.channels),
    };
    let stream = match format {
        SampleFormat::F32 => start::<f32>(&device, config, taps),
        SampleFormat::I32 => start::<i32>(&device, config, taps),
        SampleFormat::I24 => start::<cpal::I24>(&device, config, taps),
        _ => start::<i16>(&device, config, taps),
    }
    .map_err(|error| {
        refuse(
            format!(
                "could not be opened with {} channels at {rate} Hz{}: {error}",
                named.channels,
                named.buffer.map_or(String::new(), |size| format!(
                    " and a buffer of {size} frames"
                ))
            ),
            "check rate, channels and buffer in the rig file, and whether another program holds it",
        )
    })?;
    if let Some(client) = client {
        connect_to(&client, named.channels)?;
    }
    let opened = clock.now();
    let live = Live {
        stream,
        ring,
        fatal,
        opened,
    };
    // Without a first callback nothing is known of the stream's time.
    while live.ring.start().is_none() {
        let silence = clock.now().since(opened);
        let why = match live.fatal.get() {
            Some(error) => error.to_string(),
            None if silence > FIRST_SILENCE => {
                format!("nothing came for {:.1} s", silence.get())
            }
            None => {
                std::thread::sleep(GLANCE);
                continue;
            }
        };
        return Err(refuse(
            format!("was opened but delivers no samples ({why})"),
            "check that the device runs, and that nothing else holds it",
        ));
    }
    Ok(live)
}

/// The finest of the sample formats we read that the device offers for this.
fn best_format(
    offers: &[cpal::SupportedStreamConfigRange],
    channels: u16,
    rate: u32,
) -> Option<SampleFormat> {
    [
        SampleFormat::F32,
        SampleFormat::I32,
        SampleFormat::I24,
        SampleFormat::I16,
    ]
    .into_iter()
    .find(|format| {
        offers.iter().any(|offer| {
            offer.sample_format() == *format
                && offer.channels() == channels
                && (offer.min_sample_rate()..=offer.max_sample_rate()).contains(&rate)
        })
    })
}

/// What a device offers, in words.
pub(crate) fn told(offers: &[cpal::SupportedStreamConfigRange]) -> String {
    let mut channels: Vec<u16> = offers.iter().map(|offer| offer.channels()).collect();
    channels.sort_unstable();
    channels.dedup();
    let channels = match (channels.first(), channels.last()) {
        (Some(first), Some(last)) if channels.len() > 4 => format!("{first} to {last}"),
        _ => channels
            .iter()
            .map(ToString::to_string)
            .collect::<Vec<_>>()
            .join(", "),
    };
    // Rates beyond these are what plug-ins without a device behind them say.
    let mut rates: Vec<String> = offers
        .iter()
        .map(|offer| {
            match (
                offer.min_sample_rate().max(1000),
                offer.max_sample_rate().min(1_000_000),
            ) {
                (low, high) if low == high => low.to_string(),
                (low, high) => format!("{low} to {high}"),
            }
        })
        .collect();
    rates.sort();
    rates.dedup();
    if rates.is_empty() {
        return "nothing that this program can read".into();
    }
    format!("{channels} channels at {} Hz", rates.join(", "))
}

/// What the callbacks need.
struct Taps {
    ring: Arc<Ring>,
    fatal: Arc<OnceLock<cpal::Error>>,
    clock: Arc<dyn Clock>,
    rate: SampleRate,
    columns: Vec<usize>,
    channels: usize,
}

fn start<T>(
    device: &cpal::Device,
    config: cpal::StreamConfig,
    taps: Taps,
) -> Result<cpal::Stream, cpal::Error>
where
    T: SizedSample,
    f32: FromSample<T>,
{
    let Taps {
        ring,
        fatal,
        clock,
        rate,
        columns,
        channels,
    } = taps;
    let overrun = Arc::new(AtomicBool::new(false));
    let seen = Arc::clone(&overrun);
    let mut pace = Pace::new(rate.get());
    let gone = Arc::clone(&fatal);
    let on_data = move |data: &[T], info: &InputCallbackInfo| {
        let now = clock.now().nanoseconds();
        let frames = (data.len() / channels) as u64;
        let stamp = info.timestamp();
        let age = stamp.callback.saturating_duration_since(stamp.capture);
        let sampled = now - i64::try_from(age.as_nanos()).unwrap_or(0);
        let mut beat = pace.beat(ring.written(), sampled);
        let reported = seen.swap(false, Ordering::AcqRel);
        let block = rate.duration(frames).nanoseconds();
        let missing = if reported {
            beat.late
        } else {
            // A machine that is busy is late as well, but not for so long.
            Some(beat.late)
                .filter(|late| *late > (2 * block).max(UNREPORTED_NS))
                .unwrap_or(0)
        };
        if reported || missing > 0 {
            ring.lost();
        }
        if missing > 0 {
            // The index goes on with time: what is missing is nought.
            ring.push(
                rate.frames(Seconds::from_nanoseconds(missing.min(LONGEST_GAP_NS))),
                |_, _| 0.0,
            );
            pace.forget();
            beat = pace.beat(ring.written(), sampled);
        }
        if missing > LONGEST_GAP_NS {
            let _ = gone.set(cpal::Error::with_message(
                ErrorKind::StreamInvalidated,
                "the stream stood still for seconds and then went on",
            ));
        }
        ring.push(frames, |frame, column| {
            f32::from_sample_(data[frame * channels + columns[column]])
        });
        ring.stamp(now, beat.start, beat.spread, frames);
    };
    let on_error = move |error: cpal::Error| match error.kind() {
        ErrorKind::Xrun => overrun.store(true, Ordering::Release),
        // The stream goes on.
        ErrorKind::RealtimeDenied | ErrorKind::DeviceChanged => {}
        _ => {
            let _ = fatal.set(error);
        }
    };
    let stream = device.build_input_stream::<T, _, _>(config, on_data, on_error, None)?;
    stream.play()?;
    Ok(stream)
}

impl Stream {
    fn name(&self) -> String {
        format!("audio input \"{}\"", self.wanted.device.device)
    }

    fn stalled(&self, detail: impl Into<String>) -> CaptureError {
        CaptureError::Stalled {
            device: self.name(),
            detail: detail.into(),
        }
    }

    /// Whether the stream still runs.
    fn alive(&mut self) -> Result<(), CaptureError> {
        let Some(live) = &self.live else {
            return Err(self.stalled("it is closed"));
        };
        if let Some(error) = live.fatal.get() {
            return Err(self.stalled(error.to_string()));
        }
        let now = self.clock.now();
        let quiet = match live.ring.last_callback() {
            Some(last) => {
                let block = self.wanted.rate.duration(live.ring.block());
                let silence = now.since(HostTime::from_nanoseconds(last));
                (silence > SILENCE + block * 4.0).then_some(silence)
            }
            None => Some(now.since(live.opened)).filter(|silence| *silence > FIRST_SILENCE),
        };
        if let Some(silence) = quiet {
            return Err(self.stalled(format!("nothing came for {:.1} s", silence.get())));
        }
        if self.bad_rate.is_none() {
            self.bad_rate = self.watch_rate(now);
        }
        if let Some(detail) = &self.bad_rate {
            return Err(CaptureError::Device(PortError {
                device: self.name(),
                what: detail.clone(),
                check: "set the device, and whatever stands between, to the rate in the rig file"
                    .into(),
                remedy: Remedy::Abort,
            }));
        }
        Ok(())
    }

    /// Whether frames come at the rate that was asked for; some audio systems
    /// take any rate and then deliver another.
    fn watch_rate(&self, now: HostTime) -> Option<String> {
        let live = self.live.as_ref()?;
        if !live.ring.losses(0, u64::MAX).is_empty() {
            return None;
        }
        let (first_at, first) = live.ring.first_callback()?;
        let last_at = live.ring.last_callback()?;
        let lasted =
            HostTime::from_nanoseconds(last_at).since(HostTime::from_nanoseconds(first_at));
        if lasted < RATE_WATCH || now.since(live.opened) < RATE_WATCH {
            return None;
        }
        let rate = live.ring.written().saturating_sub(first) as f64 / lasted.get();
        ((rate / self.wanted.rate.get() - 1.0).abs() > RATE_OFF).then(|| {
            format!(
                "delivers about {rate:.0} frames a second where {} were asked for",
                self.wanted.device.rate
            )
        })
    }
}

impl Capture for Stream {
    fn timeline(&self) -> Timeline {
        let rate = self.wanted.rate;
        let (index, at, jitter) = match &self.live {
            Some(live) => {
                let index = live.ring.written();
                let block = rate.duration(live.ring.block());
                match live.ring.start() {
                    Some((start, spread)) => (
                        index,
                        HostTime::from_nanoseconds(start) + rate.duration(index),
                        block + DRIFT + shorter(Seconds::from_nanoseconds(spread), block),
                    ),
                    None => (0, live.opened, FIRST_SILENCE),
                }
            }
            None => (0, self.clock.now(), FIRST_SILENCE),
        };
        Timeline {
            anchor: (
                SampleTime {
                    epoch: self.epoch,
                    index,
                },
                at,
            ),
            rate,
            rate_error: Fraction::ZERO,
            jitter,
        }
    }

    fn read(&mut self, span: Span, stop: &Stop) -> Result<Window<'_>, CaptureError> {
        if span.start.epoch != self.epoch {
            return Err(CaptureError::Interrupted);
        }
        let end = span.end().index;
        let ring = loop {
            stop.check()?;
            // What has come in complete can be had, whatever became of the stream.
            if let Some(live) = self.live.as_ref().filter(|live| live.ring.written() >= end)
                && self.bad_rate.is_none()
            {
                break Arc::clone(&live.ring);
            }
            self.alive()?;
            stop.wait(GLANCE)?;
        };
        ring.copy(span.start.index, &mut self.buffers, span.frames)
            .ok_or(CaptureError::Overwritten)?;
        // The notice of a loss may come a block before or after its place.
        let margin = ring.block();
        let mut doubts: Vec<Doubt> = ring
            .losses(span.start.index.saturating_sub(margin), end + margin)
            .into_iter()
            .map(|index| Doubt::Xrun {
                at: SampleTime {
                    epoch: self.epoch,
                    index,
                },
            })
            .collect();
        let zeros = self.wanted.rate.frames(ZEROS).min(span.frames);
        let mut channels = Vec::with_capacity(self.columns.len());
        for (position, column) in &self.columns {
            let Some(samples) = self.buffers.get(*column) else {
                continue;
            };
            if samples.iter().any(|sample| sample.abs() >= FULL_SCALE) {
                doubts.push(Doubt::Clipped(position.clone()));
            }
            if longest_zeros(samples) >= zeros {
                doubts.push(Doubt::ExactZeros(position.clone()));
            }
            channels.push((position.clone(), samples.as_slice()));
        }
        Ok(Window {
            span,
            channels,
            doubts,
        })
    }

    fn reopen(&mut self) -> Result<Epoch, CaptureError> {
        if let Some(old) = self.live.take() {
            old.close();
        }
        self.bad_rate = None;
        self.epoch = Epoch(self.epoch.0 + 1);
        self.live = Some(Live::open(&self.wanted, &self.clock)?);
        Ok(self.epoch)
    }
}

impl Drop for Stream {
    fn drop(&mut self) {
        if let Some(live) = self.live.take() {
            live.close();
        }
    }
}

fn shorter(one: Seconds, other: Seconds) -> Seconds {
    if one < other { one } else { other }
}

fn longest_zeros(samples: &[f32]) -> u64 {
    let (longest, _) = samples.iter().fold((0, 0), |(longest, run), sample| {
        let run = if *sample == 0.0 { run + 1 } else { 0 };
        (longest.max(run), run)
    });
    longest
}
