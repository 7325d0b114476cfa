//! Stores that are deleted or replaced under a run, traps under the names of their files,
//! names that look like something else, and disks without a byte left.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};
use rustix::process::{Pid, Signal, WaitOptions, kill_process, waitpid};
use std::collections::BTreeMap;
use std::hash::{DefaultHasher, Hash, Hasher};
use std::os::unix::ffi::OsStrExt;
use std::os::unix::fs::{FileTypeExt, PermissionsExt};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::time::{Duration, Instant};
use tests::hostile::{cases, seed};
use tests::program::{command, nightbench, repository, run, told};

const PLAN: &str = "\
nightbench: plan 1
title: Short
reference: C4
evidence: {all: {budget: 500 MB}}
listen: {settle: {fixed: 100 ms}, window: {fixed: 200 ms}}
stages:
  - rounds: {name: notes, notes: {list: [C4, C2]}, every: 10 s, for: 20 s}
";

struct Shelf {
    folder: tempfile::TempDir,
}

impl Shelf {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("plan.yaml"), PLAN).unwrap();
        // It is not over while anybody looks on.
        let endless = PLAN
            .replace("for: 20 s", "for: 500 h")
            .replace("evidence: {all: {budget: 500 MB}}\n", "");
        std::fs::write(folder.path().join("endless.yaml"), endless).unwrap();
        // Its recordings come to more than the small disk holds.
        let long = PLAN.replace("for: 20 s", "for: 5 min");
        std::fs::write(folder.path().join("long.yaml"), long).unwrap();
        Self { folder }
    }
    fn at(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }
    fn text(&self, name: &str) -> String {
        self.at(name).display().to_string()
    }
    /// A run, from a store that is named as somebody standing in the folder would.
    fn begin(&self, plan: &str, store: impl AsRef<std::ffi::OsStr>) -> Command {
        let rig = repository().join("rigs/simulated.yaml");
        let mut command = command(&["run", &self.text(plan), "--rig", &rig.display().to_string()]);
        command.arg("--store").arg(store);
        command.current_dir(self.folder.path());
        command.stdout(Stdio::piped()).stderr(Stdio::piped());
        command
    }
    /// A store with one run that is over, and the identifier of that.
    fn filled(&self, store: &str) -> String {
        let done = self.begin("plan.yaml", store).output().unwrap();
        assert_eq!(done.status.code(), Some(0), "{}", told(&done));
        tests::program::last_word(&done)
    }
}

/// Waits for the end of a program, which comes; a hang would have no end.
fn ended(mut command: Command) -> Output {
    let child = command
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    end_of(child, &format!("{command:?}"))
}

fn end_of(mut child: Child, what: &str) -> Output {
    let deadline = Instant::now() + Duration::from_secs(120);
    while child.try_wait().unwrap().is_none() {
        if Instant::now() > deadline {
            child.kill().unwrap();
            panic!("{what} does not end");
        }
        std::thread::sleep(Duration::from_millis(5));
    }
    child.wait_with_output().unwrap()
}

fn copy(from: &Path, to: &Path) {
    let copied = Command::new("cp").arg("-a").args([from, to]).status();
    assert!(copied.unwrap().success());
}

/// All files of a folder and a hash of what is in them; of what is no file its kind.
fn contents(folder: &Path) -> BTreeMap<PathBuf, String> {
    let mut found = BTreeMap::new();
    for entry in std::fs::read_dir(folder).unwrap().flatten() {
        let kind = entry.file_type().unwrap();
        if kind.is_dir() {
            found.extend(contents(&entry.path()));
        } else if kind.is_file() {
            let mut hash = DefaultHasher::new();
            std::fs::read(entry.path()).unwrap().hash(&mut hash);
            found.insert(entry.path(), format!("{:x}", hash.finish()));
        } else {
            found.insert(entry.path(), format!("{kind:?}"));
        }
    }
    found
}

