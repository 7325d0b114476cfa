//! Control voltages from a DC-coupled audio output: a constant level per channel.

use super::{PATIENCE, Way, find, host, host_names};
use crate::deadline;
use cpal::traits::{DeviceTrait, StreamTrait};
use cpal::{ErrorKind, FromSample, SampleFormat, SizedSample};
use model::port::{Clock, PortError, Remedy};
use model::quantity::{Hertz, Seconds, Volts};
use model::time::HostTime;
use sender::VoltOutput;
use std::sync::atomic::{AtomicI64, AtomicU32, Ordering};
use std::sync::{Arc, OnceLock};
use std::time::Duration;

/// How long a step from one end of the range to the other takes: no click, and
/// over before any oscillator has settled.
const RAMP: Seconds = Seconds::of(2e-3);
/// Without a callback for so long, the output is dead.
const SILENCE: Seconds = Seconds::of(1.0);

/// Opens an audio output as a source of control voltages; `full_scale` is the
/// voltage at digital full scale, `outputs` how many are needed. All stand at 0 V
/// at first.
///
/// The device is looked for in the machine's own audio system first, then in the
/// others.
///
/// # Errors
/// When there is no such device, or it does not do this rate.
pub fn open_volts(
    device: &str,
    rate: Hertz,
    full_scale: Volts,
    outputs: u8,
    clock: Arc<dyn Clock>,
) -> Result<Box<dyn VoltOutput>, PortError> {
    if full_scale.get() <= 0.0 {
        return Err(PortError {
            device: device.to_owned(),
            what: format!("a full scale of {full_scale} cannot be"),
            check: "write the voltage at digital full scale, such as 10 V".into(),
            remedy: Remedy::Abort,
        });
    }
    let wanted = Arc::new(Wanted {
        device: device.to_owned(),
        rate: rate.get().round() as u32,
        outputs: u16::from(outputs),
    });
    let live = Live::open(&wanted, &clock)?;
    Ok(Box::new(Levels {
        wanted,
        full_scale,
        clock,
        live: Some(live),
    }))
}

struct Wanted {
    device: String,
    rate: u32,
    outputs: u16,
}

/// An open stream.
struct Live {
    stream: cpal::Stream,
    /// The level each channel goes to, against full scale; 32-bit floats as bits.
    levels: Arc<[AtomicU32]>,
    /// Steps to full scale.
    steps: f64,
    last_callback: Arc<AtomicI64>,
    fatal: Arc<OnceLock<cpal::Error>>,
}

struct Levels {
    wanted: Arc<Wanted>,
    full_scale: Volts,
    clock: Arc<dyn Clock>,
    live: Option<Live>,
}

impl Live {
    fn open(wanted: &Arc<Wanted>, clock: &Arc<dyn Clock>) -> Result<Self, PortError> {
        let (what, when) = (Arc::clone(wanted), Arc::clone(clock));
        deadline::within(PATIENCE, move || build(&what, &when))
            .unwrap_or_else(|| Err(refuse(wanted, "the audio system does not answer".into())))
    }

    fn close(self) {
        for level in self.levels.iter() {
            level.store(0, Ordering::Release);
        }
        let _ = deadline::within(Duration::from_secs(2), move || {
            // The ramp down to nought, and the buffer behind it.
            std::thread::sleep(Duration::from_millis(50));
            drop(self.stream);
        });
    }
}

fn refuse(wanted: &Wanted, what: String) -> PortError {
    PortError {
        device: format!("audio output \"{}\"", wanted.device),
        what,
        check: "check that it is there, is not held by another program, and does this rate".into(),
        remedy: Remedy::Retry,
    }
}

fn build(wanted: &Wanted, clock: &Arc<dyn Clock>) -> Result<Live, PortError> {
    let device = look_everywhere(&wanted.device)?;
    let offers = device.supported_output_configs().map_err(|error| {
        refuse(
            wanted,
            format!("could not be asked what it can do: {error}"),
        )
    })?;
    let rate = wanted.rate;
    // As many channels as are needed, in the finest format.
    let fineness = |format| match format {
        SampleFormat::F32 => Some(3),
        SampleFormat::I32 => Some(2),
        SampleFormat::I24 => Some(1),
        SampleFormat::I16 => Some(0),
        _ => None,
    };
    let best = offers
        .filter(|offer| (offer.min_sample_rate()..=offer.max_sample_rate()).contains(&rate))
        .filter(|offer| offer.channels() >= wanted.outputs)
        .filter_map(|offer| Some((offer.channels(), fineness(offer.sample_format())?, offer)))
        .min_by_key(|(channels, fineness, _)| (*channels, 3 - *fineness));
    let Some((channels, _, offer)) = best else {
        return Err(refuse(
            wanted,
            format!("does not do {} outputs at {rate} Hz", wanted.outputs),
        ));
    };
    let config = cpal::StreamConfig {
        channels,
        sample_rate: rate,
        buffer_size: cpal::BufferSize::Default,
    };
    let taps = Taps {
        levels: (0..channels).map(|_| AtomicU32::new(0)).collect(),
        last_callback: Arc::new(AtomicI64::new(clock.now().nanoseconds())),
        fatal: Arc::new(OnceLock::new()),
        clock: Arc::clone(clock),
    };
    let format = offer.sample_format();
    let stream = match format {
        SampleFormat::F32 => start::<f32>(&device, config, &taps),
        SampleFormat::I32 => start::<i32>(&device, config, &taps),
        SampleFormat::I24 => start::<cpal::I24>(&device, config, &taps),
        _ => start::<i16>(&device, config, &taps),
    }
    .map_err(|error| refuse(wanted, format!("could not be opened: {error}")))?;
    Ok(Live {
        stream,
        levels: taps.levels,
        // Converters have 24 bits at most, and 32-bit floats carry as many.
        steps: if format == SampleFormat::I16 {
            32_768.0
        } else {
            8_388_608.0
        },
        last_callback: taps.last_callback,
        fatal: taps.fatal,
    })
}

