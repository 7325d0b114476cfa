//! What the fake oscillator played, frame by frame.

/// A block of its log.
struct Block {
    frame: u64,
    boot_ns: i64,
    /// Whole cycles, the fraction of a cycle, and hertz, of each oscillator.
    oscillators: [(u64, f64, f64); 2],
}

/// The log of a fake oscillator.
pub struct Truth {
    rate: f64,
    blocks: Vec<Block>,
}

impl Truth {
    pub fn read(log: &str, rate: f64) -> Self {
        let blocks = log
            .lines()
            .map(|line| {
                let words: Vec<&str> = line.split(' ').collect();
                let [frame, boot, a_cycles, a_phase, a_hz, b_cycles, b_phase, b_hz] = words[..]
                else {
                    panic!("not a line of the log: {line}");
                };
                let one = |cycles: &str, phase: &str, hz: &str| {
                    (
                        cycles.parse().unwrap(),
                        phase.parse().unwrap(),
                        hz.parse().unwrap(),
                    )
                };
                Block {
                    frame: frame.parse().unwrap(),
                    boot_ns: boot.parse().unwrap(),
                    oscillators: [one(a_cycles, a_phase, a_hz), one(b_cycles, b_phase, b_hz)],
                }
            })
            .collect();
        Self { rate, blocks }
    }

    fn block(&self, frame: u64) -> &Block {
        let after = self.blocks.partition_point(|block| block.frame <= frame);
        &self.blocks[after - 1]
    }

    /// The true mean frequency of an oscillator over the frames from one to another.
    pub fn mean_hz(&self, oscillator: usize, from: u64, to: u64) -> f64 {
        let (begin, end) = (self.block(from), self.block(to));
        let within = |block: &Block, frame: u64| {
            let (_, phase, hz) = block.oscillators[oscillator];
            phase + (frame - block.frame) as f64 * hz / self.rate
        };
        let whole = end.oscillators[oscillator].0 - begin.oscillators[oscillator].0;
        let cycles = whole as f64 + within(end, to) - within(begin, from);
        cycles * self.rate / (to - from) as f64
    }

    /// The frame that a host time falls on, going by when blocks were made.
    pub fn frame_at(&self, boot_ns: i64) -> u64 {
        let after = self
            .blocks
            .partition_point(|block| block.boot_ns <= boot_ns)
            .max(1);
        let block = &self.blocks[after - 1];
        let ahead = (boot_ns - block.boot_ns).max(0) as f64 * 1e-9 * self.rate;
        block.frame + (ahead as u64).min(1023)
    }

    /// Undoes the wrapping of the counter at 2^22, knowing about where it must be.
    pub fn unwrap_count(&self, count: u64, about: u64) -> u64 {
        let turn = 1_u64 << 22;
        let turns = (about as f64 - count as f64) / turn as f64;
        count + turn * turns.round().max(0.0) as u64
    }
}

/// How far a frequency is off, in cents.
pub fn cents(hz: f64, truth: f64) -> f64 {
    1200.0 * (hz / truth).log2()
}
