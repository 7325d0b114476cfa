//! Stores where nothing can be written: another user's folder, a disk mounted read-only.

use rustix::process::{Pid, Signal, kill_process};
use std::collections::BTreeMap;
use std::fs::Permissions;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use std::time::{Duration, Instant};
use tests::program::{command, full_pipe, last_word, nightbench, repository, run, told};

const PLAN: &str = "\
nightbench: plan 1
title: Short
reference: C4
evidence: {all: {budget: 500 MB}}
listen: {settle: {fixed: 100 ms}, window: {fixed: 200 ms}}
stages:
  - rounds: {name: notes, notes: {list: [C4, C2, C6, C4]}, every: 10 s, for: 40 s}
";

/// A user who owns nothing.
const NOBODY: &str = "65534";

/// Mounts the folder that comes first read-only, and runs the rest.
const READ_ONLY: &str = r#"
mount --bind "$0" "$0" && mount -o remount,bind,ro "$0" && exec "$@"
"#;

#[derive(Clone, Copy, Debug)]
enum Place {
    Foreign,
    Mounted,
}

struct Shelf {
    folder: tempfile::TempDir,
    root: bool,
}

impl Shelf {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        open_to_all(folder.path());
        let shelf = Self {
            folder,
            // Whoever made the folder.
            root: Path::new("/proc/self")
                .metadata()
                .map(|own| std::os::unix::fs::MetadataExt::uid(&own))
                .unwrap()
                == 0,
        };
        std::fs::write(shelf.at("plan.yaml"), PLAN).unwrap();
        std::fs::create_dir(shelf.at("out")).unwrap();
        std::fs::set_permissions(shelf.at("out"), Permissions::from_mode(0o777)).unwrap();
        // The build may lie where another user must not look.
        std::fs::copy(nightbench(), shelf.at("nightbench")).unwrap();
        shelf
    }
    fn at(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }
    fn text(&self, name: &str) -> String {
        self.at(name).display().to_string()
    }
    fn run_arguments(&self, plan: &str, store: &str, seed: &str) -> Vec<String> {
        let rig = repository().join("rigs/simulated.yaml");
        let rig = rig.display().to_string();
        let (plan, store) = (self.text(plan), self.text(store));
        ["run", &plan, "--rig", &rig, "--store", &store]
            .into_iter()
            .chain(["--seed", seed])
            .chain(["--unit", &format!("bay-1=A-{seed}")])
            .map(str::to_owned)
            .collect()
    }
    /// A command that reads the store in a place where it cannot be written.
    fn command(&self, place: Place, store: &str, arguments: &[String]) -> Command {
        let program = self.text("nightbench");
        let before: Vec<String> = match (place, self.root) {
            (Place::Foreign, true) => ["setpriv", "--reuid", NOBODY, "--regid", NOBODY]
                .into_iter()
                .chain(["--clear-groups", &program])
                .map(str::to_owned)
                .collect(),
            (Place::Foreign, false) => vec![program],
            (Place::Mounted, _) => {
                let mut words = vec!["unshare", "--mount"];
                // Whoever is not root is root in a world of their own.
                words.extend((!self.root).then_some("--map-root-user"));
                let store = self.text(store);
                words.extend(["sh", "-c", READ_ONLY, &store, &program]);
                words.into_iter().map(str::to_owned).collect()
            }
        };
        let mut command = Command::new(&before[0]);
        command
            .args(&before[1..])
            .args(arguments)
            .env_remove("NIGHTBENCH_STORE")
            .stdin(Stdio::null());
        command
    }
    fn read(&self, place: Place, store: &str, arguments: &[&str]) -> Output {
        let arguments: Vec<String> = arguments
            .iter()
            .map(|word| (*word).to_owned())
            .chain(["--store".to_owned(), self.text(store)])
            .collect();
        self.command(place, store, &arguments)
            .output()
            .expect("util-linux is there")
    }
    /// Whether this machine lets its user mount a folder read-only.
    fn can_mount(&self) -> bool {
        let mounted = self.command(Place::Mounted, "out", &["--version".to_owned()]);
        let mut mounted = mounted;
        mounted.output().is_ok_and(|output| output.status.success())
    }
}

fn open_to_all(path: &Path) {
    std::fs::set_permissions(path, Permissions::from_mode(0o755)).unwrap();
}

/// Takes the permission to write from all that is in a folder, or gives it back.
fn set_writable(path: &Path, writable: bool) {
    let folder = path.is_dir();
    let mode = match (folder, writable) {
        (true, true) => 0o755,
        (true, false) => 0o555,
        (false, true) => 0o644,
        (false, false) => 0o444,
    };
    if writable {
        std::fs::set_permissions(path, Permissions::from_mode(mode)).unwrap();
    }
    if folder {
        for below in std::fs::read_dir(path).unwrap() {
            set_writable(&below.unwrap().path(), writable);
        }
    }
    std::fs::set_permissions(path, Permissions::from_mode(mode)).unwrap();
}

