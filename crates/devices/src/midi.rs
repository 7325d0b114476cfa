//! MIDI output ports of the machine.

use crate::{choice, deadline, quiet};
use midir::{MidiOutput, MidiOutputConnection, MidiOutputPort};
use model::port::{PortError, Remedy};
use sender::Wire;
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::{Duration, Instant};

/// The name under which this program appears to the system's MIDI, before a number
/// of its own for each connection.
const CLIENT: &str = "nightbench";
/// The name of its port there.
const PORT: &str = "notes";

/// How long the system may take to list or connect ports.
const PATIENCE: Duration = Duration::from_secs(5);

/// How long the last message may need to leave the machine: the system sends it
/// some time after the call has returned, and forgets it when the port closes.
const LAST_MESSAGE: Duration = Duration::from_millis(100);

/// The names of the MIDI outputs that are there now.
///
/// # Errors
/// When this machine has no MIDI, or its MIDI system does not answer.
pub(crate) fn names() -> Result<Vec<String>, PortError> {
    deadline::within(PATIENCE, || {
        let system = system(CLIENT)?;
        Ok(listed(&system).into_iter().map(|(_, name)| name).collect())
    })
    .unwrap_or_else(|| Err(hung("MIDI", "list the MIDI outputs")))
}

/// Connects to a MIDI output by its name, or a part of it that no other has.
///
/// # Errors
/// When there is none or several of that name, or it cannot be opened.
pub(crate) fn open(name: &str) -> Result<Box<dyn Wire>, PortError> {
    let connection = connect(name)?;
    Ok(Box::new(Port {
        wanted: name.to_owned(),
        full_name: connection.to.clone(),
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
    connection: Option<Connection>,
    last_sent: Option<Instant>,
}

/// A connection to a port.
struct Connection {
    midi: MidiOutputConnection,
    /// The port's full name.
    to: String,
    /// Our own client's name.
    #[cfg_attr(not(feature = "jack"), expect(dead_code))]
    from: String,
}

fn system(client: &str) -> Result<MidiOutput, PortError> {
    quiet::audio_libraries();
    MidiOutput::new(client).map_err(|_| PortError {
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

fn connect(wanted: &str) -> Result<Connection, PortError> {
    static NUMBER: AtomicU32 = AtomicU32::new(1);
    let from = format!(
        "{CLIENT}-{}-{}",
        std::process::id(),
        NUMBER.fetch_add(1, Ordering::Relaxed)
    );
    let name = wanted.to_owned();
    deadline::within(PATIENCE, move || {
        let system = system(&from)?;
        let mut ports = listed(&system);
        let names: Vec<String> = ports.iter().map(|(_, name)| name.clone()).collect();
        let chosen = choice::by_name(&name, &names, "MIDI outputs").map_err(|what| PortError {
            device: format!("MIDI output \"{name}\""),
            what,
            check: "check that the interface is plugged in and switched on; `nightbench ports` lists what is there".into(),
            remedy: Remedy::Retry,
        })?;
        let (port, to) = ports.swap_remove(chosen);
        let midi = system.connect(&port, PORT).map_err(|error| PortError {
            device: to.clone(),
            what: format!("could not be connected: {error}"),
            check: "check whether another program holds it".into(),
            remedy: Remedy::Retry,
        })?;
        Ok(Connection { midi, to, from })
    })
    .unwrap_or_else(|| Err(hung(wanted, "connect")))
}

/// Whether a connection still stands. JACK can be asked; elsewhere only a new
/// connection is sure to be one.
#[cfg(not(feature = "jack"))]
fn stands(_: &Connection) -> bool {
    false
}

/// Whether a connection still stands: our port is on the server, and connected.
#[cfg(feature = "jack")]
fn stands(connection: &Connection) -> bool {
    let (from, to) = (format!("{}:{PORT}", connection.from), connection.to.clone());
    deadline::within(PATIENCE, move || {
        quiet::audio_libraries();
        let options = jack::ClientOptions::NO_START_SERVER;
        let Ok((client, _)) = jack::Client::new("nightbench-look", options) else {
            return false;
        };
        client.port_by_name(&from).is_some_and(|port| {
            port.is_connected_to(&to).unwrap_or(false)
                || client.connect_ports_by_name(&from, &to).is_ok()
        })
    })
    .unwrap_or(false)
}

/// Ends a connection, however long the system takes over it.
fn close(connection: Connection) {
    if cfg!(feature = "jack") && !stands(&connection) {
        // The library of JACK fails with the whole process when a client of a
        // server that has died takes its ports back. It is left to the end of
        // the process, which the server sees. Only then: a synchronous server
        // stands still for five seconds when a client goes without a word.
        std::mem::forget(connection);
        return;
    }
    let _ = deadline::within(Duration::from_secs(2), move || drop(connection.midi));
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

    /// Lets go of the connection, after its last message has gone.
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
        close(connection);
    }
}

impl Wire for Port {
    fn send(&mut self, bytes: &[u8]) -> Result<(), PortError> {
        let Some(connection) = &mut self.connection else {
            return Err(self.gone("is gone".into()));
        };
        self.last_sent = Some(Instant::now());
        let sent = connection.midi.send(bytes);
        sent.map_err(|error| self.gone(format!("refused a message: {error}")))
    }

    fn present(&mut self) -> Result<(), PortError> {
        // Sending to a port that is gone raises no error, and one that went and came
        // back looks like the old one.
        if self.connection.as_ref().is_some_and(stands) {
            return Ok(());
        }
        let connected = connect(&self.wanted);
        self.let_go();
        let connection = connected.map_err(|error| PortError {
            device: format!("MIDI output \"{}\"", self.full_name),
            ..error
        })?;
        self.full_name.clone_from(&connection.to);
        self.connection = Some(connection);
        Ok(())
    }
}

impl Drop for Port {
    fn drop(&mut self) {
        self.let_go();
    }
}
