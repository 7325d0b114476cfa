//! Damage to the files of a store: bits, bytes and blocks of the database, of its log, of the
//! tallies and the recordings beside it, and rows altered by SQL. Each is either without
//! effect, and all that is read is what was committed, or it is refused with a sentence.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};
use rusqlite::types::Value;
use std::collections::BTreeMap;
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::Stdio;
use std::sync::mpsc;
use std::time::Duration;
use store::{Library, Store, StoreError};
use tests::hostile::{cases, seed};
use tests::program::{command, repository, run, told};

const DATABASE: &str = "nightbench.sqlite";
const LOG: &str = "nightbench.sqlite-wal";

/// Readings, holds, gaps after a dip, recordings, retries.
const PLAN: &str = "\
nightbench: plan 1
title: Everything that a store holds
reference: C4
evidence: {all: {budget: 500 MB}}
listen: {settle: {fixed: 100 ms}, window: {fixed: 100 ms}}
stages:
  - cool_down: {for: 10 min}
  - power_on
  - rounds: {name: warming, notes: {list: [C4, C2, C6, C4]}, every: 20 s, for: 4 min}
  - hold: {name: quiet, note: C4, for: 20 s, hop: 500 ms}
  - sweep: {name: sweep, notes: {range: {from: C2, to: C6, step: 400 cents}}}
";

/// What was committed, and what is exported of it.
struct Truth {
    /// By run: what the store reads, and its recordings.
    runs: BTreeMap<String, (String, Recordings)>,
    /// By run: its export.
    exports: BTreeMap<String, Vec<u8>>,
    /// The run that was killed, and its export when it is not.
    killed: (String, Vec<u8>),
}

type Recordings = Vec<Option<Vec<u8>>>;

struct Specimens {
    folder: tempfile::TempDir,
    truth: Truth,
}

fn arguments<'a>(plan: &'a str, rig: &'a str, store: &'a str, seed: &'a str) -> Vec<&'a str> {
    vec![
        "run",
        plan,
        "--rig",
        rig,
        "--store",
        store,
        "--seed",
        seed,
        "--unit",
        "bay-1=A-1041",
        "--format",
        "json",
    ]
}

impl Specimens {
    /// Two stores with the same two runs: in `log` one of them was killed and the log lies
    /// there still, in `closed` there is none.
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let at = |name: &str| folder.path().join(name).display().to_string();
        std::fs::write(folder.path().join("plan.yaml"), PLAN).unwrap();
        let rig = repository()
            .join("rigs/simulated.yaml")
            .display()
            .to_string();
        let (plan, log, closed, whole) = (at("plan.yaml"), at("log"), at("closed"), at("whole"));
        let complete = |store: &str, seed: &str| {
            let output = run(&arguments(&plan, &rig, store, seed));
            assert!(
                matches!(output.status.code(), Some(0 | 1 | 4)),
                "{}",
                told(&output)
            );
        };
        complete(&log, "1");
        complete(&whole, "2");
        let mut child = command(&arguments(&plan, &rig, &log, "2"))
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let announced = BufReader::new(child.stdout.take().unwrap())
            .lines()
            .map_while(Result::ok)
            .filter(|line| line.contains("\"hz\""))
            .take(60)
            .count();
        assert_eq!(announced, 60);
        child.kill().unwrap();
        child.wait().unwrap();
        let _ = std::fs::remove_file(folder.path().join("log/nightbench.sqlite-shm"));
        assert!(
            folder
                .path()
                .join("log")
                .join(LOG)
                .metadata()
                .unwrap()
                .len()
                > 10_000
        );
        copy(Path::new(&log), Path::new(&closed));
        let library = Store::open(Path::new(&closed)).unwrap().library().unwrap();
        let runs: BTreeMap<_, _> = library
            .runs()
            .unwrap()
            .into_iter()
            .map(|run| {
                let id = run.id.as_str().to_owned();
                (id.clone(), read(&library, &id).unwrap())
            })
            .collect();
        drop(library);
        assert!(!folder.path().join("closed").join(LOG).exists());
        let exports = runs
            .keys()
            .map(|id| (id.clone(), export(id, &closed).stdout))
            .collect();
        let killed = Store::open(Path::new(&whole))
            .unwrap()
            .library()
            .unwrap()
            .runs()
            .unwrap();
        let id = killed[0].id.as_str().to_owned();
        let of_whole = export(&id, &whole).stdout;
        Self {
            folder,
            truth: Truth {
                runs,
                exports,
                killed: (id, of_whole),
            },
        }
    }
}

