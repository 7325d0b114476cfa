//! The likely cause of each kind of pattern, what to try, and what would settle it.

use model::result::SuggestionKind;

/// What to mind when the advice is to turn a trimmer.
const POWERED: &str = "Trimming means working on a powered unit: mains covered, insulated tools, one hand, and whoever is not trained for it leaves it to somebody who is.";
/// What to mind when the advice is to open a unit.
const OPENED: &str = "Work inside a unit is done with its supply unplugged, by somebody trained for it; local codes come first.";

/// What is said of a kind of suggestion whatever was seen.
pub(super) struct Pattern {
    /// The likely cause.
    pub(super) cause: &'static str,
    /// What to try.
    pub(super) advice: &'static str,
    /// What would confirm it.
    pub(super) confirmed_by: &'static str,
    /// What would refute it.
    pub(super) refuted_by: &'static str,
    /// What to mind, where the advice is to work on a unit.
    pub(super) caution: Option<&'static str>,
}

/// Common practice, no source, as all of these patterns.
pub(super) const fn pattern(kind: SuggestionKind) -> Pattern {
    use SuggestionKind as K;
    let (cause, advice, confirmed_by, refuted_by, caution) = match kind {
        K::ScaleTrimmer => (
            "The scale trimmer is likely to be off.",
            "Trim the scale when the unit is warm, retune, and repeat until both stay.",
            "A sweep after the trimming whose scale error is near zero.",
            "The same scale error on other units in this position, or a scale that is off again the next day.",
            Some(POWERED),
        ),
        K::InterfaceGain => (
            "The interface is likely to give wrong volts per octave: its gain, a multiple, or its load.",
            "Calibrate the interface against a voltmeter over its whole range before trimming any unit.",
            "A voltmeter at the interface that shows the same error, or the same units without it on another interface.",
            "A voltmeter that shows true octaves at the units' inputs.",
            None,
        ),
        K::Loading => (
            "The inputs on this control voltage are likely to load it: its output resistance and the inputs divide the voltage.",
            "Put fewer inputs on each control voltage, use one output per unit or a buffered multiple, and measure again.",
            "A scale error that shrinks with every input that is unplugged.",
            "The same scale error with a single unit plugged in.",
            None,
        ),
        K::SourceSteps => (
            "The control source is likely to have steps: single notes of it are off, as converters of few bits or worn-in tables have them.",
            "Calibrate the interface note by note, or use another one; do not trim units by this run.",
            "A voltmeter at the interface that shows the same notes off, or another interface without the pattern.",
            "The pattern staying with the units on another interface.",
            None,
        ),
        K::MovingTogether => (
            "All units move together, so the cause is likely to be outside them: the interface as it warms, the room, or the supply.",
            "Look at the log, the temperature and the supply at these times; let the interface warm up first; leave a warm reference oscillator in one position.",
            "A reference oscillator that moves as the units do, or a supply or temperature that moved at the same times.",
            "Units that move apart from each other on another night.",
            None,
        ),
        K::CompensationSlow => (
            "The temperature compensation is likely to follow late, or only in part: badly coupled to the pair of transistors.",
            "Trim only when warm; improve the contact between the compensating resistor and the pair.",
            "The same course of the scale after the next cold start, and none once warm.",
            "A scale that stays put on the next cold start.",
            Some(OPENED),
        ),
        K::CompensationMissing => (
            "The temperature compensation is likely to be missing, of a wrong value, or out of contact with the pair of transistors.",
            "Find the compensating resistor, measure its value and coefficient, see that it touches the pair; trim the scale only after that.",
            "A scale that follows the temperature the other way when the unit is cooled, by the same cents per octave and kelvin.",
            "A scale that stays put while the temperature moves by several kelvin.",
            Some(OPENED),
        ),
        K::DroopAtTheTop => (
            "The core is likely to lose time in every cycle or the converter to have bulk resistance: a high-end trimmer set too low, or a limit of the design.",
            "Trim the high end where there is a trimmer for it, then the scale; otherwise it is what the design can do.",
            "A droop that goes away with the high-end trimmer and leaves the lower octaves as they are.",
            "A top note that is off by itself while the next one down is right: the control source may end there.",
            Some(POWERED),
        ),
        K::TopOverdone => (
            "A high-end trimmer is likely to be overdone.",
            "Turn it back until the top octave is as wide as the others, then trim the scale.",
            "A top octave that comes right as the trimmer is turned back.",
            "A unit without any such trimmer.",
            Some(POWERED),
        ),
        K::LeakageAtTheBottom => (
            "The lowest notes are off as a leak or a bias current makes them: dirt, flux, a tired capacitor or converter.",
            "Clean around the core's capacitor and the converter, check their bias currents; no scale trimmer cures it.",
            "Low notes that move as the board is cleaned, or that get worse as it warms.",
            "Low notes off by the same cents in every octave, which would be the scale.",
            Some(OPENED),
        ),
        K::ReferenceCurrent => (
            "The offset moves and the scale does not: the reference current, the tuning pot or the unit's own supply is likely to drift.",
            "Retune when needed; compare the drift with temperature and supply to find which of them it follows.",
            "The same course again with the same temperature or supply.",
            "A scale that moves as well, or other units that move alike.",
            Some(OPENED),
        ),
        K::Hum => (
            "The mains is in the signal: a ground loop, a supply's ripple, or cables beside transformers.",
            "Isolate the audio with a transformer, part signal from mains cables, look at the supply's ripple; never lift protective earth.",
            "Lines at the mains frequency and its multiples that go away with the loop.",
            "The same readings with the unit on a battery or a clean supply.",
            None,
        ),
        K::Unsteady => (
            "The unit is likely to be unsteady from reading to reading: ripple, jitter, noise on its control voltage or supply, a bad joint.",
            "Hold one note, look at its spectrum beside the tone and at the supply with an oscilloscope.",
            "Scatter that goes away with another supply or a short cable.",
            "The same scatter on other units in this position.",
            None,
        ),
        K::UpAndDown => (
            "A note depends on where it is reached from: settling too short, slew, portamento, or hysteresis.",
            "Take portamento and slew off, lengthen the settling time of the plan, and see whether it shrinks.",
            "A difference that shrinks with a longer settling time.",
            "The same difference after a minute on each note: then it is hysteresis.",
            None,
        ),
        K::IntermittentContact => (
            "Its pitch jumps by itself: a contact, a wiper or a plug is likely to let go now and then.",
            "Look at the log and the supply at these times; wiggle cables, exercise switches and pots, look at joints.",
            "A jump of the same size when the culprit is touched.",
            "Jumps on all units at the same moments: then it is outside the unit.",
            Some(OPENED),
        ),
        K::LockedUnits => (
            "These units sound too equal: they are likely to be locked to each other over the supply or a cable.",
            "Detune one by a semitone and measure again; part their supplies.",
            "Readings that come apart once one is detuned.",
            "Readings that stay equal however one is detuned: then it is one unit heard twice.",
            None,
        ),
        K::OtherLaw => (
            "It is likely to follow another law than the interface gives, such as 1.2 volts per octave or hertz per volt; no trimmer reaches that far.",
            "Look up the law of the unit and of the interface's output, set the output to the unit's law or take another output, and measure again.",
            "A unit that tracks once its output gives its law.",
            "A unit whose data sheet states the law that the interface gives: then its converter is faulty.",
            None,
        ),
    };
    Pattern {
        cause,
        advice,
        confirmed_by,
        refuted_by,
        caution,
    }
}