/// All that is in a folder: paths, with the bytes of files.
fn contents(path: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut found = BTreeMap::new();
    for below in std::fs::read_dir(path).unwrap() {
        let below = below.unwrap().path();
        if below.is_dir() {
            found.extend(contents(&below));
            found.insert(below, Vec::new());
        } else {
            let bytes = std::fs::read(&below).unwrap();
            found.insert(below, bytes);
        }
    }
    found
}

fn words(arguments: &[String]) -> Vec<&str> {
    arguments.iter().map(String::as_str).collect()
}

/// What each reading command says of a store, and what it writes elsewhere.
fn all_readings(
    read: &dyn Fn(&[&str]) -> Output,
    shelf: &Shelf,
    ids: &[String],
) -> Vec<(Option<i32>, String)> {
    let page = shelf.text("out/page.html");
    let sounds = shelf.text("out/sounds");
    let (first, last) = (&ids[0], &ids[ids.len() - 1]);
    let commands: [&[&str]; 7] = [
        &["runs", "--format", "json"],
        &["show", first],
        &["show", last, "--format", "json"],
        &["report", first, "--out", &page],
        &["export", first, "--recordings", &sounds],
        &["compare", first, last, "--format", "json", "--out", &page],
        &["batch", first, last, "--format", "json"],
    ];
    let mut said = Vec::new();
    for arguments in commands {
        let output = read(arguments);
        let text = String::from_utf8_lossy(&output.stdout).into_owned();
        assert!(!text.is_empty(), "{arguments:?}: {}", told(&output));
        said.push((output.status.code(), text));
    }
    let written = contents(&shelf.at("out"));
    assert!(written.len() > 10, "a page, and sounds: {}", written.len());
    let page = String::from_utf8_lossy(&written[&shelf.at("out/page.html")]).into_owned();
    said.push((None, page));
    for below in std::fs::read_dir(shelf.at("out")).unwrap() {
        let below = below.unwrap().path();
        let _ = std::fs::remove_file(&below);
        let _ = std::fs::remove_dir_all(&below);
    }
    said
}

/// A store is copied as its owner left it, and as a power cut left it in the middle of a
/// run. Either is read as well where it cannot be written as where it can, to the byte, and
/// nothing in it changes.
#[test]
fn stores_are_read_where_nothing_can_be_written() {
    let shelf = Shelf::new();
    let mut ids = Vec::new();
    for seed in ["1", "2"] {
        let done = run(&words(&shelf.run_arguments("plan.yaml", "store", seed)));
        ids.push(last_word(&done));
    }
    // A third run, killed: what was committed last is in the log.
    std::fs::write(
        shelf.at("long.yaml"),
        PLAN.replace("for: 40 s", "for: 100 h"),
    )
    .unwrap();
    let copied = Command::new("cp")
        .args(["-r", &shelf.text("store"), &shelf.text("cut")])
        .status();
    assert!(copied.unwrap().success());
    let mut child = command(&words(&shelf.run_arguments("long.yaml", "cut", "3")))
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let log = shelf.at("cut/nightbench.sqlite-wal");
    let begun = Instant::now();
    while log.metadata().map_or(0, |log| log.len()) < 100_000 {
        assert!(begun.elapsed() < Duration::from_secs(120), "no log");
        std::thread::sleep(Duration::from_millis(10));
    }
    child.kill().unwrap();
    child.wait().unwrap();
    // Reading the original works the log off, so the copy is what is read elsewhere.
    let copied = Command::new("cp")
        .args(["-r", &shelf.text("cut"), &shelf.text("cut-off")])
        .status();
    assert!(copied.unwrap().success());

    let mut places = vec![Place::Foreign];
    if shelf.can_mount() {
        places.push(Place::Mounted);
    } else {
        tests::skipped("this machine lets nobody mount a folder read-only");
    }
    for (original, store) in [("store", "store"), ("cut", "cut-off")] {
        let expected = all_readings(
            &|arguments| {
                let store = shelf.text(original);
                run(&[arguments, &["--store", &store]].concat())
            },
            &shelf,
            &ids,
        );
        let before = contents(&shelf.at(store));
        if store == "cut-off" {
            assert!(expected[0].1.contains("interrupted"));
            assert!(before[&shelf.at("cut-off/nightbench.sqlite-wal")].len() > 100_000);
        }
        for place in &places {
            if matches!(place, Place::Foreign) {
                set_writable(&shelf.at(store), false);
            }
            let said = all_readings(
                &|arguments| shelf.read(*place, store, arguments),
                &shelf,
                &ids,
            );
            for (said, expected) in said.iter().zip(&expected) {
                assert_eq!(said, expected, "{place:?} {store}");
            }
            // It cannot be written, and whoever wants to is told.
            let refused = shelf.read(*place, store, &["resume", &ids[0]]);
            assert_eq!(refused.status.code(), Some(3), "{}", told(&refused));
            let why = String::from_utf8_lossy(&refused.stderr);
            assert!(why.contains("cannot be written"), "{why}");
            if store == "cut-off" {
                let listed = shelf.read(*place, store, &["runs"]);
                let hint = String::from_utf8_lossy(&listed.stderr);
                assert!(hint.contains("once the folder is copied"), "{hint}");
            }
            set_writable(&shelf.at(store), true);
            assert!(
                contents(&shelf.at(store)) == before,
                "{place:?} {store}: something was changed"
            );
        }
    }
}

