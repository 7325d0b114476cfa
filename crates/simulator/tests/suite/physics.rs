//! Published and computed values of the physics of oscillators and interfaces.
//! Sources: the laws are those of any text on devices and circuits (Sedra and
//! Smith; Horowitz and Hill chapter 2; page references from memory); constants SI
//! 2019, exact; the figures were computed independently from the stated formulas.

use crate::rigs::*;
use model::pitch::Pitch;
use model::quantity::*;
use model::time::HostTime;
use simulator::Bench;
use simulator::converter::{
    Converter, Surroundings, lambert_w, loading, thermal_voltage, with_bulk_resistance,
    with_reset_time,
};

fn near(found: f64, expected: f64, within: f64) {
    assert!(
        (found - expected).abs() <= within,
        "{found} instead of {expected}"
    );
}

#[test]
fn thermal_voltage_at_five_temperatures() {
    // k T / q in mV; per octave (ln 2) and per decade (ln 10).
    for (kelvin, vt, octave, decade) in [
        (273.15, 23.538_246, 16.315_469, 54.198_81),
        (293.15, 25.261_712, 17.510_085, 58.167_24),
        (298.15, 25.692_579, 17.808_739, 59.159_35),
        (300.0, 25.852_000, 17.919_241, 59.526_43),
        (310.0, 26.713_733, 18.516_549, 61.510_64),
    ] {
        let found = thermal_voltage(kelvin) * 1e3;
        near(found, vt, 5e-7);
        near(found * std::f64::consts::LN_2, octave, 5e-7);
        near(found * std::f64::consts::LN_10, decade, 5e-6);
    }
}

fn around(celsius: f64) -> Surroundings {
    Surroundings {
        pair: celsius,
        resistor: celsius,
        board: celsius,
        supply: 0.0,
        hours: 0.0,
    }
}

/// Width of the octaves above the pivot (C4 = 3 V) in cents, less 1200.
fn scale_error(unit: &model::document::simulated::UnitModel, celsius: f64, octaves: f64) -> f64 {
    let converter = Converter::new(unit);
    let surroundings = around(celsius);
    cents(
        converter.frequency(3.0 + octaves, &surroundings),
        converter.frequency(3.0, &surroundings),
    ) - 1200.0 * octaves
}

#[test]
fn an_uncompensated_scale_falls_as_one_over_temperature() {
    // Scale ratio T0/T: 300 -> 301 K -3.98671 cents/octave, 300 -> 310 K -38.70968,
    // five octaves over 1 K -19.93355 cents.
    let mut unit = perfect();
    unit.converter.trimmed_at = Celsius::of(26.85);
    near(scale_error(&unit, 26.85, 1.0), 0.0, 1e-9);
    near(scale_error(&unit, 27.85, 1.0), -3.986_71, 1e-5);
    near(scale_error(&unit, 36.85, 1.0), -38.709_68, 1e-5);
    near(scale_error(&unit, 27.85, 5.0), -19.933_55, 1e-5);
}

#[test]
fn a_resistor_compensates_in_part() {
    // 1200 ((1 + a dT)/(1 + dT/T0) - 1), T0 = 298.15 K, cents/octave at +1, +10, -10 K.
    for (ppm, expected) in [
        (3300.0, [-0.0646, -0.6272, 0.6707]),
        (3350.0, [-0.0048, -0.0466, 0.0499]),
        (3500.0, [0.1746, 1.6950, -1.8126]),
        (3850.0, [0.5932, 5.7587, -6.1584]),
        (3930.0, [0.6889, 6.6875, -7.1517]),
    ] {
        let mut unit = perfect();
        unit.converter.compensation = FractionPerKelvin::of(ppm * 1e-6);
        for (warmer, expected) in [1.0, 10.0, -10.0].into_iter().zip(expected) {
            near(scale_error(&unit, 25.0 + warmer, 1.0), expected, 6e-5);
        }
    }
}

