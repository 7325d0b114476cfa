//! The whole program with a supply on a pseudo-terminal: signals at every moment, and a
//! short circuit. What the supply itself saw is looked at.

use super::server::{FakeOscillator, Server};
use rustix::process::{Pid, Signal, kill_process};
use std::path::PathBuf;
use std::process::{Output, Stdio};
use std::time::Duration;
use tempfile::TempDir;
use tests::hostile::cases;
use tests::instruments::{Fake, Fault, Happened, Plugged, Rule, Trigger};
use tests::program::{nightbench_with_jack, repository, told};

const PLAN: &str = "nightbench: plan 1
title: A supply that is switched
reference: C4
listen:
  settle: {fixed: 100 ms}
  window: {fixed: 200 ms}
stages:
  - power_on
  - rounds: {name: notes, notes: {list: [C4, C5]}, every: 2 s, for: 60 s}
";

/// A folder with plan, rig and store.
struct Bench<'s> {
    server: &'s Server,
    folder: TempDir,
    supply: Plugged,
}

impl<'s> Bench<'s> {
    fn new(server: &'s Server, supply: Fake) -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        let supply = Plugged::new(supply);
        let rig = std::fs::read_to_string(repository().join("rigs/jack.yaml")).expect("the rig");
        let instruments = format!(
            "    instruments:\n      bench: {{scpi: {{port: {}, baud: 9600, role: supply}}}}\n",
            supply.port()
        );
        let supplies = "supplies:\n  rack: {by: {instrument: bench}, voltage: 12 V, current_limit: 500 mA}\n\n";
        let rig = rig
            .replace(
                "\npositions:\n",
                &format!("{instruments}\n{supplies}positions:\n"),
            )
            .replace("    input: ", "    supply: rack\n    input: ");
        std::fs::write(folder.path().join("rig.yaml"), rig).expect("the rig is written");
        std::fs::write(folder.path().join("plan.yaml"), PLAN).expect("the plan is written");
        Self {
            server,
            folder,
            supply,
        }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn command(&self, arguments: &[&str]) -> std::process::Command {
        let mut command = self.server.command(nightbench_with_jack());
        command
            .args(arguments)
            .arg("--store")
            .arg(self.path("store"))
            .env("XDG_RUNTIME_DIR", self.folder.path())
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped());
        command
    }

    /// Runs the plan; as soon as the supply has seen this, the program gets a signal.
    fn run(&self, signal: Option<(Signal, usize)>) -> Output {
        let (plan, rig) = (self.path("plan.yaml"), self.path("rig.yaml"));
        let mut command = self.command(&["run"]);
        command.arg(&plan).arg("--rig").arg(&rig).args([
            "--unit",
            "left=L-1",
            "--unit",
            "right=R-2",
        ]);
        let child = command.spawn().expect("the program starts");
        if let Some((signal, lines)) = signal {
            let heard = |fake: &Fake| {
                let heard = |what: &Happened| matches!(what, Happened::Heard(_));
                fake.log()
                    .iter()
                    .filter(|logged| heard(&logged.what))
                    .count()
                    >= lines
            };
            assert!(
                self.supply.until(heard),
                "the supply never heard {lines} lines"
            );
            let _ = kill_process(Pid::from_child(&child), signal);
        }
        child.wait_with_output().expect("it ends")
    }

    /// The events of its one run: kind, and whether it belongs to a stage.
    fn events(&self) -> Vec<(String, bool)> {
        let runs = self
            .command(&["runs", "--format", "json"])
            .output()
            .expect("it lists runs");
        let Ok(run) = serde_json::from_slice::<serde_json::Value>(&runs.stdout) else {
            return Vec::new();
        };
        let id = run["run"].as_str().expect("an identifier");
        let export = self
            .command(&["export", id, "--format", "json"])
            .output()
            .expect("it exports");
        let export: serde_json::Value =
            serde_json::from_slice(&export.stdout).unwrap_or_else(|_| panic!("{}", told(&export)));
        let events = export["events"].as_array().expect("events");
        events
            .iter()
            .map(|event| {
                let kind = event["kind"].as_str().expect("a kind").to_owned();
                (kind, !event["stage"].is_null())
            })
            .collect()
    }
}

/// Wherever a run is ended by a signal: a supply that the checks before it switched on, or
/// that was just being switched, is off. What the plan has switched on stays on.
#[test]
fn a_signal_at_any_moment_leaves_a_supply_on_only_for_the_plan() {
    if !super::possible() {
        return;
    }
    let server = Server::start();
    let oscillator = FakeOscillator::start(&server);
    let (mut left_on, mut switched_off) = (0, 0);
    let count = cases(4, 40) as usize;
    for case in 0..count {
        let mut kept = None;
        super::in_real_time(|| {
            kept = None;
            let bench = Bench::new(&server, Fake::supply());
            // From the first line that it hears to the middle of the notes.
            let lines = 6 + case * 80 / count;
            let signal = if case % 2 == 0 {
                Signal::INT
            } else {
                Signal::TERM
            };
            let output = bench.run(Some((signal, lines)));
            let said = format!("after {lines} lines: {}", told(&output));
            if super::is_late(&said) {
                return Err(said);
            }
            assert_eq!(output.status.code(), Some(3), "{said}");
            kept = Some((bench, said));
            Ok(())
        });
        let Some((bench, said)) = kept else { return };
        let events = bench.events();
        let last = events
            .iter()
            .rev()
            .find(|(kind, _)| kind.starts_with("power_"));
        let for_the_plan = last.is_some_and(|(kind, staged)| kind == "power_on" && *staged);
        assert_eq!(
            bench.supply.is_on(),
            for_the_plan,
            "{said}\n{events:?}\n{:?}",
            bench.supply.heard()
        );
        if for_the_plan {
            left_on += 1;
        } else {
            switched_off += 1;
        }
    }
    drop(oscillator);
    eprintln!("{switched_off} times off, {left_on} times left on for the plan");
    assert!(left_on > 0 && switched_off > 0, "{switched_off}, {left_on}");
}

#[test]
fn a_short_circuit_ends_a_run_of_the_whole_program_with_off() {
    if !super::possible() {
        return;
    }
    let server = Server::start();
    let oscillator = FakeOscillator::start(&server);
    let mut kept = None;
    super::in_real_time(|| {
        kept = None;
        // On for good it is only after the checks, which take longer than a second.
        let short = Rule::new(Trigger::OnFor(Duration::from_secs(1)), Fault::Load(0.5));
        let bench = Bench::new(&server, Fake::supply().rule(short));
        let output = bench.run(None);
        let said = told(&output);
        if super::is_late(&said) {
            return Err(said);
        }
        assert_eq!(output.status.code(), Some(3), "{said}");
        kept = Some((bench, said));
        Ok(())
    });
    let Some((bench, said)) = kept else { return };
    assert!(said.contains("instead of 12 V"), "{said}");
    assert!(!bench.supply.is_on(), "{said}");
    let log = bench.supply.log();
    let at = |what: fn(&Happened) -> bool| {
        log.iter()
            .find(|logged| what(&logged.what))
            .map(|logged| logged.at)
    };
    let fault = at(|what| matches!(what, Happened::Wrong(_))).expect("a short circuit");
    let off = at(|what| *what == Happened::Heard("OUTP OFF".into())).expect("off");
    eprintln!(
        "off {:.2?} after the short circuit",
        off.saturating_sub(fault)
    );
    let events = bench.events();
    assert!(
        events.iter().any(|(kind, _)| kind == "tripped"),
        "{events:?}"
    );
    drop(oscillator);
}
