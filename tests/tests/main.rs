//! End-to-end and published-reference checks, one binary.

mod any_recording; // measure: the order of channels
mod batches; // batch: many runs taken together, a study of the measurement, refusals
mod bench_files; // certificates of a rig, supplies that were on before the run
mod conformance; // what every adapter of a port must do, simulated or real
mod damaged; // a damaged run is refused; its sound part, store check, store copy
mod faults; // scripted faults of the simulator, seen through the whole program
mod fuzzed; // the targets of tests/fuzz on a stable compiler
mod hostile; // seeded: damage to a store; CI tries a part
mod instruments; // instruments that misbehave, through pseudo-terminals
mod interruption; // kill -9 at seeded moments, resume, byte-identical export
mod measuring; // measure: formats of files, deviations, hops, broken recordings
mod one_rig; // one run at a time on a real rig, whatever the environment says
mod read_only; // stores on read-only disks and in other users' folders
#[cfg(feature = "jack")]
mod real_ports; // real MIDI and audio ports through JACK, in real time
mod recordings; // import of recordings made elsewhere, and compare
mod requests; // remarks and stops from another terminal, around the end of the process
mod stores; // stores that go under a run, traps under their names, disks without a byte left
mod terminal; // what cannot be written to a terminal or a pipe ends no run
mod tones; // tones made by sox and csound, measured
mod usage; // exit codes, wrong files, machine-readable output