#[test]
fn bulk_resistance_in_closed_form() {
    // I exp(I r / V_T) = I0 at 300 K, in cents: r = 0.4 ohm 100 uA -2.67455, 1 mA
    // -26.38175; r = 1 ohm -6.67096, -64.51741.
    let vt = thermal_voltage(300.0);
    for (r, current, expected) in [
        (0.4, 100e-6, -2.674_55),
        (0.4, 1e-3, -26.381_75),
        (1.0, 100e-6, -6.670_96),
        (1.0, 1e-3, -64.517_41),
    ] {
        near(
            cents(with_bulk_resistance(current, r, vt), current),
            expected,
            6e-6,
        );
    }
    // First order: -1200 I r / (V_T ln 2): 10 uA -0.2679 at 0.4 ohm.
    near(
        cents(with_bulk_resistance(10e-6, 0.4, vt), 10e-6),
        -0.2679,
        1e-4,
    );
    // W solves its equation, and W(e) = 1, W(1) = 0.5671432904 (the omega constant).
    near(lambert_w(std::f64::consts::E), 1.0, 1e-14);
    near(lambert_w(1.0), 0.567_143_290_409_784, 1e-14);
    for z in [1e-12, 1e-3, 0.5, 3.0, 50.0, 1e6] {
        let w = lambert_w(z);
        near(w * w.exp() / z, 1.0, 1e-12);
    }
}

#[test]
fn a_fixed_reset_time_lowers_the_top() {
    // f = 1/(1/f0 + t), t = 1 us.
    for (hertz, expected) in [
        (100.0, -0.1731),
        (440.0, -0.7616),
        (1000.0, -1.7304),
        (2000.0, -3.4590),
        (4_186.009, -7.2318),
        (10_000.0, -17.2264),
        (20_000.0, -34.2830),
    ] {
        near(cents(with_reset_time(hertz, 1e-6), hertz), expected, 6e-5);
    }
    near(with_reset_time(440.0, 1e-6), 439.806_49, 5e-6);
    near(with_reset_time(1000.0, 1e-6), 999.001_00, 5e-6);
    near(with_reset_time(10_000.0, 1e-6), 9_900.990_10, 5e-6);
    near(cents(with_reset_time(10e3, 0.5e-6), 10e3), -8.6346, 6e-5);
    near(cents(with_reset_time(10e3, 0.1e-6), 10e3), -1.7304, 6e-5);
    // A trimmer of the same time takes it away (Franco, op-amp design; from memory).
    let mut unit = perfect();
    unit.core.reset_time = Seconds::of(1e-6);
    let top = |unit: &_| Converter::new(unit).frequency(8.0, &around(25.0));
    let ideal = top(&perfect());
    assert!(cents(top(&unit), ideal) < -5.0);
    unit.trimmers.high_end = Seconds::of(1e-6);
    near(cents(top(&unit), ideal), 0.0, 1e-9);
}

#[test]
fn other_temperature_coefficients() {
    // 0.1 uV/K of a pair's offset: 0.006697 cent/K at 300 K.
    let mut unit = perfect();
    unit.converter.trimmed_at = Celsius::of(25.85);
    unit.converter.pair_drift = VoltsPerKelvin::of(0.1e-6);
    let shift = |unit: &_, celsius: f64| {
        let converter = Converter::new(unit);
        cents(
            converter.frequency(3.0, &around(celsius)),
            converter.frequency(3.0, &around(25.85)),
        )
    };
    near(shift(&unit, 26.85), 0.006_697, 5e-7);
    // A frequency that moves by p ppm/K: 30 ppm 0.051936, 50 0.086559, 100 0.173115,
    // 200 0.346212 cent.
    for (ppm, expected) in [
        (30.0, 0.051_936),
        (50.0, 0.086_559),
        (100.0, 0.173_115),
        (200.0, 0.346_212),
    ] {
        let mut unit = perfect();
        unit.converter.trimmed_at = Celsius::of(25.85);
        unit.converter.reference_drift = FractionPerKelvin::of(ppm * 1e-6);
        near(shift(&unit, 26.85), expected, 6e-7);
    }
}

