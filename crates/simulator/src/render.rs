//! From what an input hears to its samples.

use crate::logs::{Heard, Logs};
use crate::noise::Normal;
use crate::oscillator::GRID;
use crate::waveform::{Nodes, sine};
use crate::world::World;
use std::ops::Range;

/// Frames drawn at once, on a grid that never moves: so that a sample does not
/// depend, not even in its last bit, on the span in which it is asked for.
const AT_ONCE: u64 = 2048;

/// A stretch of frames over which an input hears the same.
#[derive(Debug, Clone)]
pub struct Piece {
    frames: Range<u64>,
    heard: Heard,
}

/// The time of a frame, in nanoseconds of the run.
#[must_use]
pub fn time_of(frame: u64, rate: f64) -> i64 {
    (frame as f64 / rate * 1e9).round() as i64
}

/// The first frame at or after a time.
#[must_use]
pub fn frame_at(nanoseconds: i64, rate: f64) -> u64 {
    (nanoseconds as f64 * 1e-9 * rate - 1e-3).ceil().max(0.0) as u64
}

/// What each input hears over a span of frames.
#[must_use]
pub fn pieces(world: &World, logs: &Logs, frames: &Range<u64>) -> Vec<Vec<Piece>> {
    let rate = world.rate();
    let begin = time_of(frames.start, rate);
    // Every piece begins at the first frame after a turn; several turns may fall
    // between two frames.
    let mut starts = vec![(frames.start, begin)];
    for turn in logs.turns(world, begin, time_of(frames.end, rate)) {
        let frame = frame_at(turn, rate);
        if frame >= frames.end {
            break;
        }
        if starts.last().is_some_and(|(last, _)| *last == frame) {
            starts.pop();
        }
        starts.push((frame, turn.max(begin)));
    }
    world
        .places
        .iter()
        .map(|place| {
            starts
                .iter()
                .enumerate()
                .map(|(at, (start, time))| Piece {
                    frames: *start..starts.get(at + 1).map_or(frames.end, |(next, _)| *next),
                    heard: logs.heard(world, place.id.as_str(), *time),
                })
                .collect()
        })
        .collect()
}

/// Draws the samples of one input over `frames`.
pub fn draw(
    world: &World,
    place: usize,
    pieces: &[Piece],
    frames: &Range<u64>,
    out: &mut Vec<f32>,
) {
    out.clear();
    out.resize((frames.end - frames.start) as usize, 0.0);
    for piece in pieces {
        let range = (piece.frames.start - frames.start) as usize
            ..(piece.frames.end - frames.start) as usize;
        let samples = &mut out[range];
        if piece.heard.dead {
            continue;
        }
        sound(world, piece, samples);
        let gain = world.input.gain.get() * piece.heard.gain;
        finish(world, place, piece, gain, samples);
    }
}

fn sound(world: &World, piece: &Piece, samples: &mut [f32]) {
    let Some(sound) = &piece.heard.sound else {
        return;
    };
    let unit = &world.places[sound.unit];
    let oscillator = &world.places[sound.phase_of].oscillator;
    let rate = world.rate();
    let effect = world.clock_effect();
    let mut drawn = vec![0.0; AT_ONCE as usize];
    let mut first = piece.frames.start / AT_ONCE * AT_ONCE;
    while first < piece.frames.end {
        let (from, to) = Nodes::needed(first, AT_ONCE as usize, rate, GRID);
        let (whole, mut phases) = oscillator.phases(&sound.stretch, &sound.held, from, to);
        if effect != 0.0 {
            let cycles = whole * effect;
            let begin = cycles - cycles.floor();
            for phase in &mut phases {
                *phase = begin + *phase * (1.0 + effect);
            }
        }
        let nodes = Nodes {
            first: from,
            per_second: GRID,
            phases: &phases,
        };
        unit.wave.draw(&mut drawn, first, rate, &nodes, unit.size);
        let begin = first.max(piece.frames.start);
        let end = (first + AT_ONCE).min(piece.frames.end);
        samples[(begin - piece.frames.start) as usize..(end - piece.frames.start) as usize]
            .copy_from_slice(&drawn[(begin - first) as usize..(end - first) as usize]);
        first += AT_ONCE;
    }
    if unit.swell != 0.0 || unit.hum != 0.0 {
        for (at, sample) in samples.iter_mut().enumerate() {
            let turns =
                (piece.frames.start + at as u64) as f64 * (world.mains * (1.0 + effect) / rate);
            let lines: f64 = HUM_LINES
                .iter()
                .map(|(line, size)| size * sine(line * turns))
                .sum();
            let hum = unit.hum * lines * HUM_SCALE;
            *sample = (f64::from(*sample) * (1.0 + unit.swell * sine(turns)) + hum) as f32;
        }
    }
}

/// Hum as rectifiers make it: the mains and its second and third harmonic, and how large
/// each is beside the first.
pub const HUM_LINES: [(f64, f64); 3] = [(1.0, 1.0), (2.0, 0.5), (3.0, 0.25)];
/// Makes the rms of the three lines of hum one: sqrt(2 / (1 + 1/4 + 1/16)).
pub const HUM_SCALE: f64 = 1.234_426_799_696_716;

/// The input itself: gain, noise, steps, full scale.
fn finish(world: &World, place: usize, piece: &Piece, gain: f64, samples: &mut [f32]) {
    let source = world.places[place].noise;
    let noise = libm::pow(10.0, world.input.noise.get() / 20.0) as f32;
    let normal = Normal::table();
    let gain = gain as f32;
    let bits = world.input.bits.clamp(8, 32);
    // Beyond 24 bits a sample of single precision has no finer steps to lose.
    let scale = libm::ldexp(1.0, i32::from(bits.min(24)) - 1) as f32;
    let top = 1.0 - 1.0 / scale;
    for (at, sample) in samples.iter_mut().enumerate() {
        let bits = source.bits(piece.frames.start + at as u64);
        let value = *sample * gain + noise * normal.value_f32(bits);
        *sample = (nearest(value * scale) / scale).clamp(-1.0, top);
    }
}

/// The nearest whole number, ties to even, of less than 2^51: where the difference between
/// neighbours is one, adding rounds. Not every processor has an instruction for it.
#[inline]
fn nearest(value: f32) -> f32 {
    const UNITS: f64 = 6_755_399_441_055_744.0; // 1.5 * 2^52
    ((f64::from(value) + UNITS) - UNITS) as f32
}
