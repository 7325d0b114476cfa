//! An open input stream: how it is opened, and what its callbacks leave behind.

use super::pace::{Pace, RateWatch};
use super::ring::Ring;
use super::{PATIENCE, connect_to, find_input, host};
use crate::deadline;
use cpal::traits::{DeviceTrait, StreamTrait};
use cpal::{ErrorKind, FromSample, InputCallbackInfo, SampleFormat, SizedSample};
use model::document::rig::CaptureDevice;
use model::port::{Clock, PortError, Remedy};
use model::quantity::Seconds;
use model::time::{HostTime, SampleRate};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, OnceLock};
use std::time::Duration;

/// How much is kept.
const KEPT: Seconds = Seconds::of(60.0);
/// How many samples are kept at most, over all channels: 256 MB.
const KEPT_SAMPLES: u64 = 64_000_000;

/// The first callback may take so long.
pub(super) const FIRST_SILENCE: Seconds = Seconds::of(3.0);
/// How often a waiting reader looks.
pub(super) const GLANCE: Duration = Duration::from_millis(5);
/// A callback so late has lost samples, whether or not the audio system says so.
const UNREPORTED_NS: i64 = 50_000_000;
/// A gap longer than this is not filled: the stream is begun anew.
const LONGEST_GAP_NS: i64 = 2_000_000_000;

/// What is to be opened.
pub(super) struct Wanted {
    pub device: CaptureDevice,
    pub rate: SampleRate,
    /// The inputs that are kept, counted from 1.
    pub inputs: Vec<u16>,
}

/// An open stream, and what its callbacks leave behind.
pub(super) struct Live {
    pub stream: cpal::Stream,
    pub ring: Arc<Ring>,
    pub fatal: Arc<OnceLock<cpal::Error>>,
    pub opened: HostTime,
}

impl Live {
    pub fn open(wanted: &Arc<Wanted>, clock: &Arc<dyn Clock>) -> Result<Self, PortError> {
        let (what, when) = (Arc::clone(wanted), Arc::clone(clock));
        deadline::within(PATIENCE, move || build(&what, when)).unwrap_or_else(|| {
            Err(PortError {
                device: wanted.device.device.clone(),
                what: format!(
                    "the audio system did not open it within {} s",
                    PATIENCE.as_secs()
                ),
                check: "check that the audio system is not hung".into(),
                remedy: Remedy::Retry,
            })
        })
    }

    /// Lets go of the stream, however long the audio system takes over it.
    pub fn close(self) {
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
    let mut watch = RateWatch::new(rate.get());
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
        if let Some(seen) = watch.beat(now, frames) {
            ring.set_pace(seen);
        }
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
