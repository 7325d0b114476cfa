//! One run at a time on a real rig, whoever begins it on this machine.
//!
//! The lock is a name that the kernel keeps (a Unix socket in the abstract namespace,
//! unix(7), Linux manual pages) and no file: it is the same for every user and whatever the
//! environment says, needs no folder and no permission, and goes when its holder ends,
//! however it ends. Who holds it the kernel knows. It holds among all who share the
//! machine's network; a container with a network of its own has names of its own too, and
//! there it is the devices, each opened for one alone, that stand against a second run.

use crate::error::StoreError;
#[cfg(not(target_os = "linux"))]
use crate::lock;

/// Holds a real rig until it is dropped or the process ends.
#[derive(Debug)]
pub struct RigLock {
    #[cfg(target_os = "linux")]
    _name: std::os::unix::net::UnixDatagram,
    #[cfg(not(target_os = "linux"))]
    _file: lock::Lock,
}

/// Locks a real rig, so that no two runs play to it at once. `name` is the name
/// in the rig file. The kernel releases the lock when the process ends.
///
/// # Errors
/// [`StoreError::InUse`], with the number of the process, when the rig is locked;
/// else when the system gives no lock.
pub fn lock_rig(name: &str) -> Result<RigLock, StoreError> {
    let hash = crate::identity::sha256(name.trim().as_bytes());
    take(name.trim(), &format!("nightbench-rig-{hash}"))
}

fn in_use(name: &str, holder: String) -> StoreError {
    StoreError::InUse {
        what: format!("the rig \"{name}\""),
        holder,
        advice: "wait until that run ends, or stop it",
    }
}

#[cfg(target_os = "linux")]
fn take(name: &str, lock: &str) -> Result<RigLock, StoreError> {
    use std::io::ErrorKind;
    use std::os::linux::net::SocketAddrExt;
    use std::os::unix::net::{SocketAddr, UnixDatagram};
    let bound =
        SocketAddr::from_abstract_name(lock).and_then(|address| UnixDatagram::bind_addr(&address));
    match bound {
        Ok(held) => Ok(RigLock { _name: held }),
        Err(error) if error.kind() == ErrorKind::AddrInUse => Err(in_use(name, holder(lock))),
        Err(error) => Err(StoreError::Failed {
            attempted: format!("locking the rig \"{name}\""),
            path: format!("@{lock}").into(),
            detail: error.to_string(),
        }),
    }
}

/// The process that holds a lock, where the system shows it: that of another user it may not.
#[cfg(target_os = "linux")]
fn holder(lock: &str) -> String {
    match process(lock) {
        Some(process) if process == std::process::id() => "by this very program".to_owned(),
        Some(process) => format!("by process {process}"),
        None => "by another program on this machine".to_owned(),
    }
}

/// The process that has the socket of a lock open: the number of the socket is the last but
/// one in its line of `/proc/net/unix`, and stands in a link of `/proc/PROCESS/fd`
/// (proc_net(5) and proc_pid_fd(5), Linux manual pages).
#[cfg(target_os = "linux")]
fn process(lock: &str) -> Option<u32> {
    let table = std::fs::read("/proc/net/unix").ok()?;
    let table = String::from_utf8_lossy(&table);
    let line = table.lines().find(|line| {
        line.strip_suffix(lock)
            .is_some_and(|rest| rest.ends_with('@'))
    })?;
    let socket = format!("socket:[{}]", line.split_whitespace().nth(6)?);
    std::fs::read_dir("/proc")
        .ok()?
        .flatten()
        .find_map(|entry| {
            let process = entry.file_name().to_str()?.parse().ok()?;
            let mut open = std::fs::read_dir(entry.path().join("fd")).ok()?.flatten();
            open.any(|file| {
                std::fs::read_link(file.path()).is_ok_and(|to| to.as_os_str() == socket.as_str())
            })
            .then_some(process)
        })
}

#[cfg(not(target_os = "linux"))]
fn take(name: &str, lock: &str) -> Result<RigLock, StoreError> {
    let path = std::path::Path::new("/tmp").join(format!("{lock}.lock"));
    match lock::take(&path, lock::Hold::Alone, lock::MOMENT)? {
        Some(held) => Ok(RigLock { _file: held }),
        None => Err(in_use(name, lock::holder(&path))),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_rig_is_locked_once_and_the_message_says_by_whom() {
        // The lock is the machine's, and others may be testing on it.
        let name = format!("north shelf {}", std::process::id());
        let held = lock_rig(&name).unwrap();
        let refused = lock_rig(&name).unwrap_err().to_string();
        let said = format!("the rig \"{name}\" is in use by this very program");
        assert!(refused.contains(&said), "{refused}");
        // Names that look alike are still two rigs.
        let other = lock_rig(&name.replace(' ', "/")).unwrap();
        drop((held, other));
        lock_rig(&name).unwrap();
    }
}
