//! Scripted faults, and whether what is found of each is what happened.

use crate::scripted::{Dice, Shelf, Timetable, WINDOW, bay, run};
use model::incident::{Incident, IncidentKind, Whose};
use model::pitch::Note;
use model::quantity::{Cents, Hertz, Level};
use model::record::{Flag, PositionId, Reading, State};
use model::time::RunTime;

/// What is done to a shelf. Where one unit has it, which one follows from the seed, as do
/// when and for how long; cents are either way.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Fault {
    /// A loose contact.
    Contact(f64),
    /// The same, at the first note of a round and over within seconds.
    Moment(f64),
    /// Off for good.
    Jump(f64),
    /// One note of the unit.
    OneNote(f64),
    /// Contacts of two units at the same time, or of all.
    Two(f64),
    All(f64),
    Silent,
    /// Nothing but hum at the mains' harmonics.
    HumAlone,
    Dead,
    Clips,
    NotPlayed,
    /// Two units.
    Locked,
    /// The supply of all, for less than a second, or down to a quarter for minutes.
    Dip,
    Outage,
    /// The audio input.
    Away,
}

pub fn faults() -> Vec<Fault> {
    let sizes = [4.0, 8.0, 15.0, 40.0];
    let of = |kind: fn(f64) -> Fault| sizes.into_iter().map(kind);
    of(Fault::Contact)
        .chain(of(Fault::Moment))
        .chain(of(Fault::Jump))
        .chain(of(Fault::OneNote))
        .chain(of(Fault::Two))
        .chain(of(Fault::All))
        .chain([
            Fault::Silent,
            Fault::HumAlone,
            Fault::Dead,
            Fault::Clips,
            Fault::NotPlayed,
            Fault::Locked,
            Fault::Dip,
            Fault::Outage,
            Fault::Away,
        ])
        .collect()
}

impl Fault {
    pub const fn size(self) -> Option<f64> {
        match self {
            Self::Contact(cents)
            | Self::Moment(cents)
            | Self::Jump(cents)
            | Self::OneNote(cents)
            | Self::Two(cents)
            | Self::All(cents) => Some(cents),
            _ => None,
        }
    }

    const fn kind(self) -> IncidentKind {
        match self {
            Self::Contact(_) | Self::Moment(_) | Self::OneNote(_) | Self::Two(_) | Self::All(_) => {
                IncidentKind::Departure
            }
            Self::Jump(_) => IncidentKind::Step,
            Self::Silent | Self::HumAlone => IncidentKind::Silent,
            Self::Dead => IncidentKind::InputDead,
            Self::Clips => IncidentKind::Clipped,
            Self::NotPlayed => IncidentKind::NotPlayed,
            Self::Locked => IncidentKind::Locked,
            Self::Dip | Self::Outage => IncidentKind::SupplyLow,
            Self::Away => IncidentKind::CaptureLost,
        }
    }

    fn having(self, faulty: usize) -> Vec<PositionId> {
        match self {
            Self::All(_) | Self::Dip | Self::Outage | Self::Away => (1..=4).map(bay).collect(),
            Self::Two(_) | Self::Locked => {
                let mut both = vec![bay(faulty), bay(faulty % 4 + 1)];
                both.sort();
                both
            }
            _ => vec![bay(faulty)],
        }
    }

    fn whose(self, having: &[PositionId]) -> Whose {
        match self {
            Self::Dead => Whose::Rig,
            // Either too loud or too much gain; sent no note or deaf to it.
            Self::Clips | Self::NotPlayed => Whose::CannotTell,
            _ if having.len() == 4 => Whose::Rig,
            _ if having.len() > 1 => Whose::SharedBy(having.to_vec()),
            _ => Whose::Unit,
        }
    }

    fn script(self, names: &str, cents: f64, from: f64, lasts: f64) -> String {
        let when = format!("from: {from} s, for: {lasts} s");
        match self {
            Self::Contact(_) | Self::Moment(_) | Self::Jump(_) | Self::Two(_) | Self::All(_) => {
                format!("[loose_contact: {{positions: [{names}], by: {cents} cents, {when}}}]")
            }
            Self::OneNote(_) | Self::HumAlone => "[]".to_owned(),
            Self::Silent => format!("[unit_silent: {{positions: [{names}], {when}}}]"),
            Self::Dead => format!("[input_dead: {{positions: [{names}], {when}}}]"),
            Self::Clips => format!("[input_clips: {{positions: [{names}], gain: 500 %, {when}}}]"),
            Self::NotPlayed => format!("[note_not_played: {{positions: [{names}], {when}}}]"),
            Self::Locked => {
                format!("[locked: {{positions: [{names}], within: 200 cents, {when}}}]")
            }
            Self::Dip => {
                format!("[supply_dips: {{supply: rack, to: 9 V, from: {from} s, for: 0.3 s}}]")
            }
            Self::Outage => format!("[supply_dips: {{supply: rack, to: 3 V, {when}}}]"),
            Self::Away => format!("[capture_dies: {{{when}}}]"),
        }
    }

