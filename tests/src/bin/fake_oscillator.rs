//! A JACK client that stands in for two oscillators of exactly known, drifting
//! pitch: MIDI in on channels 1 and 2, sound out on the outputs 1 and 2, and a
//! counter of frames on output 3.
//!
//! The pitch of oscillator `k` (0, 1) in its block that begins with frame `n` is
//! the note that was sent (with its bend, under the range set by registered
//! parameter 0) and, on top, a drift of
//! `2 cents/min * t + 3 cents * sin(2 pi (t / 60 s + k / 4))`, `t = n / rate`. It
//! stays as it is within a block. Like a bare oscillator it sounds on when a note
//! ends. Its phase never jumps, so its true mean frequency over any stretch of
//! frames is the difference of the logged phases over the time between them.
//!
//! On standard output, a line per block: the first frame, the nanoseconds since
//! boot when the block was made, and for both oscillators the phase at the block's
//! beginning in cycles and the frequency. It ends when its standard input ends.
//!
//! Output 3 is `(frame mod 2^22) / 2^23`, exact in 32-bit floats.

use std::f64::consts::TAU;
use std::io::{Read, Write};
use std::sync::mpsc;

const OSCILLATORS: usize = 2;
/// The highest harmonic of the sound, and where it ends: far below half the rate.
const HARMONICS: usize = 12;
const HIGHEST_HZ: f64 = 20_000.0;

/// One oscillator, with what a MIDI-to-CV interface remembers for it.
struct Oscillator {
    note: f64,
    bend: f64,
    range_cents: f64,
    parameter: (u8, u8),
    /// In cycles; whole cycles are kept apart so that the fraction stays exact.
    cycles: u64,
    phase: f64,
}

impl Oscillator {
    const fn new() -> Self {
        Self {
            note: 60.0,
            bend: 0.0,
            range_cents: 200.0,
            parameter: (127, 127),
            cycles: 0,
            phase: 0.0,
        }
    }

    fn message(&mut self, kind: u8, one: u8, two: u8) {
        match (kind, one) {
            (0x90, note) if two > 0 => self.note = f64::from(note),
            (0xE0, low) => {
                let value = f64::from(u16::from(two) << 7 | u16::from(low));
                self.bend = (value - 8192.0) / 8192.0;
            }
            (0xB0, 101) => self.parameter.0 = two,
            (0xB0, 100) => self.parameter.1 = two,
            (0xB0, 6) if self.parameter == (0, 0) => {
                self.range_cents = self.range_cents % 100.0 + 100.0 * f64::from(two);
            }
            (0xB0, 38) if self.parameter == (0, 0) => {
                let semitones = (self.range_cents / 100.0).floor();
                self.range_cents = semitones * 100.0 + f64::from(two);
            }
            (0xB0, 121) => self.bend = 0.0,
            _ => {}
        }
    }

    fn frequency(&self, number: usize, seconds: f64) -> f64 {
        let drift =
            2.0 * seconds / 60.0 + 3.0 * (TAU * (seconds / 60.0 + number as f64 / 4.0)).sin();
        let cents = (self.note - 69.0) * 100.0 + self.bend * self.range_cents + drift;
        440.0 * (cents / 1200.0).exp2()
    }

    fn render(&mut self, frequency: f64, rate: f64, out: &mut [f32]) {
        let harmonics = ((HIGHEST_HZ / frequency) as usize).clamp(1, HARMONICS);
        let begin = self.phase;
        for (frame, sample) in out.iter_mut().enumerate() {
            let phase = begin + frame as f64 * frequency / rate;
            let sum: f64 = (1..=harmonics)
                .map(|harmonic| (TAU * phase * harmonic as f64).sin() / harmonic as f64)
                .sum();
            *sample = (0.25 * sum) as f32;
        }
        let end = begin + out.len() as f64 * frequency / rate;
        self.cycles += end.floor() as u64;
        self.phase = end.fract();
    }
}

/// A line of the log.
struct Block {
    frame: u64,
    boot_ns: i64,
    phases: [(u64, f64, f64); OSCILLATORS],
}

fn since_boot() -> i64 {
    let now = rustix::time::clock_gettime(rustix::time::ClockId::Boottime);
    now.tv_sec * 1_000_000_000 + now.tv_nsec
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let (client, _) = jack::Client::new("fake-oscillator", jack::ClientOptions::NO_START_SERVER)?;
    let rate = f64::from(client.sample_rate());
    let midi = client.register_port("midi", jack::MidiIn::default())?;
    let mut outputs = Vec::new();
    for number in 1..=OSCILLATORS + 1 {
        outputs.push(client.register_port(&format!("out_{number}"), jack::AudioOut::default())?);
    }
    let mut oscillators = [const { Oscillator::new() }; OSCILLATORS];
    let (sender, log) = mpsc::channel::<Block>();
    let mut frame = 0_u64;
    let process = move |_: &jack::Client, scope: &jack::ProcessScope| {
        let boot_ns = since_boot();
        // All events are at the beginning of a block.
        for event in midi.iter(scope) {
            let [status, one, two] = *event.bytes else {
                continue;
            };
            if let Some(oscillator) = oscillators.get_mut(usize::from(status & 0x0F)) {
                oscillator.message(status & 0xF0, one, two);
            }
        }
        let seconds = frame as f64 / rate;
        let mut phases = [(0, 0.0, 0.0); OSCILLATORS];
        for (number, oscillator) in oscillators.iter_mut().enumerate() {
            let frequency = oscillator.frequency(number, seconds);
            phases[number] = (oscillator.cycles, oscillator.phase, frequency);
            oscillator.render(frequency, rate, outputs[number].as_mut_slice(scope));
        }
        for (index, sample) in (frame..).zip(outputs[OSCILLATORS].as_mut_slice(scope)) {
            *sample = ((index % (1 << 22)) as f64 / f64::from(1 << 23)) as f32;
        }
        let _ = sender.send(Block {
            frame,
            boot_ns,
            phases,
        });
        frame += u64::from(scope.n_frames());
        jack::Control::Continue
    };
    let active = client.activate_async((), jack::contrib::ClosureProcessHandler::new(process))?;
    let printer = std::thread::spawn(move || -> std::io::Result<()> {
        let mut out = std::io::stdout().lock();
        for block in log {
            write!(out, "{} {}", block.frame, block.boot_ns)?;
            for (cycles, phase, frequency) in block.phases {
                write!(out, " {cycles} {phase:?} {frequency:?}")?;
            }
            writeln!(out)?;
        }
        out.flush()
    });
    let mut rest = Vec::new();
    std::io::stdin().read_to_end(&mut rest)?;
    active.deactivate()?;
    printer
        .join()
        .map_err(|_| "the log could not be written")??;
    Ok(())
}