#[test]
fn leakage_is_a_constant_number_of_hertz() {
    // e = 1731 ln(1 + k/u): with 1 nA out of 20 nA per hertz the pitch is 0.05 Hz flat.
    let mut unit = perfect();
    unit.core.current_at_1khz = Amperes::of(20e-6);
    unit.core.leakage = Amperes::of(1e-9);
    let converter = Converter::new(&unit);
    let ideal = Converter::new(&perfect());
    for volts in [0.0, 3.0, 6.0] {
        let lost =
            ideal.frequency(volts, &around(25.0)) - converter.frequency(volts, &around(25.0));
        near(lost, 0.05, 1e-9);
    }
    // Ten kelvin warmer it is twice that (common practice, no source).
    let lost = ideal.frequency(3.0, &around(35.0)) - converter.frequency(3.0, &around(35.0));
    near(lost, 0.1, 1e-9);
}

#[test]
fn inputs_load_an_output() {
    // 1200 (R_in/(R_in + R_out) - 1) cents/octave at 1 V/octave.
    let scale = |out: f64, inputs: &[f64]| 1200.0 * (loading(out, inputs.iter().copied()) - 1.0);
    near(scale(1e3, &[100e3]), -11.881_188, 5e-7);
    near(scale(1e3, &[100e3; 2]), -23.529_412, 5e-7);
    near(scale(1e3, &[100e3; 3]), -34.951_456, 5e-7);
    near(scale(1e3, &[1e6]), -1.198_801, 5e-7);
    near(scale(470.0, &[100e3]), -5.613_616, 5e-7);
    near(scale(100.0, &[100e3]), -1.198_801, 5e-7);
}

#[test]
fn positions_on_one_output_share_its_loading() {
    let mut rig = rig(&[("a", perfect()), ("b", perfect()), ("c", perfect())]);
    simulated(&mut rig)
        .interfaces
        .get_mut("keys")
        .unwrap()
        .output_resistance = Ohms::of(1e3);
    rig.positions.get_mut("b").unwrap().cv.channel = 1;
    let bench = Bench::new(&rig).unwrap();
    let octave = |name: &str| {
        let at = |number| {
            let window = Seconds::of(1.0);
            let found = bench.reading(
                &position(name),
                note(number),
                HostTime::from_nanoseconds(0),
                window,
                0,
            );
            found.unwrap().truth.get()
        };
        cents(at(72), at(60)) - 1200.0
    };
    near(octave("a"), -23.529_412, 1e-5);
    near(octave("b"), -23.529_412, 1e-5);
    near(octave("c"), -11.881_188, 1e-5);
}

#[test]
fn converters_have_their_steps() {
    // Full scale / 2^bits as cents at 1 V/octave; found as the smallest change of
    // pitch that an interface makes when its input moves slowly.
    for (bits, full, expected) in [
        (12, 4.096, 1.2),
        (12, 5.0, 1.464_844),
        (14, 10.0, 0.732_422),
        (16, 10.0, 0.183_105),
    ] {
        let mut rig = rig(&[("a", perfect())]);
        let interface = simulated(&mut rig).interfaces.get_mut("keys").unwrap();
        interface.bits = bits;
        interface.highest = Volts::of(full);
        let bench = Bench::new(&rig).unwrap();
        let at = |number: f64| {
            let zero = HostTime::from_nanoseconds(0);
            let found = bench.reading(
                &position("a"),
                Pitch::new(number).unwrap(),
                zero,
                Seconds::of(1.0),
                0,
            );
            found.unwrap().truth.get()
        };
        let mut steps: Vec<f64> = Vec::new();
        let mut last = at(48.0);
        for hundredth in 1..400 {
            let next = at(48.0 + f64::from(hundredth) * 1e-3);
            let step = cents(next, last);
            if step > 1e-6 {
                steps.push(step);
            }
            last = next;
        }
        assert!(steps.len() > 20);
        for step in steps {
            near(step, expected, 1e-5);
        }
    }
}

