//! What an instrument hears, does, says, and does wrong.

use super::supply::Supply;
use std::collections::VecDeque;
use std::time::Duration;

/// What an instrument is.
#[derive(Debug, Clone)]
enum Kind {
    Supply(Supply),
    /// Answers `MEAS:TEMP?` with a temperature.
    Thermometer,
    /// Prints a temperature so often.
    Printer {
        every: Duration,
        next: Duration,
    },
}

/// When something goes wrong.
#[derive(Debug, Clone, PartialEq)]
pub enum Trigger {
    /// As a line is heard that begins like this.
    Told(&'static str),
    /// So long after the instrument was plugged in.
    At(Duration),
    /// So long after its output came on.
    OnFor(Duration),
}

/// What goes wrong.
#[derive(Debug, Clone, PartialEq)]
pub enum Fault {
    /// The line is lost: neither obeyed nor answered.
    Lost,
    /// It is obeyed and not answered.
    Mute,
    /// It is answered later.
    Late(Duration),
    /// It is answered with this line.
    Says(String),
    /// It is answered with this line, so much later.
    SaysLate(Duration, String),
    /// It is answered with these bytes, and nothing else.
    Bytes(Vec<u8>),
    /// It is answered twice.
    Twice,
    /// The first half of the answer comes, and nothing more.
    Half,
    /// An entry in the error queue.
    Reports(i32, &'static str),
    /// Something else hangs on the output, in ohms.
    Load(f64),
    /// The regulator breaks: the output delivers this voltage.
    Runaway(f64),
    /// The output goes off by itself.
    Trips,
    /// The temperature becomes this.
    Celsius(f64),
    /// It stands still for so long; what it is told meanwhile it does afterwards.
    Hangs(Duration),
    /// The connection is gone for so long. The output stays as it is.
    Unplugged(Duration),
    /// So many bytes come without an end of line.
    Floods(usize),
}

/// One thing that goes wrong.
#[derive(Debug, Clone)]
pub struct Rule {
    trigger: Trigger,
    fault: Fault,
    /// How often the trigger passes before this comes into force.
    skip: u32,
    /// How often it then happens.
    times: u32,
}

impl Rule {
    /// Something that goes wrong: each time a line is heard, or once at a time.
    #[must_use]
    pub const fn new(trigger: Trigger, fault: Fault) -> Self {
        let times = match trigger {
            Trigger::Told(_) => u32::MAX,
            Trigger::At(_) | Trigger::OnFor(_) => 1,
        };
        Self {
            trigger,
            fault,
            skip: 0,
            times,
        }
    }

    /// The trigger passes so often before.
    #[must_use]
    pub const fn after(mut self, skip: u32) -> Self {
        self.skip = skip;
        self
    }

    /// It happens so often, and then no more.
    #[must_use]
    pub const fn times(mut self, times: u32) -> Self {
        self.times = times;
        self
    }

    /// Whether it happens this time.
    const fn happens(&mut self) -> bool {
        if self.skip > 0 {
            self.skip -= 1;
            return false;
        }
        if self.times == 0 {
            return false;
        }
        self.times = self.times.saturating_sub(1);
        true
    }
}

/// What an instrument has seen.
#[derive(Debug, Clone, PartialEq)]
pub enum Happened {
    /// It heard a line, which it obeys unless something is wrong.
    Heard(String),
    /// It said something.
    Said(String),
    /// Something went wrong.
    Wrong(Fault),
    /// Its output came on, or went off.
    Output(bool),
}

/// What an instrument has seen, and when by its own clock.
#[derive(Debug, Clone, PartialEq)]
pub struct Logged {
    /// Since it was plugged in.
    pub at: Duration,
    /// What it has seen.
    pub what: Happened,
}

/// An instrument without a connection: bytes and times in, bytes out.
#[derive(Debug, Clone)]
pub struct Fake {
    kind: Kind,
    celsius: f64,
    rules: Vec<Rule>,
    echo: bool,
    end: &'static str,
    heard: Vec<u8>,
    /// Heard, and not yet obeyed.
    lines: VecDeque<String>,
    /// What it will say, and when.
    saying: VecDeque<(Duration, Vec<u8>)>,
    hangs_until: Duration,
    unplugged_until: Duration,
    on_since: Option<Duration>,
    log: Vec<Logged>,
}

impl Fake {
    fn new(kind: Kind) -> Self {
        Self {
            kind,
            celsius: 21.5,
            rules: Vec::new(),
            echo: false,
            end: "\r\n",
            heard: Vec::new(),
            lines: VecDeque::new(),
            saying: VecDeque::new(),
            hangs_until: Duration::ZERO,
            unplugged_until: Duration::ZERO,
            on_since: None,
            log: Vec::new(),
        }
    }