fn export(id: &str, store: &str) -> std::process::Output {
    run(&["export", id, "--store", store, "--format", "json"])
}

/// Everything that is read of a run.
fn read(library: &Library, id: &str) -> Result<(String, Recordings), StoreError> {
    let record = library.run(id)?;
    let recordings = record
        .readings
        .iter()
        .map(|reading| library.evidence(id, &reading.key))
        .collect::<Result<_, _>>()?;
    Ok((format!("{record:?}"), recordings))
}

fn copy(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).unwrap();
    for file in std::fs::read_dir(from).unwrap() {
        let path = file.unwrap().path();
        let target = to.join(path.file_name().unwrap());
        if path.is_dir() {
            copy(&path, &target);
        } else if path.extension().is_some_and(|end| end == "wav") {
            // They are many, and never written to.
            std::fs::hard_link(&path, &target).unwrap();
        } else if path.file_name().unwrap() != "ballast" {
            std::fs::copy(&path, &target).unwrap();
        }
    }
}

struct Dice(ChaCha8Rng);

impl Dice {
    fn below(&mut self, limit: usize) -> usize {
        (self.0.next_u64() % limit.max(1) as u64) as usize
    }
    fn one_of<'a, T>(&mut self, among: &'a [T]) -> &'a T {
        &among[self.below(among.len())]
    }
}

/// What can happen to a file.
const TO_FILES: &[&str] = &[
    "bit flipped",
    "byte changed",
    "block zeroed",
    "blocks swapped",
    "cut",
    "rubbish appended",
    "rubbish within",
];

/// Damages a store, and says how: of what kind, and where.
fn damage(store: &Path, dice: &mut Dice) -> Option<(String, String)> {
    let log = store.join(LOG);
    match dice.below(20) {
        0..=6 => damage_file(&store.join(DATABASE), "database", dice),
        7..=11 if log.exists() => damage_file(&log, "log", dice),
        12 if log.exists() => {
            std::fs::remove_file(&log).unwrap();
            Some(("log: removed".to_owned(), String::new()))
        }
        13 => damage_file(&some_file(&store.join("tally"), dice)?, "tally", dice),
        14 => {
            let path = some_file(&store.join("tally"), dice)?;
            let other = some_file(&store.join("tally"), dice)?;
            let what = if dice.below(2) == 0 {
                std::fs::remove_file(&path).unwrap();
                "tally: removed"
            } else {
                std::fs::copy(other, &path).unwrap();
                "tally: that of another run"
            };
            Some((what.to_owned(), path.display().to_string()))
        }
        15 => {
            let path = some_file(&store.join("evidence"), dice)?;
            damage_file(&path, "recording", dice)
        }
        _ => damage_row(store, dice),
    }
}

fn some_file(folder: &Path, dice: &mut Dice) -> Option<PathBuf> {
    let mut paths: Vec<PathBuf> = std::fs::read_dir(folder)
        .ok()?
        .map(|file| file.unwrap().path())
        .collect();
    paths.sort();
    let path = dice.one_of(&paths).clone();
    if path.is_dir() {
        some_file(&path, dice)
    } else {
        Some(path)
    }
}

