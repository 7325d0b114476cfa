//! Patching a capture stream to the outputs of a JACK client.
//!
//! JACK knows no devices, only clients with ports. The stream is connected to the
//! sound card's ports by itself; a rig that names another client is patched here,
//! so that it is patched again whenever the stream is opened again.

use crate::choice;
use jack::{Client, ClientOptions, PortFlags};

/// What stands for the sound card itself.
const SELF_PATCHED: [&str; 4] = ["input", "jack input", "system", "default"];

/// Whether a name stands for the sound card, which the stream finds by itself.
pub(crate) fn is_self_patched(name: &str) -> bool {
    SELF_PATCHED.contains(&name.to_lowercase().as_str())
}

/// Connects the newest capture stream of this process to the audio outputs of the
/// client called so (or by a part of it that no other has), first to first.
///
/// # Errors
/// What is wrong, in words.
pub(crate) fn connect(wanted: &str, channels: u16) -> Result<(), String> {
    let (client, outputs) = outputs()?;
    let mut clients: Vec<String> = outputs.iter().map(|port| owner(port).to_owned()).collect();
    clients.dedup();
    let chosen = choice::by_name(wanted, &clients, "JACK clients with audio outputs")?;
    let name = clients.get(chosen).map_or("", String::as_str);
    let sources: Vec<&String> = outputs.iter().filter(|port| owner(port) == name).collect();
    if sources.len() < usize::from(channels) {
        return Err(format!(
            "the JACK client \"{name}\" has {} audio outputs, and {channels} channels are asked for",
            sources.len()
        ));
    }
    let ours = format!("cpal_client_{}_in", std::process::id());
    let inputs = client.ports(Some(&format!("^{ours}.*:in_")), None, PortFlags::IS_INPUT);
    // A stream that is still being closed has the same name but for a number.
    let newest = inputs.last().map_or("", |port| owner(port)).to_owned();
    let inputs: Vec<&String> = inputs.iter().filter(|port| owner(port) == newest).collect();
    if inputs.len() < usize::from(channels) {
        return Err("the ports of the capture stream are not there".into());
    }
    for (source, input) in sources.into_iter().zip(inputs) {
        if let Some(port) = client.port_by_name(input) {
            let _ = client.disconnect(&port);
        }
        client
            .connect_ports_by_name(source, input)
            .map_err(|error| format!("could not be patched: {error}"))?;
    }
    Ok(())
}

/// The clients with audio outputs, each with the number of its outputs.
///
/// # Errors
/// When the server cannot be reached, in words.
pub(crate) fn clients() -> Result<Vec<(String, u16)>, String> {
    let (_, outputs) = outputs()?;
    let mut clients: Vec<(String, u16)> = Vec::new();
    for port in &outputs {
        match clients.last_mut() {
            Some((name, count)) if name == owner(port) => *count += 1,
            _ => clients.push((owner(port).to_owned(), 1)),
        }
    }
    Ok(clients)
}

/// A client of our own, and the audio outputs of all others.
fn outputs() -> Result<(Client, Vec<String>), String> {
    let (client, _) = Client::new("nightbench-patch", ClientOptions::NO_START_SERVER)
        .map_err(|error| format!("the JACK server could not be reached ({error})"))?;
    let outputs = client.ports(None, Some("32 bit float mono audio"), PortFlags::IS_OUTPUT);
    Ok((client, outputs))
}

fn owner(port: &str) -> &str {
    port.rsplit_once(':').map_or(port, |(client, _)| client)
}