    /// What no script of the simulator does, done to the readings.
    fn edit(self, reading: &mut Reading, cents: f64, random: f64) {
        let measured = &mut reading.measured;
        match self {
            Self::OneNote(_) if reading.asked == Note::from_number(48).pitch() => {
                let moved = |frequency: Hertz| frequency.shifted(Cents::of(cents));
                measured.frequency = measured.frequency.map(moved);
            }
            Self::HumAlone => {
                let line = [50.0, 100.0, 150.0][(random * 3.0) as usize];
                measured.state = if random < 0.5 {
                    State::NotPlayed
                } else {
                    State::Ok
                };
                measured.frequency = Some(Hertz::of(line * (1.0 + 0.001 * random)));
                measured.flags.insert(Flag::WrongInterval);
                measured.level = Some(Level::of(-70.0));
            }
            _ => {}
        }
    }
}

/// What was done.
struct Done {
    fault: Fault,
    having: Vec<PositionId>,
    cents: f64,
    from: f64,
    until: f64,
}

/// Does it, and says what of it is not as it should be.
pub fn judge(fault: Fault, seed: u64, table: Timetable) -> Result<(), String> {
    let mut dice = Dice::of(seed ^ 0x5eed);
    let faulty = 1 + (seed % 4) as usize;
    let end: f64 = table
        .stages
        .iter()
        .map(|(every, rounds)| every * f64::from(*rounds))
        .sum();
    let lasts = match fault {
        Fault::Jump(_) => 1e6,
        Fault::Moment(_) => 5.0,
        _ => dice.between(300.0, 4000.0),
    };
    // While the unit warms up by tens of cents in minutes little else can be told.
    let from = if matches!(fault, Fault::Moment(_)) {
        // Some four minutes before a round ends, so that its notes fall inside.
        let (every, _) = table.stages[table.stages.len() - 1];
        end - every * (dice.between(3.0, 30.0).floor()) + 60.0 + 1.0
    } else {
        dice.between(2400.0, end - 4800.0)
    };
    let cents = fault
        .size()
        .unwrap_or_default()
        .copysign(dice.between(-1.0, 1.0));
    let having = fault.having(faulty);
    let names: Vec<&str> = having.iter().map(PositionId::as_str).collect();
    let script = fault.script(&names.join(", "), cents, from, lasts);
    let mut shelf = run(seed, table, &script, [1, 2, 3, 4]);
    let until = from + lasts;
    let inside = |reading: &&mut Reading| (from..until).contains(&reading.at.seconds());
    for reading in shelf.record.readings.iter_mut().filter(inside) {
        if reading.key.position == having[0] {
            fault.edit(reading, cents, dice.uniform());
        }
    }
    let done = Done {
        fault,
        having,
        cents,
        from,
        until,
    };
    done.judge(&shelf)
}

impl Done {
    fn judge(&self, shelf: &Shelf) -> Result<(), String> {
        let all = analysis::incidents(&shelf.plan, &shelf.rig, &shelf.record);
        let reported = matches!(self.fault, Fault::Dip | Fault::Outage | Fault::Away);
        let inside = shelf.record.readings.iter().any(|reading| {
            let at = reading.at.seconds();
            let counts = !matches!(self.fault, Fault::OneNote(_))
                || reading.asked == Note::from_number(48).pitch();
            counts && self.from < at && at + WINDOW < self.until
        });
        for position in (1..=4).map(bay) {
            let own: Vec<&Incident> = all
                .iter()
                .filter(|one| one.id.position == position)
                .collect();
            let expected = self.having.contains(&position) && (inside || reported);
            match own[..] {
                [] if !expected => {}
                [one] if expected => self.holds(one)?,
                _ => return Err(format!("{position} of {:?}: {own:?}", self.having)),
            }
        }
        Ok(())
    }

    fn holds(&self, one: &Incident) -> Result<(), String> {
        let told = |why: &str| {
            Err(format!(
                "{why}: {} cents, {} to {}, {one:?}",
                self.cents, self.from, self.until
            ))
        };
        if one.kind != self.fault.kind() {
            return told("kind");
        }
        if one.whose != self.fault.whose(&self.having) {
            return told("whose");
        }
        // An edge within a window may have that window on either side.
        let early = |at: RunTime| at.seconds() <= self.from + WINDOW;
        let begins =
            one.from.good.is_none_or(early) && self.from <= one.from.bad.seconds() + WINDOW;
        if !begins {
            return told("beginning");
        }
        let ends = match one.until {
            _ if self.fault == Fault::Outage => true,
            None => matches!(self.fault, Fault::Jump(_)),
            Some(until) => {
                until.bad.seconds() <= self.until + WINDOW
                    && until
                        .good
                        .is_some_and(|good| self.until <= good.seconds() + WINDOW)
            }
        };
        let brief = matches!(self.fault, Fault::Dip);
        if !(ends || brief) {
            return told("end");
        }
        if self.fault.size().is_some() {
            let Some(size) = one.size else {
                return told("no size");
            };
            if (size.cents - self.cents).abs() > 3.5 * size.u {
                return told("size");
            }
        }
        Ok(())
    }
}
