//! Audio: finding devices, capturing, and control voltages as audio.

pub mod capture;
mod live;
pub mod output;
mod pace;
#[cfg(feature = "jack")]
mod patch;
mod ring;

pub(crate) use live::told;

use crate::{choice, quiet};
use cpal::traits::{DeviceTrait, HostTrait};
use model::port::{PortError, Remedy};
use std::time::Duration;

/// How long an audio system may take to open a device.
pub(crate) const PATIENCE: Duration = Duration::from_secs(10);

/// Which way the samples go.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Way {
    In,
    Out,
}

impl Way {
    const fn kind(self) -> &'static str {
        match self {
            Self::In => "audio inputs",
            Self::Out => "audio outputs",
        }
    }
}

/// The audio systems this program was built with, as a rig names them.
pub(crate) fn host_names() -> Vec<String> {
    cpal::available_hosts()
        .into_iter()
        .map(|id| id.name().to_lowercase())
        .collect()
}

/// Opens an audio system by name, or the machine's own choice.
pub(crate) fn host(name: Option<&str>) -> Result<cpal::Host, PortError> {
    quiet::audio_libraries();
    let Some(name) = name else {
        return Ok(cpal::default_host());
    };
    let wrong = |what: String, check: &str| PortError {
        device: format!("audio system \"{name}\""),
        what,
        check: check.into(),
        remedy: Remedy::Abort,
    };
    let id = cpal::available_hosts()
        .into_iter()
        .find(|id| id.name().eq_ignore_ascii_case(name))
        .ok_or_else(|| {
            wrong(
                format!(
                    "this program was built without it; it has {}",
                    host_names().join(", ")
                ),
                "choose one of these, or build the program with the feature of that name",
            )
        })?;
    cpal::host_from_id(id)
        .map_err(|error| wrong(error.to_string(), "check that the audio system runs"))
}

/// What a device is called: its name, and the audio system's own identifier.
pub(crate) fn names_of(device: &cpal::Device) -> (String, String) {
    let id = device.id().map(|id| id.id().to_owned()).unwrap_or_default();
    let name = device
        .description()
        .map_or_else(|_| id.clone(), |description| description.name().to_owned());
    (name, id)
}

/// All devices of an audio system that go one way.
pub(crate) fn devices(host: &cpal::Host, way: Way) -> Result<Vec<cpal::Device>, PortError> {
    // A device that states its direction is believed; some claim both when asked.
    let fits = |device: &cpal::Device| {
        let direction = device.description().map(|known| known.direction());
        match (way, direction) {
            (Way::In, Ok(cpal::DeviceDirection::Output))
            | (Way::Out, Ok(cpal::DeviceDirection::Input)) => false,
            (Way::In, _) => device.supports_input(),
            (Way::Out, _) => device.supports_output(),
        }
    };
    let all = host.devices().map_err(|error| PortError {
        device: format!("audio system \"{}\"", host.id().name()),
        what: format!("could not list its devices: {error}"),
        check: "check that the audio system runs".into(),
        remedy: Remedy::Retry,
    })?;
    Ok(all.filter(fits).collect())
}

/// Finds a device by its identifier, its name, or a part that no other has.
///
/// One sound card has several identifiers in some audio systems; among those that
/// fit, the one without conversions ("hw:") is meant, as a resampler between the
/// converter and us would be measured along.
pub(crate) fn find(host: &cpal::Host, wanted: &str, way: Way) -> Result<cpal::Device, PortError> {
    let mut all = devices(host, way)?;
    let names: Vec<(String, String)> = all.iter().map(names_of).collect();
    let chosen = pick(&names, wanted, way).map_err(|what| PortError {
        device: format!("{} \"{wanted}\"", way.kind().trim_end_matches('s')),
        what: format!("{what} (audio system {})", host.id().name().to_lowercase()),
        check:
            "check that it is plugged in and switched on; `nightbench ports` lists what is there"
                .into(),
        remedy: Remedy::Retry,
    })?;
    Ok(all.swap_remove(chosen))
}

