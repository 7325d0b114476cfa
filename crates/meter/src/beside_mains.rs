//! Harmonics beside mains lines, and what those do to the frequency.

use crate::hum::{HIGHEST_MAINS_LINE, beside_mains};
use crate::tone::{Finder, Found, TOO_NEAR};
use rustfft::num_complex::Complex;

/// How much more than noise the trend of a harmonic must be to be a mains line's.
const DISTURBED: f64 = 12.0;
/// The share of the information in undisturbed harmonics that is enough.
const ENOUGH: f64 = 0.02;

impl Finder {
    /// Harmonics beside mains lines: whether those pull at them shows in what each
    /// harmonic by itself still wants changed. If so, the frequency comes from the
    /// other harmonics; where those say too little, returns how far, in hertz, it may
    /// be off.
    pub fn mind_the_mains(&mut self, found: &mut Found) -> f64 {
        let fit = &mut found.fit;
        let hertz = fit.track.mean_step() * self.rate;
        let samples = fit.track.samples;
        // Known hum pulls from farther away.
        let near = TOO_NEAR * self.rate / samples * if found.mains.is_some() { 2.0 } else { 1.0 };
        let beside = |h: usize| beside_mains(h as f64 * hertz, near);
        let any = (1..=self.fitter.shape.highest())
            .take_while(|&h| h as f64 * hertz < HIGHEST_MAINS_LINE)
            .any(|h| self.fitter.shape.kept[h] && beside(h));
        if !any {
            return 0.0;
        }
        self.fitter.trends(&fit.track);
        let shape = &self.fitter.shape;
        // The sum of tau squared over the window.
        let moment = samples / 3.0;
        let (mut all, mut clear, mut score, mut pull) = (0.0, 0.0, 0.0, 0.0);
        let mut disturbed = false;
        for h in (1..=shape.highest()).filter(|&h| shape.kept[h]) {
            let slope = shape.harmonics[h]
                * Complex::new(0.0, 2.0 * std::f64::consts::PI * h as f64 * shape.gain[h]);
            let trend = shape.transformed(h);
            let information = slope.norm_sqr() / 2.0 * moment;
            all += information;
            if beside(h) {
                disturbed |= trend.norm_sqr() > DISTURBED * fit.noise * moment;
                // Hum that was found at other lines is here as well, by its size there.
                let hum = found.mains.map_or(0.0, |mains| {
                    let line = (h as f64 * hertz / mains.hertz).round().max(1.0);
                    0.25 * mains.amplitude / line * samples / 2.0
                });
                pull += slope.norm_sqr() * (trend.norm_sqr() + hum * hum);
            } else {
                clear += information;
                score += (slope * trend.conj()).re;
            }
        }
        if !disturbed && found.mains.is_none() {
            return 0.0;
        }
        if clear > ENOUGH * all {
            fit.track.coefficients[1] += score / clear;
            fit.unit_variance *= all / clear;
            return 0.0;
        }
        // What pulls one way in the amplitude may pull as much in the phase.
        pull.sqrt() / all * 2.0 / samples * self.rate
    }
}
