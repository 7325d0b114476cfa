//! A real rig plays for one run at a time, whoever begins the other and from wherever.

use crate::interruption::{NOTHING, QUESTIONS};
use std::io::Read;
use std::process::Stdio;
use tests::program::{command, run, told};

/// The first run waits with a question; the second one has folders of its own for all that
/// the environment can name.
#[test]
fn other_folders_do_not_make_another_rig() {
    if !String::from_utf8_lossy(&run(&["ports"]).stdout).contains("(null)") {
        return tests::skipped("this machine's ALSA has no null device");
    }
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).display().to_string();
    let name = format!("name: one rig {}", std::process::id());
    std::fs::write(path("rig.yaml"), NOTHING.replace("name: nothing", &name)).unwrap();
    std::fs::write(path("plan.yaml"), QUESTIONS).unwrap();
    let begin = |store: &str| {
        let (plan, rig, store) = (path("plan.yaml"), path("rig.yaml"), path(store));
        let arguments = ["run", &plan, "--rig", &rig, "--store", &store];
        let mut command = command(&[&arguments[..], &["--unit", "left=A-1"]].concat());
        command.stderr(Stdio::piped());
        command
    };
    let mut first = begin("first").stdin(Stdio::piped()).spawn().unwrap();
    let mut said = String::new();
    let mut stderr = first.stderr.take().unwrap();
    while !said.contains("Is the door shut?") {
        let mut piece = [0; 256];
        let length = stderr.read(&mut piece).unwrap();
        assert!(length > 0, "it ended: {said}");
        said += &String::from_utf8_lossy(&piece[..length]);
    }
    for variables in [
        &["XDG_RUNTIME_DIR"][..],
        &["XDG_RUNTIME_DIR", "TMPDIR", "HOME", "XDG_DATA_HOME"],
    ] {
        let mut second = begin("second");
        for variable in variables {
            let own = folder.path().join(variable);
            std::fs::create_dir_all(&own).unwrap();
            second.env(variable, own);
        }
        let refused = second.output().unwrap();
        assert_eq!(refused.status.code(), Some(3), "{}", told(&refused));
        let process = format!("in use by process {}", first.id());
        assert!(told(&refused).contains(&process), "{}", told(&refused));
    }
    // However the first one ends, the rig is free again.
    first.kill().unwrap();
    first.wait().unwrap();
    let second = begin("third").stdin(Stdio::null()).output().unwrap();
    assert!(!told(&second).contains("in use"), "{}", told(&second));
}