fn look_everywhere(wanted: &str) -> Result<cpal::Device, PortError> {
    let own = find(&host(None)?, wanted, Way::Out);
    own.or_else(|error| {
        host_names()
            .iter()
            .filter_map(|name| find(&host(Some(name)).ok()?, wanted, Way::Out).ok())
            .next()
            .ok_or(error)
    })
}

/// What the callbacks need.
struct Taps {
    levels: Arc<[AtomicU32]>,
    last_callback: Arc<AtomicI64>,
    fatal: Arc<OnceLock<cpal::Error>>,
    clock: Arc<dyn Clock>,
}

fn start<T>(
    device: &cpal::Device,
    config: cpal::StreamConfig,
    taps: &Taps,
) -> Result<cpal::Stream, cpal::Error>
where
    T: SizedSample + FromSample<f32>,
{
    let (levels, clock) = (Arc::clone(&taps.levels), Arc::clone(&taps.clock));
    let (last_callback, fatal) = (Arc::clone(&taps.last_callback), Arc::clone(&taps.fatal));
    let step = (2.0 / (RAMP.get() * f64::from(config.sample_rate))) as f32;
    let mut now_at = vec![0.0_f32; levels.len()];
    let stream = device.build_output_stream::<T, _, _>(
        config,
        move |data: &mut [T], _| {
            for frame in data.chunks_mut(now_at.len()) {
                for ((sample, now), level) in frame.iter_mut().zip(&mut now_at).zip(levels.iter()) {
                    let target = f32::from_bits(level.load(Ordering::Acquire));
                    // Lands on the target exactly, and stays there.
                    *now = target.clamp(*now - step, *now + step);
                    *sample = T::from_sample_(*now);
                }
            }
            last_callback.store(clock.now().nanoseconds(), Ordering::Release);
        },
        move |error: cpal::Error| match error.kind() {
            // An underrun is a dip of the voltage; the pitch that is heard tells.
            ErrorKind::Xrun | ErrorKind::RealtimeDenied | ErrorKind::DeviceChanged => {}
            _ => {
                let _ = fatal.set(error);
            }
        },
        None,
    )?;
    stream.play()?;
    Ok(stream)
}

impl Levels {
    fn alive(&self) -> Result<&Live, PortError> {
        let Some(live) = &self.live else {
            return Err(refuse(&self.wanted, "is closed".into()));
        };
        if let Some(error) = live.fatal.get() {
            return Err(refuse(&self.wanted, format!("failed: {error}")));
        }
        let last = HostTime::from_nanoseconds(live.last_callback.load(Ordering::Acquire));
        let silence = self.clock.now().since(last);
        if silence > SILENCE {
            let what = format!("has taken nothing for {:.1} s", silence.get());
            return Err(refuse(&self.wanted, what));
        }
        Ok(live)
    }
}

impl VoltOutput for Levels {
    fn set(&mut self, output: u8, voltage: Volts) -> Result<Volts, PortError> {
        let live = self.alive()?;
        let Some(level) = usize::from(output)
            .checked_sub(1)
            .and_then(|index| live.levels.get(index))
        else {
            let what = format!(
                "has the outputs 1 to {}, and no {output}",
                live.levels.len()
            );
            return Err(refuse(&self.wanted, what));
        };
        let share = voltage.get() / self.full_scale.get();
        let stepped = (share * live.steps).round() / live.steps;
        if !(-1.0..=1.0 - 1.0 / live.steps).contains(&stepped) {
            let what = format!("reaches {}, not {voltage}", self.full_scale);
            return Err(refuse(&self.wanted, what));
        }
        level.store((stepped as f32).to_bits(), Ordering::Release);
        Ok(Volts::of(stepped * self.full_scale.get()))
    }

    fn present(&mut self) -> Result<(), PortError> {
        if self.live.is_none() {
            self.live = Some(Live::open(&self.wanted, &self.clock)?);
        }
        if let Err(error) = self.alive() {
            if let Some(dead) = self.live.take() {
                dead.close();
            }
            return Err(error);
        }
        Ok(())
    }
}

impl Drop for Levels {
    fn drop(&mut self) {
        if let Some(live) = self.live.take() {
            live.close();
        }
    }
}