#[test]
fn voltages_are_clamped_at_the_ends() {
    let mut rig = rig(&[("a", perfect())]);
    simulated(&mut rig)
        .interfaces
        .get_mut("keys")
        .unwrap()
        .highest = Volts::of(5.0);
    let bench = Bench::new(&rig).unwrap();
    play(&bench, 1, 96);
    let top = bench.output("keys", 1, HostTime::from_nanoseconds(1)).get();
    assert!((4.999_99..=5.0).contains(&top), "{top}");
    play(&bench, 1, 12);
    let bottom = bench.output("keys", 1, HostTime::from_nanoseconds(1)).get();
    near(bottom, 0.0, 1e-9);
}

#[test]
fn an_interface_moves_as_it_warms() {
    // 100 ppm/K of gain and 20 uV/K of offset, 10 K up with a time constant of 600 s,
    // switched on as the run begins; at 3 V (C4) and 5 V (C6), 1.2 cents to the mV.
    let mut rig = rig(&[("a", perfect())]);
    let interface = simulated(&mut rig).interfaces.get_mut("keys").unwrap();
    interface.gain_drift = FractionPerKelvin::of(100e-6);
    interface.offset_drift = VoltsPerKelvin::of(20e-6);
    interface.adjusted_at = Celsius::of(25.0);
    interface.on_before = Seconds::of(0.0);
    interface.warming = vec![model::document::simulated::ThermalMass {
        time: Seconds::of(600.0),
        rise: Kelvin::of(10.0),
    }];
    let bench = Bench::new(&rig).unwrap();
    for (number, volts) in [(60, 3.0), (84, 5.0)] {
        for seconds in [600.0, 1800.0, 36_000.0_f64] {
            let warmer = 10.0 * (1.0 - (-seconds / 600.0).exp());
            let at = HostTime::from_nanoseconds(((seconds - 0.5) * 1e9) as i64);
            let found = bench.reading(&position("a"), note(number), at, Seconds::of(1.0), 0);
            let nominal = 440.0 * 2_f64.powf((f64::from(number) - 69.0) / 12.0);
            let expected = 1200.0 * warmer * (100e-6 * volts + 20e-6);
            near(cents(found.unwrap().truth.get(), nominal), expected, 2e-5);
        }
    }
}

#[test]
fn a_slow_resistor_lets_the_scale_err_until_it_has_followed() {
    // With full compensation but a resistor that is late, octaves are off in
    // proportion to the difference between the two temperatures: 1/T per kelvin.
    let mut unit = perfect();
    unit.converter.compensation = FractionPerKelvin::of(3354.016e-6);
    unit.converter.compensation_lag = Seconds::of(120.0);
    unit.warming = vec![model::document::simulated::ThermalMass {
        time: Seconds::of(300.0),
        rise: Kelvin::of(5.0),
    }];
    let rig = with_supply(rig(&[("a", unit)]));
    let bench = Bench::new(&rig).unwrap();
    let on = model::port::Setting::On {
        voltage: Volts::of(12.0),
        current_limit: Amperes::of(1.0),
    };
    let mut supply = bench.instrument("psu").unwrap();
    supply.set(on, HostTime::from_nanoseconds(1)).unwrap();
    let octave = |seconds: f64| {
        let at = HostTime::from_nanoseconds((seconds * 1e9) as i64);
        let hertz = |number| {
            let found = bench.reading(&position("a"), note(number), at, Seconds::of(0.01), 0);
            found.unwrap().truth.get()
        };
        cents(hertz(72), hertz(60)) - 1200.0
    };
    for seconds in [30.0, 120.0, 400.0_f64] {
        // Two lags in a row: the pair behind 300 s, the resistor behind another 120 s.
        let pair = 5.0 * (1.0 - (-seconds / 300.0).exp());
        let resistor = 5.0
            * (1.0 - (300.0 * (-seconds / 300.0).exp() - 120.0 * (-seconds / 120.0).exp()) / 180.0);
        let exact = 1200.0 * (298.15 / (298.15 + pair) * (1.0 + 3354.016e-6 * resistor) - 1.0);
        near(octave(seconds), exact, 1e-3);
        assert!(exact < -1.0);
    }
    near(octave(10_000.0), 0.0, 0.005);
}