    /// A supply of one output.
    #[must_use]
    pub fn supply() -> Self {
        Self::new(Kind::Supply(Supply::default()))
    }

    /// A thermometer that is asked.
    #[must_use]
    pub fn thermometer() -> Self {
        Self::new(Kind::Thermometer)
    }

    /// A thermometer that prints a line so often.
    #[must_use]
    pub fn printer(every: Duration) -> Self {
        Self::new(Kind::Printer { every, next: every })
    }

    /// Something goes wrong. Of several rules for the same line the first counts.
    #[must_use]
    pub fn rule(mut self, rule: Rule) -> Self {
        self.rules.push(rule);
        self
    }

    /// Something goes wrong each time it hears a line that begins like this.
    #[must_use]
    pub fn when_told(self, beginning: &'static str, fault: Fault) -> Self {
        self.rule(Rule::new(Trigger::Told(beginning), fault))
    }

    /// It sends back what it hears.
    #[must_use]
    pub const fn with_echo(mut self) -> Self {
        self.echo = true;
        self
    }

    /// Its lines end like this; otherwise with CR LF, as is usual on serial lines.
    #[must_use]
    pub const fn with_line_end(mut self, end: &'static str) -> Self {
        self.end = end;
        self
    }

    /// What it has seen so far.
    #[must_use]
    pub fn log(&self) -> &[Logged] {
        &self.log
    }

    /// Whether it prints lines by itself.
    #[must_use]
    pub const fn prints(&self) -> bool {
        matches!(self.kind, Kind::Printer { .. })
    }

    /// Whether its output is on.
    #[must_use]
    pub const fn is_on(&self) -> bool {
        self.on_since.is_some()
    }

    /// Makes something go wrong now.
    pub fn suffer(&mut self, now: Duration, fault: Fault) {
        self.note(now, Happened::Wrong(fault.clone()));
        match fault {
            Fault::Hangs(long) => self.hangs_until = now.saturating_add(long),
            Fault::Unplugged(long) => {
                self.unplugged_until = now.saturating_add(long);
                self.saying.clear();
                self.heard.clear();
                self.lines.clear();
            }
            Fault::Celsius(celsius) => self.celsius = celsius,
            Fault::Floods(count) => self.say(now, vec![b'x'; count]),
            Fault::Says(line) => {
                let line = format!("{line}{}", self.end);
                self.say(now, line.into_bytes());
            }
            Fault::Bytes(bytes) => self.say(now, bytes),
            other => {
                if let Kind::Supply(supply) = &mut self.kind {
                    match other {
                        Fault::Load(ohms) => supply.load = ohms,
                        Fault::Runaway(volts) => supply.runaway = Some(volts),
                        Fault::Trips => supply.on = false,
                        Fault::Reports(code, text) => supply.report(code, text),
                        _ => {}
                    }
                }
            }
        }
        self.look_at_output(now);
    }

    /// Whether it is connected.
    #[must_use]
    pub fn is_plugged(&self, now: Duration) -> bool {
        now >= self.unplugged_until
    }

    /// Bytes come to it.
    pub fn hears(&mut self, now: Duration, bytes: &[u8]) {
        if !self.is_plugged(now) {
            return;
        }
        if self.echo {
            self.say(now, bytes.to_vec());
        }
        self.heard.extend_from_slice(bytes);
        while let Some(end) = self.heard.iter().position(|byte| *byte == b'\n') {
            let line: Vec<u8> = self.heard.drain(..=end).collect();
            let line = String::from_utf8_lossy(&line).trim().to_owned();
            if !line.is_empty() {
                self.note(now, Happened::Heard(line.clone()));
                self.lines.push_back(line);
            }
        }
        self.obey(now);
    }

    /// What it says by now.
    pub fn says(&mut self, now: Duration) -> Vec<u8> {
        self.suffer_in_time(now);
        self.obey(now);
        self.print(now);
        let mut said = Vec::new();
        while now >= self.hangs_until
            && let Some((due, _)) = self.saying.front()
            && *due <= now
            && let Some((_, bytes)) = self.saying.pop_front()
        {
            let text: String = String::from_utf8_lossy(&bytes).chars().take(80).collect();
            self.note(now, Happened::Said(text.trim_end().to_owned()));
            said.extend(bytes);
        }
        said
    }

