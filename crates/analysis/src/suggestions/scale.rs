//! Scale errors of units beside each other: which of them the rig is likely to make.

use super::portrait::Portrait;
use crate::statistics::median;
use model::document::rig::Rig;
use model::record::PositionId;
use model::result::{Doubt, Seen, Suggestion, SuggestionKind as Kind, Uncertain};

/// Less than this is no scale error of the interface to speak of, cents per octave.
const LEAST_SCALE: f64 = 2.0;
/// No scale trimmer and no interface of the right law is off by this, cents per octave.
const OTHER_LAW: f64 = 60.0;
/// Nor is a unit that follows volts per octave so far off any smooth law, cents.
const OTHER_CURVE: f64 = 40.0;

/// What is known of the rig before a unit is looked at.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Common {
    /// The scale error that it is likely to have from the rig, cents per octave.
    pub(super) scale: f64,
    /// Whether its scale error can be held against other units, so that the rig's own gain
    /// is out of it.
    pub(super) compared: bool,
    /// Whether unit and rig may both have made it, and nothing tells which.
    pub(super) open: bool,
    /// Root mean square of the steps of the control source, where there are any: they bend
    /// any fit.
    pub(super) steps: f64,
}

fn scale_of(unit: &Portrait) -> Option<Uncertain> {
    Some(unit.law.as_ref()?.scale)
}

/// So near to each other scale errors are alike.
fn near(typical: f64) -> f64 {
    (0.3 * typical.abs()).max(0.7)
}

/// The control voltage of each unit: sender and channel.
fn output<'a>(rig: &'a Rig, unit: &Portrait) -> Option<(&'a str, u8)> {
    let position = rig.positions.get(unit.position.as_str())?;
    Some((&position.cv.sender, position.cv.channel))
}

/// Of these units those that hang on one control voltage, most of them first.
fn outputs<'a>(rig: &Rig, units: &[&'a Portrait]) -> Vec<Vec<&'a Portrait>> {
    let mut groups: Vec<Vec<&Portrait>> = Vec::new();
    for unit in units {
        let group = groups
            .iter_mut()
            .find(|group| output(rig, group[0]) == output(rig, unit));
        match group {
            Some(group) => group.push(unit),
            None => groups.push(vec![unit]),
        }
    }
    groups.sort_by_key(|group| std::cmp::Reverse(group.len()));
    groups
}

/// Units that turn voltage into pitch by another law: they are taken out, as no other cause
/// can be told from that.
pub(super) fn other_law(rig: &Rig, portraits: &mut Vec<Portrait>) -> Vec<Suggestion> {
    let scales: Vec<f64> = portraits
        .iter()
        .filter_map(scale_of)
        .map(|b| b.value)
        .collect();
    let offs = |unit: &Portrait| unit.law.as_ref().map_or(0.0, |law| law.off);
    let typical = match scales.len() {
        0 | 1 => 0.0,
        _ => median(&scales),
    };
    let loaded = |unit: &Portrait| {
        let on_it = portraits
            .iter()
            .filter(|other| output(rig, other) == output(rig, unit));
        on_it.count() >= 2 && typical < 0.0
    };
    let others_off = portraits
        .iter()
        .filter(|unit| offs(unit) > OTHER_CURVE)
        .count();
    let is_other = |unit: &Portrait| {
        let Some(scale) = scale_of(unit) else {
            return false;
        };
        let beside = if loaded(unit) { typical } else { 0.0 };
        (scale.value - beside).abs() > OTHER_LAW.max(4.0 * scale.u)
            || (offs(unit) > OTHER_CURVE && others_off * 2 < portraits.len().max(2))
    };
    let is_other: Vec<bool> = portraits.iter().map(is_other).collect();
    let mut found = Vec::new();
    let mut places = is_other.iter();
    portraits.retain(|unit| {
        let other = places.next().is_some_and(|other| *other);
        if other {
            found.push(said_of(unit));
        }
        !other
    });
    found
}

fn said_of(unit: &Portrait) -> Suggestion {
    let error = scale_of(unit).unwrap_or_default();
    unit.suggestion(
        Kind::OtherLaw,
        error.value.abs() * unit.span / 2.0,
        Seen::Scale {
            error,
            beside_others: false,
            moved: None,
        },
    )
}

/// The scale errors that units share, and what is left for each to be blamed for.
pub(super) fn shared(
    rig: &Rig,
    portraits: &[Portrait],
    steps: f64,
) -> (Vec<Suggestion>, Vec<Common>) {
    let blank = Common {
        steps,
        ..Common::default()
    };
    let mut commons = vec![blank; portraits.len()];
    let known: Vec<&Portrait> = portraits
        .iter()
        .filter(|unit| scale_of(unit).is_some())
        .collect();
    let mut found = Vec::new();
    if known.len() < 2 {
        return (found, commons);
    }
    let all = Group::of(&known);
    if let Some(error) = all.shared() {
        found.push(all.suggestion(rig, error));
        for common in &mut commons {
            (common.scale, common.compared) = (error.value, true);
        }
        return (found, commons);
    }
    let mut loading = 0.0_f64;
    for members in outputs(rig, &known) {
        let is_member = |unit: &Portrait| members.iter().any(|one| one.position == unit.position);
        let others = known.iter().copied().filter(|unit| !is_member(unit));
        let others: Vec<&Portrait> = others.collect();
        let group = Group::of(&members);
        if members.len() < 2 || others.is_empty() || !group.is_narrower_than(&others) {
            continue;
        }
        let error = group.uncertain();
        found.push(group.suggestion(rig, error));
        loading = loading.max(error.value.abs());
        for (unit, common) in portraits.iter().zip(&mut commons) {
            if is_member(unit) {
                (common.scale, common.compared) = (error.value, true);
            }
        }
    }
    for (unit, common) in portraits.iter().zip(&mut commons) {
        if let Some(own) = scale_of(unit).filter(|_| common.scale == 0.0) {
            common.compared = true;
            // An output that loads loads each input a little.
            common.open = (own.value < 0.0 && -own.value < loading)
                || others_have(rig, &known, unit, own.value);
        }
    }
    (found, commons)
}