/// A log that cannot be read is not left out: nothing is said instead of an older state.
#[test]
fn a_log_that_cannot_be_read_is_not_passed_over() {
    let shelf = Shelf::new();
    let done = run(&words(&shelf.run_arguments("plan.yaml", "store", "1")));
    let id = last_word(&done);
    let log = shelf.at("store/nightbench.sqlite-wal");
    std::fs::write(&log, "what came last").unwrap();
    set_writable(&shelf.at("store"), false);
    std::fs::set_permissions(&log, Permissions::from_mode(0o000)).unwrap();
    let refused = shelf.read(Place::Foreign, "store", &["show", &id]);
    set_writable(&shelf.at("store"), true);
    assert_eq!(refused.status.code(), Some(2), "{}", told(&refused));
    let why = String::from_utf8_lossy(&refused.stderr);
    assert!(
        why.contains("nightbench.sqlite-wal cannot be read") && why.contains("committed last"),
        "{why}"
    );
    assert!(refused.stdout.is_empty());
    // Where no copy can be made, that is said, and what to do.
    std::fs::write(&log, "what came last").unwrap();
    set_writable(&shelf.at("store"), false);
    let arguments = ["show", &id, "--store", &shelf.text("store")].map(str::to_owned);
    let refused = shelf
        .command(Place::Foreign, "store", &arguments)
        .env("TMPDIR", "/proc/self")
        .output()
        .unwrap();
    set_writable(&shelf.at("store"), true);
    assert_eq!(refused.status.code(), Some(3), "{}", told(&refused));
    let why = String::from_utf8_lossy(&refused.stderr);
    assert!(
        why.contains("no copy in /proc/self") && why.contains("TMPDIR"),
        "{why}"
    );
}

/// A copy is made to read a store, and the reader is held at its first line. Whatever ends it
/// then, the copy goes: by a signal at once, after SIGKILL when the next one is made.
#[test]
fn a_copy_goes_however_its_reader_ends() {
    let shelf = Shelf::new();
    let done = run(&words(&shelf.run_arguments("plan.yaml", "store", "1")));
    let id = last_word(&done);
    let log = shelf.at("store/nightbench.sqlite-wal");
    std::fs::write(log, "what came last").unwrap();
    set_writable(&shelf.at("store"), false);
    let place = shelf.at("temporary");
    std::fs::create_dir(&place).unwrap();
    std::fs::set_permissions(&place, Permissions::from_mode(0o777)).unwrap();
    let copies = || std::fs::read_dir(&place).unwrap().count();
    let reading = || {
        let arguments = ["runs", "--store", &shelf.text("store")].map(str::to_owned);
        let mut reading = shelf.command(Place::Foreign, "store", &arguments);
        reading.env("TMPDIR", &place);
        reading
    };
    for (signal, code) in [
        (Signal::INT, Some(130)),
        (Signal::TERM, Some(143)),
        (Signal::KILL, None),
    ] {
        let (_results, full) = full_pipe();
        let mut child = reading().stdout(full).spawn().unwrap();
        while copies() == 0 {
            assert_eq!(child.try_wait().unwrap(), None, "it is held");
        }
        kill_process(Pid::from_child(&child), signal).unwrap();
        assert_eq!(child.wait().unwrap().code(), code, "{signal:?}");
        assert_eq!(copies(), usize::from(code.is_none()), "{signal:?}");
    }
    let listed = reading().output().unwrap();
    set_writable(&shelf.at("store"), true);
    assert!(told(&listed).contains(&id), "{}", told(&listed));
    assert_eq!(copies(), 0, "what was left is swept");
}