/// A run in a store that somebody deletes, moves, or replaces by a copy of itself.
#[test]
fn a_store_that_is_not_there_any_more_ends_the_run_and_nothing_is_told_of_another_one() {
    let shelf = Shelf::new();
    for way in ["deleted", "database", "log", "moved", "replaced"] {
        let store = shelf.at(way);
        let child = shelf.begin("endless.yaml", way).spawn().unwrap();
        let begun = Instant::now();
        let id = loop {
            assert!(begun.elapsed() < Duration::from_secs(120), "no run begins");
            let listed = run(&["runs", "--store", &shelf.text(way), "--format", "json"]);
            if let Ok(line) = serde_json::from_slice::<serde_json::Value>(&listed.stdout)
                && line["readings"].as_u64() > Some(0)
            {
                break line["run"].as_str().unwrap().to_owned();
            }
        };
        let aside = shelf.at("aside");
        let mut put_there = BTreeMap::new();
        match way {
            // What is written meanwhile makes the first attempt fail.
            "deleted" => while std::fs::remove_dir_all(&store).is_err() {},
            "database" => std::fs::remove_file(store.join("nightbench.sqlite")).unwrap(),
            "log" => std::fs::remove_file(store.join("nightbench.sqlite-wal")).unwrap(),
            "moved" => std::fs::rename(&store, shelf.at("moved away")).unwrap(),
            _ => {
                // A copy of one moment.
                let process = Pid::from_child(&child);
                kill_process(process, Signal::STOP).unwrap();
                waitpid(Some(process), WaitOptions::UNTRACED).unwrap();
                copy(&store, &aside);
                std::fs::rename(&store, shelf.at("replaced away")).unwrap();
                std::fs::rename(&aside, &store).unwrap();
                put_there = contents(&store);
                kill_process(process, Signal::CONT).unwrap();
            }
        }
        let output = end_of(child, way);
        assert_eq!(output.status.code(), Some(3), "{way}: {}", told(&output));
        let said = told(&output);
        assert!(
            said.contains("is not the one that was opened"),
            "{way}: {said}"
        );
        assert!(
            !String::from_utf8_lossy(&output.stdout).contains(&id),
            "{way}: {said}"
        );
        if way == "replaced" {
            assert_eq!(
                contents(&store),
                put_there,
                "a stranger's store was written"
            );
        }
    }
}

/// Something else under each name that a store gives.
#[test]
fn traps_under_the_names_of_a_store_are_left_alone_and_keep_nobody_waiting() {
    let shelf = Shelf::new();
    let id = shelf.filled("whole");
    let evidence = format!("evidence/{id}");
    let lock = format!("locks/run-{id}-2.lock");
    let names = [
        "ballast",
        "ballast.part",
        "locks",
        "locks/store.lock",
        &lock,
        "evidence",
        &evidence,
        "nightbench.sqlite",
        "nightbench.sqlite-wal",
        "nightbench.sqlite-shm",
        "nightbench.sqlite-journal",
    ];
    for (number, name) in names.iter().enumerate() {
        for trap in [
            "link to a file",
            "link to a folder",
            "loose link",
            "pipe",
            "folder",
        ] {
            let store = format!("{number} {trap}");
            copy(&shelf.at("whole"), &shelf.at(&store));
            let path = shelf.at(&store).join(name);
            let _ = std::fs::remove_dir_all(&path);
            let _ = std::fs::remove_file(&path);
            let precious = shelf.at("precious");
            std::fs::create_dir_all(&precious).unwrap();
            std::fs::write(precious.join("letter.txt"), "do not touch").unwrap();
            let before = contents(&precious);
            let link = |to: PathBuf| std::os::unix::fs::symlink(to, &path).unwrap();
            match trap {
                "link to a file" => link(precious.join("letter.txt")),
                "link to a folder" => link(precious.clone()),
                "loose link" => link(precious.join("new")),
                "folder" => std::fs::create_dir(&path).unwrap(),
                _ => assert!(
                    Command::new("mkfifo")
                        .arg(&path)
                        .status()
                        .unwrap()
                        .success()
                ),
            }
            let what = format!("{trap} at {name}");
            for arguments in [
                &["runs"][..],
                &["show", &id],
                &["resume", &id],
                &["remark", &id, "x"],
            ] {
                let mut reading = command(arguments);
                reading.arg("--store").arg(shelf.at(&store));
                let output = ended(reading);
                let code = output.status.code();
                assert!(matches!(code, Some(0 | 2 | 3)), "{what}: {}", told(&output));
            }
            let output = ended(shelf.begin("plan.yaml", &store));
            let said = told(&output);
            match output.status.code() {
                Some(0) => {}
                Some(3) => {
                    let last = name.rsplit('/').next().unwrap();
                    assert!(said.contains(last), "{what}: {said}");
                }
                _ => panic!("{what}: {said}"),
            }
            assert_eq!(contents(&precious), before, "{what}: {said}");
        }
    }
}