fn pick(names: &[(String, String)], wanted: &str, way: Way) -> Result<usize, String> {
    if let Some(exact) = names.iter().position(|(_, id)| id == wanted) {
        return Ok(exact);
    }
    let labels: Vec<String> = names.iter().map(|(name, id)| label(name, id)).collect();
    choice::by_name(wanted, &labels, way.kind()).or_else(|error| {
        let folded = wanted.to_lowercase();
        let direct: Vec<usize> = (0..names.len())
            .filter(|index| {
                names[*index].1.starts_with("hw:")
                    && labels[*index].to_lowercase().contains(&folded)
            })
            .collect();
        // The same converter is listed by number and by name.
        match direct.as_slice() {
            [first, rest @ ..] if rest.iter().all(|other| names[*other].0 == names[*first].0) => {
                Ok(*first)
            }
            _ => Err(error),
        }
    })
}

/// The JACK clients that can be listened to, with the number of their outputs.
#[cfg(feature = "jack")]
pub(crate) use patch::clients;

/// Finds the input that a capture stream is to be opened on, and the JACK client
/// it has to be patched to, if it does not find its place by itself.
pub(crate) fn find_input(
    host: &cpal::Host,
    wanted: &str,
) -> Result<(cpal::Device, Option<String>), PortError> {
    #[cfg(feature = "jack")]
    if host.id() == cpal::HostId::Jack {
        let device = host.default_input_device().ok_or_else(|| PortError {
            device: format!("audio input \"{wanted}\""),
            what: "the JACK server could not be reached".into(),
            check: "check that the JACK server runs".into(),
            remedy: Remedy::Retry,
        })?;
        let client = (!patch::is_self_patched(wanted)).then(|| wanted.to_owned());
        return Ok((device, client));
    }
    Ok((find(host, wanted, Way::In)?, None))
}

/// Patches a stream that has been opened to a JACK client.
#[cfg_attr(not(feature = "jack"), expect(clippy::unnecessary_wraps))]
pub(crate) fn connect_to(client: &str, channels: u16) -> Result<(), PortError> {
    #[cfg(feature = "jack")]
    patch::connect(client, channels).map_err(|what| PortError {
        device: format!("audio input \"{client}\""),
        what,
        check: "check that the client runs; `jack_lsp` lists what is there".into(),
        remedy: Remedy::Retry,
    })?;
    let _ = (client, channels);
    Ok(())
}

/// What a device is called in lists: its name with its identifier.
pub(crate) fn label(name: &str, id: &str) -> String {
    if name == id || id.is_empty() {
        name.to_owned()
    } else {
        format!("{name} ({id})")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names(list: &[(&str, &str)]) -> Vec<(String, String)> {
        list.iter()
            .map(|(name, id)| ((*name).to_owned(), (*id).to_owned()))
            .collect()
    }

    #[test]
    fn the_device_without_conversions_is_meant() {
        let list = names(&[
            ("Default", "default"),
            ("Eight Inputs, USB Audio", "sysdefault:CARD=E"),
            ("Eight Inputs, USB Audio", "hw:CARD=E,DEV=0"),
            ("Eight Inputs, USB Audio", "plughw:CARD=E,DEV=0"),
            ("Eight Inputs, USB Audio", "hw:CARD=1,DEV=0"),
            ("On Board, Analog", "hw:CARD=0,DEV=0"),
        ]);
        assert_eq!(pick(&list, "usb audio", Way::In), Ok(2));
        assert_eq!(pick(&list, "plughw:CARD=E,DEV=0", Way::In), Ok(3));
        assert_eq!(pick(&list, "on board", Way::In), Ok(5));
        assert!(pick(&list, "hw:", Way::In).is_err());
        assert!(pick(&list, "FireWire", Way::In).is_err());
    }
}