fn damage_file(path: &Path, name: &str, dice: &mut Dice) -> Option<(String, String)> {
    let before = std::fs::read(path).unwrap();
    let mut bytes = before.clone();
    let what = *dice.one_of(TO_FILES);
    // A log's blocks begin after its header and each has one of its own.
    let (first, block) = match (name, dice.below(2)) {
        ("log", _) => (32, 4120),
        (_, 0) => (0, 512),
        _ => (0, 4096),
    };
    let blocks = bytes.len().saturating_sub(first) / block;
    let at = match name {
        // Most of it is blanks.
        "tally" => dice.below(2) * 4096 + dice.below(200),
        _ => dice.below(bytes.len()),
    }
    .min(bytes.len() - 1);
    let mut place = format!("byte {at} of {}", bytes.len());
    match what {
        "bit flipped" => bytes[at] ^= 1 << dice.below(8),
        "byte changed" => bytes[at] = bytes[at].wrapping_add(1 + dice.below(255) as u8),
        "block zeroed" if blocks > 0 => {
            let from = first + dice.below(blocks) * block;
            place = format!("{block} bytes from {from}");
            bytes[from..from + block].fill(0);
        }
        "blocks swapped" if blocks > 1 => {
            let (one, other) = (dice.below(blocks), dice.below(blocks));
            place = format!("blocks {one} and {other} of {block} bytes");
            for byte in 0..block {
                bytes.swap(first + one * block + byte, first + other * block + byte);
            }
        }
        "cut" => bytes.truncate(at),
        "rubbish appended" => {
            let length = 1 + dice.below(10_000);
            place = format!("{length} bytes");
            bytes.extend(std::iter::repeat_with(|| dice.0.next_u32() as u8).take(length));
        }
        _ => {
            let length = (1 + dice.below(300)).min(bytes.len() - at);
            for byte in &mut bytes[at..at + length] {
                *byte = dice.0.next_u32() as u8;
            }
        }
    }
    if bytes == before {
        return None;
    }
    // Another file: this one may have other names.
    std::fs::remove_file(path).unwrap();
    std::fs::write(path, bytes).unwrap();
    Some((format!("{name}: {what}"), place))
}

/// Deletes a row, changes one or puts one in, where the tables let it.
fn damage_row(store: &Path, dice: &mut Dice) -> Option<(String, String)> {
    let database = rusqlite::Connection::open(store.join(DATABASE)).unwrap();
    database
        .execute_batch("PRAGMA foreign_keys = OFF; PRAGMA ignore_check_constraints = ON")
        .unwrap();
    let names = |sql: &str| -> Vec<String> {
        let mut select = database.prepare(sql).unwrap();
        let rows = select.query_map([], |row| row.get(0)).unwrap();
        rows.map(Result::unwrap).collect()
    };
    let tables = names(
        "SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%' ORDER BY name",
    );
    let table = dice.one_of(&tables);
    let columns = names(&format!("SELECT name FROM pragma_table_info('{table}')"));
    let key = names(&format!(
        "SELECT name FROM pragma_table_info('{table}') WHERE pk > 0"
    ));
    let rows: i64 = database
        .query_row(&format!("SELECT count(*) FROM {table}"), [], |row| {
            row.get(0)
        })
        .unwrap();
    if rows == 0 {
        return None;
    }
    let row = |place: usize| -> Vec<Value> {
        database
            .query_row(
                &format!(
                    "SELECT * FROM {table} ORDER BY {} LIMIT 1 OFFSET {place}",
                    key.join(", ")
                ),
                [],
                |row| (0..columns.len()).map(|at| row.get(at)).collect(),
            )
            .unwrap()
    };
    let here = row(dice.below(rows as usize));
    let value_of =
        |name: &String| here[columns.iter().position(|column| column == name).unwrap()].clone();
    let this = key
        .iter()
        .map(|name| format!("{name} = ?"))
        .collect::<Vec<_>>()
        .join(" AND ");
    let keys: Vec<Value> = key.iter().map(value_of).collect();
    let column = dice.below(columns.len());
    let name = &columns[column];
    let (what, done) = match dice.below(4) {
        0 => (
            "row deleted",
            database.execute(
                &format!("DELETE FROM {table} WHERE {this}"),
                rusqlite::params_from_iter(keys),
            ),
        ),
        1 => {
            let mut another = here.clone();
            another[column] = altered(&another[column], dice);
            let marks = vec!["?"; columns.len()].join(", ");
            (
                "row put in",
                database.execute(
                    &format!("INSERT INTO {table} VALUES ({marks})"),
                    rusqlite::params_from_iter(another),
                ),
            )
        }
        _ => {
            let value = if dice.below(2) == 0 {
                row(dice.below(rows as usize))[column].clone()
            } else {
                altered(&here[column], dice)
            };
            if value == here[column] {
                return None;
            }
            (
                "value changed",
                database.execute(
                    &format!("UPDATE {table} SET {name} = ? WHERE {this}"),
                    rusqlite::params_from_iter(std::iter::once(value).chain(keys)),
                ),
            )
        }
    };
    (done.ok()? > 0).then(|| {
        (
            format!("table {table}: {what}"),
            format!("column {name}, of {here:?}"),
        )
    })
}

