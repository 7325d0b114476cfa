use crate::entries::{header_of, note};
use model::port::{Journal, JournalError};
use model::record::RunId;
use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::Duration;
use store::{Standing, Store};

const FOLDER: &str = "NIGHTBENCH_TEST_STORE";

/// The process that is killed: takes up the run of the store, or begins it, and
/// commits note after note, announcing each when it is committed.
#[test]
#[ignore = "the child of the test below"]
fn child() {
    let Some(folder) = std::env::var_os(FOLDER) else {
        return tests::skipped("only the test below runs it");
    };
    let store = Store::open(Path::new(&folder)).unwrap();
    let mut writer = store.writer().unwrap();
    let runs = store.library().unwrap().runs().unwrap();
    let first = match runs.first() {
        Some(run) => writer.reopen(&run.id).unwrap().readings.len() / 4,
        None => {
            writer.begin(&header_of("plan")).unwrap();
            0
        }
    };
    let mut out = std::io::stdout();
    for round in first as u32.. {
        writer.write(&note(round, 0)).unwrap();
        writer.requests().unwrap();
        writeln!(out, "committed {round}").unwrap();
        out.flush().unwrap();
    }
}

fn start(folder: &Path) -> Child {
    Command::new(std::env::current_exe().unwrap())
        .args([
            "killed::child",
            "--exact",
            "--ignored",
            "--nocapture",
            "--test-threads=1",
        ])
        .env(FOLDER, folder)
        .stdout(Stdio::piped())
        .spawn()
        .unwrap()
}

#[test]
fn what_was_announced_before_the_kill_is_there() {
    let folder = tempfile::tempdir().unwrap();
    let mut announced = 0;
    for session in 0..10u64 {
        let mut child = start(folder.path());
        let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
        let committed = |line: &str| {
            line.strip_prefix("committed ")
                .map(|round| round.parse::<usize>().unwrap() + 1)
        };
        // Some lines in, so that the kill falls on any part of a commit.
        for _ in 0..=(session * 7 % 5) {
            let line = lines
                .by_ref()
                .map(Result::unwrap)
                .find_map(|line| committed(&line));
            announced = announced.max(line.expect("the child announces notes"));
        }
        std::thread::sleep(Duration::from_micros(session * 577 % 3000));
        if session == 3 {
            // Alive, it keeps others off its run.
            let store = Store::open(folder.path()).unwrap();
            let library = store.library().unwrap();
            let run = &library.runs().unwrap()[0];
            assert_eq!(run.standing, Standing::InProgress);
            let refused = store.writer().unwrap().reopen(&run.id).unwrap_err();
            assert!(matches!(refused, JournalError::InUse(_)), "{refused}");
            assert!(
                refused
                    .to_string()
                    .contains(&format!("by process {}", child.id())),
                "{refused}"
            );
        }
        child.kill().unwrap();
        child.wait().unwrap();
        announced = lines
            .map(Result::unwrap)
            .filter_map(|line| committed(&line))
            .fold(announced, usize::max);
        let store = Store::open(folder.path()).unwrap();
        let library = store.library().unwrap();
        let run = &library.runs().unwrap()[0];
        assert_eq!(run.standing, Standing::Stopped);
        let record = library.run(run.id.as_str()).unwrap();
        let kept = record.readings.len() / 4;
        assert_eq!(
            record.readings.len() % 4,
            0,
            "a note is there for all positions or not at all"
        );
        // One commit may have ended without the time to announce it.
        assert!(
            kept == announced || kept == announced + 1,
            "announced {announced}, kept {kept}"
        );
        announced = kept;
    }
    let store = Store::open(folder.path()).unwrap();
    let record = store.library().unwrap().run("").err();
    assert!(record.is_some(), "an empty name is no run");
    let run: RunId = store.library().unwrap().runs().unwrap()[0].id.clone();
    let record = store.writer().unwrap().reopen(&run).unwrap();
    let rounds: Vec<u32> = record
        .readings
        .iter()
        .map(|reading| reading.key.round)
        .collect();
    let expected: Vec<u32> = (0..announced as u32).flat_map(|round| [round; 4]).collect();
    assert_eq!(rounds, expected);
}
