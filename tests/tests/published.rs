//! Values that others have published, held against our own arithmetic.

use model::pitch::{Note, PitchStandard};
use model::quantity::{Cents, Hertz};

/// Equal temperament with A4 = 440 Hz (ISO 16:1975): `f = 440 * 2^((n - 69) / 12)`,
/// MIDI Tuning Standard (MIDI 1.0 Detailed Specification 4.2). Ten decimals,
/// computed from that formula with 60 digits.
const EQUAL_TEMPERAMENT: [(i16, f64); 15] = [
    (0, 8.175_798_915_6),
    (12, 16.351_597_831_3),
    (21, 27.5),
    (24, 32.703_195_662_6),
    (36, 65.406_391_325_1),
    (48, 130.812_782_650_3),
    (60, 261.625_565_300_6),
    (61, 277.182_630_976_9),
    (69, 440.0),
    (72, 523.251_130_601_2),
    (84, 1046.502_261_202_4),
    (96, 2093.004_522_404_8),
    (108, 4186.009_044_809_6),
    (120, 8372.018_090_619_2),
    (127, 12_543.853_951_416_0),
];

#[test]
fn equal_temperament() {
    let standard = PitchStandard::default();
    for (number, expected) in EQUAL_TEMPERAMENT {
        let frequency = standard.frequency(Note::from_number(number).pitch()).get();
        assert!((frequency - expected).abs() < 1e-9 * expected, "note {number}: {frequency}");
        let back = standard.pitch(Hertz::of(expected)).note_number();
        assert!((back - f64::from(number)).abs() < 1e-9, "note {number}: {back}");
    }
}

/// The frequencies that the MIDI Tuning Standard prints beside its three-byte
/// codes, where they are printed right; to their printed digits.
#[test]
fn the_midi_tuning_standards_printed_examples() {
    let printed: [(f64, f64, f64); 5] = [
        (0.0, 8.1758, 5e-5),
        (1.0, 8.6620, 5e-5),
        (12.0, 16.3516, 5e-5),
        (60.0, 261.6256, 5e-5),
        (68.0 + 16_383.0 / 16_384.0, 439.9984, 5e-5),
    ];
    for (number, expected, half_a_digit) in printed {
        let pitch = model::pitch::Pitch::new(number).unwrap();
        let frequency = PitchStandard::default().frequency(pitch).get();
        assert!((frequency - expected).abs() <= half_a_digit, "{number}: {frequency}");
    }
}

/// Intervals in cents, `1200 log2(f2 / f1)` (Ellis 1885; IEC 60050-801); the
/// values are the well-known ones of any text on acoustics, to more digits.
#[test]
fn intervals_in_cents() {
    let cents = |ratio: f64| Hertz::of(440.0 * ratio).cents_from(Hertz::of(440.0)).get();
    for (ratio, expected) in [
        (3.0 / 2.0, 701.955_000_865),
        (4.0 / 3.0, 498.044_999_135),
        (5.0 / 4.0, 386.313_713_865),
        (81.0 / 80.0, 21.506_289_597),
        (531_441.0 / 524_288.0, 23.460_010_385),
        (442.0 / 440.0, 7.851_415),
        (441.0 / 440.0, 3.930_158),
    ] {
        assert!((cents(ratio) - expected).abs() < 1e-6, "{ratio}: {}", cents(ratio));
    }
    let one_cent = Hertz::of(1.0).shifted(Cents::of(1.0)).get();
    assert!((one_cent - 1.000_577_789_506_554_8).abs() < 1e-15);
    assert!((cents(1.0 + 100e-6) - 0.173_114_749_3).abs() < 1e-9);
}

/// A4 = 440 Hz within 0.5 Hz is what ISO 16:1975 allows (the tolerance from
/// memory); in cents, computed.
#[test]
fn the_tolerance_of_the_pitch_standard() {
    let a4 = Hertz::of(440.0);
    assert!((Hertz::of(440.5).cents_from(a4).get() - 1.966_194).abs() < 1e-6);
    assert!((Hertz::of(439.5).cents_from(a4).get() + 1.968_430).abs() < 1e-6);
}