/// Names that SQLite or a file system may take for something else.
#[test]
fn a_store_is_where_its_name_says() {
    let shelf = Shelf::new();
    let mut random = ChaCha8Rng::seed_from_u64(seed());
    let mut names: Vec<Vec<u8>> = [
        &b"file:x"[..],
        b"file:///tmp/y?mode=memory",
        b"file:z?mode=ro#a",
        b":memory:",
        b"a?b#c%41 d'e\"f",
        b"\xff\xfe odd",
        b"line\nfeed",
        b"-dash",
    ]
    .map(<[u8]>::to_vec)
    .to_vec();
    for _ in 0..cases(2, 30) {
        let letters = (0..12).map(|_| (random.next_u32() % 255 + 1) as u8);
        names.push(letters.filter(|letter| *letter != b'/').collect());
    }
    for name in names {
        let name = std::ffi::OsStr::from_bytes(&name);
        // A name that begins with a dash is an option, unless it is joined to one.
        let joined = [b"./", name.as_bytes()].concat();
        let named = match name.as_bytes().first() {
            Some(b'-') => std::ffi::OsStr::from_bytes(&joined),
            _ => name,
        };
        let output = ended(shelf.begin("plan.yaml", named));
        assert_eq!(output.status.code(), Some(0), "{name:?}: {}", told(&output));
        let database = shelf.folder.path().join(name).join("nightbench.sqlite");
        assert!(database.is_file(), "{name:?}");
        let mut listing = command(&["runs", "--store"]);
        listing.arg(named).current_dir(shelf.folder.path());
        let listed = ended(listing);
        assert!(
            told(&listed).contains("Short"),
            "{name:?}: {}",
            told(&listed)
        );
    }
}

#[test]
fn a_folder_that_may_not_be_looked_into_is_said_to_be_that() {
    let shelf = Shelf::new();
    shelf.filled("mine");
    let owner = std::os::unix::fs::MetadataExt::uid(&std::fs::metadata(shelf.at("mine")).unwrap());
    std::fs::set_permissions(shelf.folder.path(), PermissionsExt::from_mode(0o755)).unwrap();
    std::fs::copy(nightbench(), shelf.at("nightbench")).unwrap();
    std::fs::set_permissions(shelf.at("mine"), PermissionsExt::from_mode(0o000)).unwrap();
    let mut looking = if owner == 0 {
        let mut looking = Command::new("setpriv");
        looking.args(["--reuid", "65534", "--regid", "65534", "--clear-groups"]);
        looking.arg(shelf.at("nightbench"));
        looking
    } else {
        Command::new(shelf.at("nightbench"))
    };
    looking.args(["runs", "--store"]).arg(shelf.at("mine"));
    let output = ended(looking);
    std::fs::set_permissions(shelf.at("mine"), PermissionsExt::from_mode(0o755)).unwrap();
    assert_eq!(output.status.code(), Some(2), "{}", told(&output));
    assert!(
        told(&output).contains("Permission denied"),
        "{}",
        told(&output)
    );
    assert!(!told(&output).contains("no store"), "{}", told(&output));
}

/// Mounts a disk of a few megabytes on the folder that comes first, and runs the rest.
const SMALL_DISK: &str = r#"mount -t tmpfs -o size=6m tmpfs "$0" && exec sh -c "$@""#;