fn altered(value: &Value, dice: &mut Dice) -> Value {
    match value {
        Value::Null => Value::Integer(1),
        Value::Integer(number) => Value::Integer(number ^ (1 << dice.below(40))),
        Value::Real(number) => {
            Value::Real(f64::from_bits(number.to_bits() ^ (1 << dice.below(52))))
        }
        Value::Text(text) => {
            let mut letters: Vec<char> = text.chars().collect();
            let at = dice.below(letters.len());
            match letters.get_mut(at) {
                Some(letter) => *letter = if *letter == 'x' { 'y' } else { 'x' },
                None => letters.push('x'),
            }
            Value::Text(letters.into_iter().collect())
        }
        Value::Blob(bytes) => {
            let mut bytes = bytes.clone();
            let at = dice.below(bytes.len());
            if let Some(byte) = bytes.get_mut(at) {
                *byte ^= 1;
            }
            Value::Blob(bytes)
        }
    }
}

/// Reads all there is to read: nothing of it may differ from the truth. Gives what was refused.
fn refusals(store: &Path, truth: &Truth) -> Vec<String> {
    let mut refused = Vec::new();
    let mut refuse = |error: StoreError| {
        assert!(
            !matches!(error, StoreError::NoSuchRun(_)),
            "a run that was committed is not known: {error}"
        );
        refused.push(error.to_string());
    };
    match Store::open_to_read(store).and_then(|store| store.library()) {
        Err(error) => refuse(error),
        Ok(library) => {
            match library.list() {
                Err(error) => refuse(error),
                Ok(list) => {
                    assert!(
                        list.len() >= truth.runs.len(),
                        "a run is not listed: {list:?}"
                    );
                    for run in list {
                        match run {
                            Err(error) => refuse(error),
                            Ok(run) => {
                                let (record, _) = &truth.runs[run.id.as_str()];
                                assert_eq!(
                                    record.matches("ReadingKey").count() as u64,
                                    run.counts.readings
                                );
                            }
                        }
                    }
                }
            }
            for (id, truth) in &truth.runs {
                match read(&library, id) {
                    Err(error) => refuse(error),
                    Ok(found) => {
                        assert!(found == *truth, "run {id} is read and is not what it was")
                    }
                }
            }
        }
    }
    let (killed, _) = &truth.killed;
    let taken_up = Store::open_existing(store)
        .and_then(|store| store.writer())
        .map_err(|error| error.to_string())
        .and_then(|mut writer| {
            use model::port::Journal;
            writer
                .reopen(&model::record::RunId::new(killed.as_str()))
                .map_err(|error| error.to_string())
        });
    match taken_up {
        Err(error) => refused.push(error),
        Ok(record) => assert!(
            format!("{record:?}") == truth.runs[killed].0,
            "the run would be carried on from something else than was committed"
        ),
    }
    refused
}

