//! MIDI output ports of the machine.

use crate::{Wire, choice, deadline};
use midir::{MidiOutput, MidiOutputConnection, MidiOutputPort};
use model::port::{PortError, Remedy};
use std::time::{Duration, Instant};

/// The name under which this program appears to the system's MIDI.
const CLIENT: &str = "nightbench";

/// How long the system may take to list or connect ports.
const PATIENCE: Duration = Duration::from_secs(5);

/// How long the last message may need to leave the machine: the system sends it
/// some time after the call has returned, and forgets it when the port closes.
const LAST_MESSAGE: Duration = Duration::from_millis(100);

/// The names of the MIDI outputs that are there now.
///
/// # Errors
/// When this machine has no MIDI, or its MIDI system does not answer.
pub fn names() -> Result<Vec<String>, PortError> {
    deadline::within(PATIENCE, || {
        let system = system()?;
        Ok(listed(&system).into_iter().map(|(_, name)| name).collect())
    })
    .unwrap_or_else(|| Err(hung("MIDI", "list the MIDI outputs")))
}

/// Connects to a MIDI output by its name, or a part of it that no other has.
///
/// # Errors
/// When there is none or several of that name, or it cannot be opened.
pub fn open(name: &str) -> Result<Box<dyn Wire>, PortError> {
    let (connection, full_name) = connect(name)?;
    Ok(Box::new(Port {
        wanted: name.to_owned(),
        full_name,
        connection: Some(connection),
        last_sent: None,
    }))
}

/// A MIDI output of this machine.
struct Port {
    /// As the rig calls it.
    wanted: String,
    /// As the system calls it.
    full_name: String,
    connection: Option<MidiOutputConnection>,
    last_sent: Option<Instant>,
}

fn system() -> Result<MidiOutput, PortError> {
    MidiOutput::new(CLIENT).map_err(|_| PortError {
        device: "MIDI".into(),
        what: "this machine's MIDI system could not be reached".into(),
        check: if cfg!(feature = "jack") {
            "check that the JACK server runs (this program was built to play through JACK)"
        } else {
            "check that this machine has MIDI ports (/dev/snd/seq) and that you may use them (the group audio)"
        }
        .into(),
        remedy: Remedy::Abort,
    })
}

fn listed(system: &MidiOutput) -> Vec<(MidiOutputPort, String)> {
    system
        .ports()
        .into_iter()
        .filter_map(|port| system.port_name(&port).ok().map(|name| (port, name)))
        .collect()
}

fn hung(device: &str, attempt: &str) -> PortError {
    PortError {
        device: device.to_owned(),
        what: format!(
            "the system's MIDI did not answer within {} s when asked to {attempt}",
            PATIENCE.as_secs()
        ),
        check: "check that the audio server is not hung".into(),
        remedy: Remedy::Retry,
    }
}

fn connect(wanted: &str) -> Result<(MidiOutputConnection, String), PortError> {
    let name = wanted.to_owned();
    deadline::within(PATIENCE, move || {
        let system = system()?;
        let mut ports = listed(&system);
        let names: Vec<String> = ports.iter().map(|(_, name)| name.clone()).collect();
        let chosen = choice::by_name(&name, &names, "MIDI outputs").map_err(|what| PortError {
            device: format!("MIDI output \"{name}\""),
            what,
            check: "check that the interface is plugged in and switched on; `nightbench ports` lists what is there".into(),
            remedy: Remedy::Retry,
        })?;
        let (port, full_name) = ports.swap_remove(chosen);
        let connection = system
            .connect(&port, "notes")
            .map_err(|error| PortError {
                device: full_name.clone(),
                what: format!("could not be connected: {error}"),
                check: "check whether another program holds it".into(),
                remedy: Remedy::Retry,
            })?;
        Ok((connection, full_name))
    })
    .unwrap_or_else(|| Err(hung(wanted, "connect")))
}

impl Port {
    fn gone(&self, what: String) -> PortError {
        PortError {
            device: format!("MIDI output \"{}\"", self.full_name),
            what,
            check: "check its cable and power".into(),
            remedy: Remedy::Retry,
        }
    }

    /// Lets go of the connection, however long the system takes over it.
    fn let_go(&mut self) {
        let Some(connection) = self.connection.take() else {
            return;
        };
        if let Some(left) = self
            .last_sent
            .and_then(|sent| LAST_MESSAGE.checked_sub(sent.elapsed()))
        {
            std::thread::sleep(left);
        }
        let _ = deadline::within(Duration::from_secs(2), move || drop(connection));
    }
}

impl Wire for Port {
    fn send(&mut self, bytes: &[u8]) -> Result<(), PortError> {
        let Some(connection) = &mut self.connection else {
            return Err(self.gone("is gone".into()));
        };
        self.last_sent = Some(Instant::now());
        let sent = connection.send(bytes);
        sent.map_err(|error| self.gone(format!("refused a message: {error}")))
    }

    fn present(&mut self) -> Result<(), PortError> {
        // Sending to a port that is gone raises no error, and one that went and came
        // back looks like the old one: only a new connection is sure to be one.
        let connected = connect(&self.wanted);
        self.let_go();
        let (connection, full_name) = connected.map_err(|error| PortError {
            device: format!("MIDI output \"{}\"", self.full_name),
            ..error
        })?;
        self.connection = Some(connection);
        self.full_name = full_name;
        Ok(())
    }
}

impl Drop for Port {
    fn drop(&mut self) {
        self.let_go();
    }
}