/// A disk is filled to the last byte; then room is made. In a shell of its own, which sees
/// the small disk.
#[test]
fn a_disk_without_a_byte_left() {
    let shelf = Shelf::new();
    let root = std::os::unix::fs::MetadataExt::uid(&std::fs::metadata("/proc/self").unwrap()) == 0;
    let in_small_disk = |script: &str| {
        let mut command = Command::new("unshare");
        command
            .arg("--mount")
            .args((!root).then_some("--map-root-user"));
        std::fs::create_dir_all(shelf.at("disk")).unwrap();
        command
            .args(["sh", "-c", SMALL_DISK])
            .args([shelf.at("disk")])
            .arg(script)
            .env_remove("NIGHTBENCH_STORE")
            .env("NB", nightbench())
            .env("RIG", repository().join("rigs/simulated.yaml"))
            .env("HERE", shelf.folder.path())
            .env("TMPDIR", shelf.at("disk"));
        ended(command)
    };
    if !in_small_disk("true").status.success() {
        return tests::skipped("this machine lets nobody mount a small disk");
    }
    let output = in_small_disk(
        r#"
cd "$HERE"
say() { echo "== $1"; }
"$NB" run plan.yaml --rig "$RIG" --store disk/store > one || say "one: $?"
ID=$(tail -1 one | cut -d' ' -f2)
"$NB" report $ID --store disk/store --out disk/report.html > /dev/null || say "report: $?"
cp disk/report.html good.html
"$NB" run long.yaml --rig "$RIG" --store disk/store > two 2> two.err; say "full: $?"
LONG=$("$NB" runs --store disk/store --format json | tail -1 | sed 's/.*"run":"\([^"]*\)".*/\1/')
cat two.err
rm disk/store/ballast 2> /dev/null
dd if=/dev/zero of=disk/filling bs=4k 2> /dev/null; cat /dev/zero >> disk/filling 2> /dev/null
rm -f disk/store/nightbench.sqlite-shm
"$NB" show $ID --store disk/store > shown 2> shown.err; say "show: $?"; cat shown.err
"$NB" runs --store disk/store
"$NB" export $ID --store disk/store > /dev/null; say "export: $?"
"$NB" report $ID --store disk/store --out disk/report.html > /dev/null; say "report: $?"
cmp disk/report.html good.html && say "the old one stays"
ls -A disk | grep -c part && say "a part is left"
"$NB" resume $LONG --store disk/store > /dev/null; say "resume: $?"
rm disk/filling
"$NB" report $ID --store disk/store --out disk/report.html > /dev/null; say "report: $?"
mount -o remount,size=64m disk
"$NB" resume $LONG --store disk/store > three 2>&1; say "resume: $?"
"$NB" export $LONG --store disk/store > three.csv
"$NB" run long.yaml --rig "$RIG" --store elsewhere > four
"$NB" export $LONG --store elsewhere > four.csv
cmp three.csv four.csv && say "the same run"
"#,
    );
    let said = told(&output);
    let marks: Vec<&str> = said
        .lines()
        .filter_map(|line| line.trim_start_matches("stdout: ").strip_prefix("== "))
        .collect();
    assert_eq!(
        marks,
        [
            "full: 3",
            "show: 0",
            "export: 0",
            "report: 2",
            "the old one stays",
            "resume: 3",
            "report: 0",
            "resume: 0",
            "the same run"
        ],
        "{said}"
    );
    assert!(said.contains("once there is room"), "{said}");
    let disk = format!("the disk mounted at {} has", shelf.text("disk"));
    assert!(said.matches(&disk).count() >= 3, "{said}");
}

/// Where a report is to go may be anything.
#[test]
fn a_report_goes_where_it_was_sent_or_nowhere() {
    let shelf = Shelf::new();
    let id = shelf.filled("store");
    let report = |out: &Path| {
        let mut writing = command(&["report", &id, "--store", &shelf.text("store"), "--out"]);
        writing.arg(out);
        ended(writing)
    };
    std::fs::write(shelf.at("old.html"), "old").unwrap();
    std::fs::set_permissions(shelf.at("old.html"), PermissionsExt::from_mode(0o640)).unwrap();
    // As long as names may be.
    let long = shelf.at(&format!("{}.html", "n".repeat(250)));
    assert_eq!(report(&long).status.code(), Some(0));
    assert!(long.is_file());
    std::os::unix::fs::symlink("old.html", shelf.at("link.html")).unwrap();
    assert_eq!(report(&shelf.at("link.html")).status.code(), Some(0));
    assert!(shelf.at("link.html").is_symlink());
    assert!(
        std::fs::read_to_string(shelf.at("old.html"))
            .unwrap()
            .contains("<html")
    );
    let mode = std::fs::metadata(shelf.at("old.html"))
        .unwrap()
        .permissions()
        .mode();
    assert_eq!(mode & 0o777, 0o640);
    // Nobody reads the pipe; nothing fits into the device; a folder is no file.
    let pipe = shelf.at("pipe");
    assert!(
        Command::new("mkfifo")
            .arg(&pipe)
            .status()
            .unwrap()
            .success()
    );
    for (out, why) in [
        (pipe.as_path(), "nobody reads it"),
        (Path::new("/dev/full"), "No space left"),
        (shelf.folder.path(), "it is a folder"),
        (&shelf.at("no/such/folder.html"), "No such file"),
    ] {
        let refused = report(out);
        assert_eq!(
            refused.status.code(),
            Some(2),
            "{out:?}: {}",
            told(&refused)
        );
        assert!(told(&refused).contains(why), "{out:?}: {}", told(&refused));
    }
    assert!(
        std::fs::symlink_metadata(&pipe)
            .unwrap()
            .file_type()
            .is_fifo()
    );
    assert_eq!(report(Path::new("/dev/null")).status.code(), Some(0));
    // A killed program's remainder is no obstacle, and goes.
    std::fs::write(shelf.at(".old.html.part"), "half").unwrap();
    assert_eq!(report(&shelf.at("old.html")).status.code(), Some(0));
    assert!(!shelf.at(".old.html.part").exists());
}
