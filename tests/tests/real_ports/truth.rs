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
                let [
                    frame,
                    boot,
                    a_cycles,
                    a_phase,
                    a_hz,
                    b_cycles,
                    b_phase,
                    b_hz,
                ] = words[..]
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

    /// The frames that the log goes from and to.
    pub fn frames(&self) -> (u64, u64) {
        let at = |block: Option<&Block>| block.map_or(0, |block| block.frame);
        (at(self.blocks.first()), at(self.blocks.last()))
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

    /// The host time at which a run began whose notes were sent at these times
    /// (in seconds since then): the time that makes the most of them fall on
    /// changes of the oscillator's pitch. JACK hands notes on at the beginning of
    /// a block, up to two blocks of 21 ms after they were sent. `None` if fewer than half do.
    pub fn origin_of(&self, sent_s: &[f64]) -> Option<i64> {
        let changes: Vec<i64> = self
            .blocks
            .windows(2)
            .filter(|pair| {
                let interval = pair[1].oscillators[0].2 / pair[0].oscillators[0].2;
                (1200.0 * interval.log2()).abs() > 10.0
            })
            .map(|pair| pair[1].boot_ns)
            .collect();
        let mut origins: Vec<i64> = changes
            .iter()
            .flat_map(|change| sent_s.iter().map(move |sent| change - (sent * 1e9) as i64))
            .collect();
        origins.sort_unstable();
        // The tightest heap of candidates: one from each change.
        let near = |origin: i64| {
            let end = origins.partition_point(|other| *other <= origin + 50_000_000);
            let begin = origins.partition_point(|other| *other < origin);
            &origins[begin..end]
        };
        let heap = origins
            .iter()
            .map(|origin| near(*origin))
            .max_by_key(|heap| heap.len())
            .expect("the oscillator's pitch changed");
        // Half of the 0 to 2 blocks that a note takes.
        (2 * heap.len() > sent_s.len()).then(|| heap[heap.len() / 2] - 16_000_000)
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