/// Whether all others have a part of a scale error, too: then the rig may have made it. What
/// an output loses into several inputs all of these have.
fn others_have(rig: &Rig, known: &[&Portrait], unit: &Portrait, own: f64) -> bool {
    let others = known.iter().filter(|other| other.position != unit.position);
    let on_it = |other: &Portrait| output(rig, other) == output(rig, unit);
    let narrow = own < 0.0 && others.clone().any(|other| on_it(other));
    let rivals = others.filter(|other| !narrow || on_it(other));
    let parts = rivals.filter_map(|other| Some(scale_of(other)?.value * own.signum()));
    parts.fold(f64::INFINITY, f64::min) > (own.abs() / 4.0).max(0.5)
}

/// Units whose scale errors are held against each other.
struct Group<'a> {
    units: &'a [&'a Portrait],
    typical: f64,
    apart: f64,
    alike: Vec<&'a Portrait>,
}

impl<'a> Group<'a> {
    fn of(units: &'a [&'a Portrait]) -> Self {
        let scales: Vec<f64> = units
            .iter()
            .filter_map(|unit| scale_of(unit))
            .map(|b| b.value)
            .collect();
        let typical = median(&scales);
        let apart: Vec<f64> = scales.iter().map(|b| (b - typical).abs()).collect();
        let alike = units.iter().copied().filter(|unit| {
            scale_of(unit).is_some_and(|b| (b.value - typical).abs() <= near(typical))
        });
        Self {
            units,
            typical,
            apart: median(&apart),
            alike: alike.collect(),
        }
    }

    fn uncertain(&self) -> Uncertain {
        let own = self.units.first().and_then(|unit| scale_of(unit));
        Uncertain {
            value: self.typical,
            u: own.map_or(0.0, |own| own.u).max(self.apart),
        }
    }

    /// The error that (nearly) all share, if they do. Two units say little: one of them may
    /// be off by itself.
    fn shared(&self) -> Option<Uncertain> {
        let count = self.units.len();
        let several = count >= 3 && self.alike.len() * 4 >= count * 3;
        let pair = count == 2 && self.alike.len() == 2 && self.typical.abs() > 3.0;
        let error = self.uncertain();
        ((several || pair) && error.is_beyond(LEAST_SCALE, 4.0)).then_some(error)
    }

    /// Whether these are alike, and narrower than others as what loads their control voltage
    /// makes them.
    fn is_narrower_than(&self, others: &[&Portrait]) -> bool {
        let others: Vec<f64> = others
            .iter()
            .filter_map(|unit| scale_of(unit))
            .map(|b| b.value)
            .collect();
        let beside = median(&others);
        self.alike.len() == self.units.len()
            && self.uncertain().is_beyond(LEAST_SCALE, 4.0)
            && self.typical < beside - 2.0 * near(self.typical)
    }

    fn suggestion(&self, rig: &Rig, error: Uncertain) -> Suggestion {
        let units = &self.alike;
        let on_one = outputs(rig, units).first().map_or(0, Vec::len);
        let loaded = error.value < 0.0 && on_one >= 2;
        let doubt = if loaded {
            Some(Doubt::GainOrLoading)
        } else if error.value < 0.0 {
            Some(Doubt::EachLoads)
        } else {
            (units.len() == 2).then_some(Doubt::TwoByChance)
        };
        let kind = if loaded {
            Kind::Loading
        } else {
            Kind::InterfaceGain
        };
        let ohms = output_resistance(rig, units, error.value);
        Suggestion {
            kind,
            positions: units.iter().map(|unit| unit.position.clone()).collect(),
            stage: units[0].stage.clone(),
            seen: Seen::SharedScale {
                error,
                apart: self.apart,
                on_one: loaded.then_some(on_one),
                ohms: ohms.filter(|_| loaded),
            },
            doubt,
            size_cents: error.value.abs() * units[0].span / 2.0,
        }
    }
}

/// The output resistance that would make such a scale error of the units' inputs.
fn output_resistance(rig: &Rig, units: &[&Portrait], cents: f64) -> Option<f64> {
    let mut conductance = 0.0;
    let of = |position: &PositionId| rig.positions.get(position.as_str());
    let first = of(&units.first()?.position)?;
    for position in rig.positions.values().filter(|position| {
        position.cv.sender == first.cv.sender && position.cv.channel == first.cv.channel
    }) {
        conductance += 1.0 / position.input_resistance?.get().max(1.0);
    }
    let left = 1.0 + cents / 1200.0;
    (left > 0.1 && left < 1.0 && conductance > 0.0).then(|| (1.0 / left - 1.0) / conductance)
}