    fn suffer_in_time(&mut self, now: Duration) {
        let on_since = self.on_since;
        let due: Vec<Fault> = self
            .rules
            .iter_mut()
            .filter_map(|rule| {
                let since = match rule.trigger {
                    Trigger::Told(_) => return None,
                    Trigger::At(at) => Some(at),
                    Trigger::OnFor(long) => on_since.map(|since| since + long),
                };
                (since.is_some_and(|since| now >= since) && rule.happens())
                    .then(|| rule.fault.clone())
            })
            .collect();
        for fault in due {
            self.suffer(now, fault);
        }
    }

    /// Obeys the lines that have come in.
    fn obey(&mut self, now: Duration) {
        while now >= self.hangs_until
            && let Some(line) = self.lines.pop_front()
        {
            self.told(now, &line);
        }
    }

    fn told(&mut self, now: Duration, line: &str) {
        let fault = self
            .rules
            .iter_mut()
            .filter(|rule| matches!(rule.trigger, Trigger::Told(start) if line.starts_with(start)))
            .find_map(|rule| rule.happens().then(|| rule.fault.clone()));
        let Some(fault) = fault else {
            if let Some(answer) = self.done(now, line) {
                self.answer(now, &answer);
            }
            return;
        };
        if fault == Fault::Lost {
            self.note(now, Happened::Wrong(fault));
            return;
        }
        let answer = self.done(now, line);
        match (fault, answer) {
            (Fault::Mute, _) => self.note(now, Happened::Wrong(Fault::Mute)),
            (Fault::Late(long), Some(answer)) => {
                self.note(now, Happened::Wrong(Fault::Late(long)));
                self.answer(now + long, &answer);
            }
            (Fault::Twice, Some(answer)) => {
                self.note(now, Happened::Wrong(Fault::Twice));
                self.answer(now, &answer);
                self.answer(now, &answer);
            }
            (Fault::Half, Some(answer)) => {
                self.note(now, Happened::Wrong(Fault::Half));
                let half = answer.len().div_ceil(2);
                self.say(now, answer.into_bytes().into_iter().take(half).collect());
            }
            (Fault::SaysLate(long, line), _) => {
                let fault = Fault::SaysLate(long, line.clone());
                self.note(now, Happened::Wrong(fault));
                self.answer(now + long, &line);
            }
            (fault @ (Fault::Says(_) | Fault::Bytes(_) | Fault::Floods(_)), _) => {
                self.suffer(now, fault);
            }
            (fault, answer) => {
                self.suffer(now, fault);
                if let Some(answer) = answer {
                    self.answer(now, &answer);
                }
            }
        }
    }

    /// Does what a line says, and gives the answer to it.
    fn done(&mut self, now: Duration, line: &str) -> Option<String> {
        let answer = match (&mut self.kind, line) {
            (Kind::Supply(supply), _) => supply.hear(line),
            (Kind::Thermometer, "*IDN?") => Some("Workshop,Thermometer 1,0,1.0".into()),
            (Kind::Thermometer, "MEAS:TEMP?") => Some(format!("{:+.8E}", self.celsius)),
            (Kind::Thermometer, "SYST:ERR?") => Some("0,\"No error\"".into()),
            (Kind::Thermometer | Kind::Printer { .. }, _) => None,
        };
        self.look_at_output(now);
        answer
    }

    fn print(&mut self, now: Duration) {
        let Kind::Printer { every, next } = &mut self.kind else {
            return;
        };
        if now < *next {
            return;
        }
        *next = now + *every;
        let line = format!("T={:.2} H=40", self.celsius);
        self.answer(now, &line);
    }

    fn answer(&mut self, due: Duration, text: &str) {
        self.say(due, format!("{text}{}", self.end).into_bytes());
    }

    /// Answers go out in the order of the questions.
    fn say(&mut self, due: Duration, bytes: Vec<u8>) {
        let last = self.saying.back().map_or(Duration::ZERO, |(due, _)| *due);
        self.saying.push_back((due.max(last), bytes));
    }

    fn look_at_output(&mut self, now: Duration) {
        let on = matches!(&self.kind, Kind::Supply(supply) if supply.on);
        if on == self.on_since.is_some() {
            return;
        }
        self.on_since = on.then_some(now);
        self.note(now, Happened::Output(on));
    }

    fn note(&mut self, at: Duration, what: Happened) {
        self.log.push(Logged { at, what });
    }
}
