//! What every adapter of a port must do, simulated or real: one suite for all.

use model::pitch::{Note, Pitch};
use model::port::{Capture, CaptureError, Clock, NoteOut, Window};
use model::quantity::Seconds;
use model::record::PositionId;
use model::time::{Span, Stop, StopReason};

/// Fails with a sentence when a promise of the port is not kept.
macro_rules! promise {
    ($kept:expr, $($words:tt)+) => {
        let kept: bool = $kept;
        if !kept {
            return Err(format!($($words)+));
        }
    };
}

/// Time goes on, waits for what is asked, and gives up when it is told to.
///
/// # Errors
/// Which promise is not kept.
pub fn clock(clock: &dyn Clock) -> Result<(), String> {
    let stop = Stop::new();
    let before = clock.now();
    let due = before + Seconds::of(0.05);
    clock
        .sleep_until(due, &stop)
        .map_err(|error| error.to_string())?;
    promise!(clock.now() >= due, "a sleep ended before it was due");
    clock
        .sleep_until(before, &stop)
        .map_err(|error| error.to_string())?;
    stop.raise(StopReason::Asked);
    let far = clock.now() + Seconds::of(3600.0);
    promise!(
        clock.sleep_until(far, &stop).is_err(),
        "a sleep does not heed a stop"
    );
    promise!(
        clock.now() < far,
        "a sleep that was stopped took all its time"
    );
    Ok(())
}

fn copy(window: &Window<'_>) -> Vec<(PositionId, Vec<f32>)> {
    window
        .channels
        .iter()
        .map(|(position, samples)| (position.clone(), samples.to_vec()))
        .collect()
}

/// Spans come whole, in time, adjoining and repeatable; what has ended is refused.
///
/// # Errors
/// Which promise is not kept.
pub fn capture(
    capture: &mut dyn Capture,
    clock: &dyn Clock,
    positions: &[PositionId],
) -> Result<(), String> {
    let stop = Stop::new();
    let timeline = capture.timeline();
    let frames = timeline.rate.frames(Seconds::of(0.1));
    let first = Span {
        start: timeline.sample_time(clock.now()),
        frames,
    };
    let window = capture
        .read(first, &stop)
        .map_err(|error| error.to_string())?;
    promise!(window.span == first, "another span came than was asked for");
    let mut heard: Vec<&PositionId> = window
        .channels
        .iter()
        .map(|(position, _)| position)
        .collect();
    let mut wanted: Vec<&PositionId> = positions.iter().collect();
    heard.sort();
    wanted.sort();
    promise!(
        heard == wanted,
        "positions {heard:?} came instead of {wanted:?}"
    );
    for (position, samples) in &window.channels {
        promise!(
            samples.len() as u64 == frames,
            "{position} has {} samples, not {frames}",
            samples.len()
        );
        promise!(
            samples.iter().all(|sample| sample.is_finite()),
            "{position} has samples that are no numbers"
        );
    }
    let samples = copy(&window);
    // A window cannot be there before it has passed, but for what the mapping may be off.
    let timeline = capture.timeline();
    let passed = timeline.host_time(first.end());
    promise!(
        clock.now() + timeline.jitter + Seconds::of(0.05) >= passed,
        "samples came before they were taken"
    );
    let next = first.then(frames);
    capture
        .read(next, &stop)
        .map_err(|error| format!("the adjoining span: {error}"))?;
    let again = capture
        .read(first, &stop)
        .map_err(|error| format!("a span read twice: {error}"))?;
    promise!(
        copy(&again) == samples,
        "a span read twice has other samples"
    );
    let empty = capture
        .read(
            Span {
                start: next.end(),
                frames: 0,
            },
            &stop,
        )
        .map_err(|error| error.to_string())?;
    promise!(
        empty.channels.iter().all(|(_, samples)| samples.is_empty()),
        "an empty span has samples"
    );

    let stopped = Stop::new();
    stopped.raise(StopReason::Asked);
    let far = Span {
        start: next.end(),
        frames: timeline.rate.frames(Seconds::of(3600.0)).min(1 << 20),
    };
    let far = Span {
        start: far.end(),
        frames,
    };
    promise!(
        matches!(capture.read(far, &stopped), Err(CaptureError::Cancelled(_))),
        "a read does not heed a stop"
    );

    let epoch = capture
        .reopen()
        .map_err(|error| format!("opening anew: {error}"))?;
    promise!(
        epoch > first.start.epoch,
        "opening anew does not begin a new epoch"
    );
    promise!(
        capture.timeline().anchor.0.epoch == epoch,
        "the timeline is still that of the old epoch"
    );
    promise!(
        matches!(
            capture.read(first, &stop),
            Err(CaptureError::Interrupted | CaptureError::Overwritten)
        ),
        "a span of the old epoch is still read"
    );
    let timeline = capture.timeline();
    let fresh = Span {
        start: timeline.sample_time(clock.now()),
        frames,
    };
    capture
        .read(fresh, &stop)
        .map_err(|error| format!("after opening anew: {error}"))?;
    Ok(())
}

/// Notes go to all positions together, nothing unsafe is ever sent, and ending
/// notes may be asked for at any time.
///
/// # Errors
/// Which promise is not kept.
pub fn notes(
    notes: &mut dyn NoteOut,
    clock: &dyn Clock,
    positions: &[PositionId],
) -> Result<(), String> {
    let at = |pitch: Pitch| -> Vec<(PositionId, Pitch)> {
        positions
            .iter()
            .map(|position| (position.clone(), pitch))
            .collect()
    };
    let middle_c = Note::from_number(60).pitch();
    let before = clock.now();
    let played = notes
        .play(&at(middle_c))
        .map_err(|error| error.to_string())?;
    promise!(
        played.len() == positions.len(),
        "{} notes were played, not {}",
        played.len(),
        positions.len()
    );
    for played in &played {
        promise!(
            played.asked == middle_c,
            "another note was played than was asked"
        );
        promise!(
            played.at >= before && played.at <= clock.now(),
            "a note was played at another time"
        );
        promise!(
            played.residue.get().abs() < 0.01,
            "a note of the scale cannot be reached: {}",
            played.residue
        );
    }
    // No rig of the tests allows 20 volts.
    let unsafe_pitch = Note::from_number(24 + 240).pitch();
    promise!(
        notes.play(&at(unsafe_pitch)).is_err(),
        "a note outside the safe range was sent"
    );
    notes
        .present()
        .map_err(|error| format!("after a refused note: {error}"))?;
    notes.silence().map_err(|error| error.to_string())?;
    notes
        .silence()
        .map_err(|error| format!("a second time: {error}"))?;
    notes
        .play(&at(middle_c))
        .map_err(|error| format!("after ending all notes: {error}"))?;
    notes.silence().map_err(|error| error.to_string())
}
