//! What is plugged in: for a person who writes a rig file.

use crate::audio::{Way, devices, host, host_names, label, names_of, told};
use crate::{deadline, midi, serial};
use cpal::traits::DeviceTrait;
use serde::Serialize;
use std::fmt;
use std::time::Duration;

/// How long one audio system may take to list its devices.
const PATIENCE: Duration = Duration::from_secs(10);

/// The ports of this machine. Each list, or the reason why it cannot be had.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Ports {
    /// Names of MIDI outputs.
    pub midi_outputs: Listing<String>,
    /// Audio inputs, by audio system.
    pub audio_inputs: Vec<AudioSystem>,
    /// Serial ports.
    pub serial_ports: Listing<String>,
}

/// A list, or the reason why there is none.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Listing<T> {
    /// What there is; may be empty.
    Found(Vec<T>),
    /// Why it cannot be listed, in words.
    Unavailable(String),
}

/// An audio system and the inputs it knows.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct AudioSystem {
    /// What a rig file calls it (`host:`).
    pub host: String,
    /// Its inputs.
    pub inputs: Listing<AudioInput>,
}

/// An audio input.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct AudioInput {
    /// What a rig file may call it (`device:`).
    pub name: String,
    /// The audio system's own identifier, which a rig file may use as well.
    pub id: String,
    /// The numbers of channels it can be opened with.
    pub channels: Vec<u16>,
    /// The rates it can be opened at: lowest and highest of each range.
    pub rates_hz: Vec<(u32, u32)>,
    /// The same in words, or why it cannot be asked.
    pub summary: String,
}

impl fmt::Display for Ports {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "MIDI outputs")?;
        self.midi_outputs
            .write(f, |name, f| writeln!(f, "  {name}"))?;
        for system in &self.audio_inputs {
            writeln!(f, "Audio inputs (host: {})", system.host)?;
            system.inputs.write(f, |input, f| {
                writeln!(f, "  {}", label(&input.name, &input.id))?;
                writeln!(f, "      {}", input.summary)
            })?;
        }
        writeln!(f, "Serial ports")?;
        self.serial_ports
            .write(f, |name, f| writeln!(f, "  {name}"))
    }
}

impl<T> Listing<T> {
    fn write(
        &self,
        f: &mut fmt::Formatter<'_>,
        item: impl Fn(&T, &mut fmt::Formatter<'_>) -> fmt::Result,
    ) -> fmt::Result {
        match self {
            Self::Found(list) if list.is_empty() => writeln!(f, "  none"),
            Self::Found(list) => list.iter().try_for_each(|one| item(one, f)),
            Self::Unavailable(reason) => writeln!(f, "  cannot be listed: {reason}"),
        }
    }
}

/// Lists what is plugged in. Takes up to some seconds; never hangs.
#[must_use]
pub fn list() -> Ports {
    Ports {
        midi_outputs: match midi::names() {
            Ok(names) => Listing::Found(names),
            Err(error) => {
                // The heading says already that it is about MIDI.
                let said = error.to_string();
                let said = said.strip_prefix("MIDI: ").unwrap_or(&said);
                Listing::Unavailable(said.to_owned())
            }
        },
        audio_inputs: host_names()
            .into_iter()
            .map(|name| {
                let asked = name.clone();
                let inputs = deadline::within(PATIENCE, move || inputs(&asked))
                    .unwrap_or_else(|| Listing::Unavailable("it does not answer".into()));
                AudioSystem { host: name, inputs }
            })
            .collect(),
        serial_ports: match serial::port_names() {
            Ok(names) => Listing::Found(names),
            Err(reason) => Listing::Unavailable(reason),
        },
    }
}

fn inputs(name: &str) -> Listing<AudioInput> {
    let found = host(Some(name)).and_then(|host| devices(&host, Way::In));
    match found {
        Ok(found) => {
            let inputs: Vec<AudioInput> = found.iter().filter_map(input).collect();
            #[cfg(feature = "jack")]
            let inputs = if name.eq_ignore_ascii_case("jack") {
                with_clients(inputs)
            } else {
                inputs
            };
            Listing::Found(inputs)
        }
        Err(error) => Listing::Unavailable(error.to_string()),
    }
}

/// A rig may name a JACK client to listen to as well.
#[cfg(feature = "jack")]
fn with_clients(mut inputs: Vec<AudioInput>) -> Vec<AudioInput> {
    let rates_hz = inputs
        .first()
        .map_or_else(Vec::new, |input| input.rates_hz.clone());
    let clients = crate::audio::clients().unwrap_or_default();
    inputs.extend(clients.into_iter().map(|(name, outputs)| AudioInput {
        id: name.clone(),
        name,
        channels: (1..=outputs).collect(),
        rates_hz: rates_hz.clone(),
        summary: format!("a JACK client with {outputs} outputs"),
    }));
    inputs
}

/// Rates beyond which nothing is an audio device.
const RATES: (u32, u32) = (1000, 1_000_000);

/// What is known of a device; nothing where there is none behind its name.
fn input(device: &cpal::Device) -> Option<AudioInput> {
    let (name, id) = names_of(device);
    let (offers, refusal) = match device.supported_input_configs() {
        Ok(offers) => (offers.collect::<Vec<_>>(), None),
        Err(error) if error.kind() == cpal::ErrorKind::DeviceNotAvailable => return None,
        Err(error) => (Vec::new(), Some(error.to_string())),
    };
    let mut channels: Vec<u16> = offers.iter().map(|offer| offer.channels()).collect();
    channels.sort_unstable();
    channels.dedup();
    let mut rates_hz: Vec<(u32, u32)> = offers
        .iter()
        .map(|offer| {
            (
                offer.min_sample_rate().max(RATES.0),
                offer.max_sample_rate().min(RATES.1),
            )
        })
        .collect();
    rates_hz.sort_unstable();
    rates_hz.dedup();
    Some(AudioInput {
        summary: refusal.unwrap_or_else(|| told(&offers)),
        name,
        id,
        channels,
        rates_hz,
    })
}