/// The same through the program.
fn refusals_of_program(store: &Path, truth: &Truth) -> usize {
    let store = store.display().to_string();
    let mut refused = 0;
    let mut heed = |output: &std::process::Output| {
        let said = String::from_utf8_lossy(&output.stderr);
        assert!(!said.contains("panicked"), "{}", told(output));
        assert!(
            output.status.code().is_some_and(|code| code != 101),
            "{}",
            told(output)
        );
        if output.status.success() {
            return true;
        }
        assert!(
            said.contains("nightbench: ") || !output.stdout.is_empty(),
            "{}",
            told(output)
        );
        refused += 1;
        false
    };
    for (id, truth) in &truth.exports {
        let output = export(id, &store);
        if heed(&output) {
            assert!(
                output.stdout == *truth,
                "run {id} is exported and is not what it was"
            );
        } else {
            assert!(output.stdout.is_empty(), "{}", told(&output));
        }
    }
    heed(&run(&["runs", "--store", &store]));
    heed(&run(&["store", "check", "--store", &store]));
    let (killed, whole) = &truth.killed;
    let output = run(&["resume", killed, "--store", &store, "--format", "json"]);
    if matches!(output.status.code(), Some(0 | 1 | 4)) {
        let exported = export(killed, &store);
        assert!(heed(&exported), "{}", told(&exported));
        assert!(
            exported.stdout == *whole,
            "carried on from what was not committed"
        );
    } else {
        heed(&output);
    }
    refused
}

/// One of these is tried through the program, too.
const THROUGH_PROGRAM: u32 = 10;

#[test]
fn damage_has_no_effect_or_is_found_named_and_refused() {
    let specimens = Specimens::new();
    let mut dice = Dice(ChaCha8Rng::seed_from_u64(seed()));
    let wanted = cases(100, 2000);
    let mut tally: BTreeMap<String, (u32, u32)> = BTreeMap::new();
    let mut tried = 0;
    while tried < wanted {
        let original = specimens
            .folder
            .path()
            .join(["log", "closed"][dice.below(2)]);
        let place = tempfile::tempdir().unwrap();
        let store = place.path().join("store");
        copy(&original, &store);
        let Some((kind, how)) = damage(&store, &mut dice) else {
            continue;
        };
        tried += 1;
        println!("case {tried}: {kind}, {how:.200}");
        let again = place.path().join("again");
        if tried % THROUGH_PROGRAM == 0 {
            copy(&store, &again);
        }
        let refused = std::thread::scope(|scope| {
            let (done, wait) = mpsc::channel();
            let (store, truth) = (&store, &specimens.truth);
            let reading = scope.spawn(move || {
                let refused = refusals(store, truth);
                let _ = done.send(());
                refused
            });
            // A thread that panics drops its end.
            if let Err(mpsc::RecvTimeoutError::Timeout) =
                wait.recv_timeout(Duration::from_secs(300))
            {
                // Its thread would be waited for.
                eprintln!("case {tried} hangs");
                std::process::abort();
            }
            reading.join().expect("what is read is right")
        });
        let counted = tally.entry(kind).or_default();
        if refused.is_empty() {
            counted.0 += 1;
        } else {
            counted.1 += 1;
        }
        if tried % THROUGH_PROGRAM == 0 {
            let by_program = refusals_of_program(&again, &specimens.truth);
            // It checks more: what only a new entry or a search would come upon.
            assert!(by_program > 0 || refused.is_empty(), "{refused:?}");
        }
    }
    for (kind, (none, refused)) in &tally {
        println!("{kind}: {none} without effect, {refused} refused");
    }
    let refused: u32 = tally.values().map(|(_, refused)| refused).sum();
    println!("{wanted} damages, {refused} refused");
    assert!(refused > wanted / 4, "the damages do nothing");
}
