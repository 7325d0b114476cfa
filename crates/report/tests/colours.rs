//! The colours of the drawings, as they stand in the style sheet: strong enough
//! on their ground, and apart for every kind of eye.
//!
//! The hues are those of Okabe and Ito (2008, "Color Universal Design"), made
//! darker or lighter for the ground they stand on.

const STYLE: &str = include_str!("../templates/style.css");

/// Linear light of "#rrggbb" (IEC 61966-2-1).
fn linear(colour: &str) -> [f64; 3] {
    [1, 3, 5].map(|at| {
        let part = f64::from(u8::from_str_radix(&colour[at..at + 2], 16).unwrap()) / 255.0;
        if part <= 0.04045 {
            part / 12.92
        } else {
            ((part + 0.055) / 1.055).powf(2.4)
        }
    })
}

/// Contrast ratio of WCAG 2.1; it asks for 3 of drawings (1.4.11) and 4.5 of text.
fn contrast(a: &str, b: &str) -> f64 {
    let luminance = |colour: &str| {
        let [r, g, b] = linear(colour);
        0.2126 * r + 0.7152 * g + 0.0722 * b + 0.05
    };
    let (a, b) = (luminance(a), luminance(b));
    a.max(b) / a.min(b)
}

/// Oklab of linear light (Ottosson 2020, matrices from memory).
fn oklab(light: [f64; 3]) -> [f64; 3] {
    let [r, g, b] = light.map(|part| part.clamp(0.0, 1.0));
    let l = (0.412_221_470_8 * r + 0.536_332_536_3 * g + 0.051_445_992_9 * b).cbrt();
    let m = (0.211_903_498_2 * r + 0.680_699_545_1 * g + 0.107_396_956_6 * b).cbrt();
    let s = (0.088_302_461_9 * r + 0.281_718_837_6 * g + 0.629_978_700_5 * b).cbrt();
    [
        0.210_454_255_3 * l + 0.793_617_785_0 * m - 0.004_072_046_8 * s,
        1.977_998_495_1 * l - 2.428_592_205_0 * m + 0.450_593_709_9 * s,
        0.025_904_037_1 * l + 0.782_771_766_2 * m - 0.808_675_766_0 * s,
    ]
}

/// What an eye without one kind of cone makes of linear light (Machado, Oliveira
/// and Fernandes 2009, severity 1, matrices from memory; the first is no change).
const EYES: [[[f64; 3]; 3]; 4] = [
    [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]],
    [
        [0.152_286, 1.052_583, -0.204_868],
        [0.114_503, 0.786_281, 0.099_216],
        [-0.003_882, -0.048_116, 1.051_998],
    ],
    [
        [0.367_322, 0.860_646, -0.227_968],
        [0.280_085, 0.672_501, 0.047_413],
        [-0.011_820, 0.042_940, 0.968_881],
    ],
    [
        [1.255_528, -0.076_749, -0.178_779],
        [-0.078_411, 0.930_809, 0.147_602],
        [0.004_733, 0.691_367, 0.303_900],
    ],
];

fn seen(eye: [[f64; 3]; 3], light: [f64; 3]) -> [f64; 3] {
    eye.map(|row| {
        row.iter()
            .zip(light)
            .map(|(share, part)| share * part)
            .sum()
    })
}

/// The value of a custom property in the light rules, or in the dark ones.
fn colour(name: &str, dark: bool) -> &'static str {
    let rules = if dark {
        &STYLE[STYLE.find("prefers-color-scheme:dark").unwrap()..]
    } else {
        STYLE
    };
    let at = rules.find(&format!("--{name}:")).unwrap() + name.len() + 3;
    &rules[at..at + 7]
}

#[test]
fn lines_stand_out_and_apart() {
    for dark in [false, true] {
        let ground = colour("panel", dark);
        let lines: Vec<&str> = (0..7)
            .map(|index| colour(&format!("c{index}"), dark))
            .collect();
        for line in &lines {
            assert!(contrast(line, ground) >= 3.0, "{line} on {ground}");
        }
        for (name, eye) in ["all cones", "no long", "no middle", "no short"]
            .iter()
            .zip(EYES)
        {
            for (index, a) in lines.iter().enumerate() {
                for b in &lines[index + 1..] {
                    let [a3, b3] = [a, b].map(|line| oklab(seen(eye, linear(line))));
                    let apart = a3
                        .iter()
                        .zip(b3)
                        .map(|(a, b)| (a - b).powi(2))
                        .sum::<f64>()
                        .sqrt();
                    // About 0.02 is a just noticeable difference in Oklab.
                    assert!(apart > 0.08, "{a} and {b}, {name}: {apart:.3}");
                }
            }
        }
    }
}

#[test]
fn texts_can_be_read() {
    for dark in [false, true] {
        for (text, ground) in [
            ("ink", "paper"),
            ("soft", "paper"),
            ("soft", "panel"),
            ("ink", "panel"),
            ("accent", "paper"),
            ("ink", "note-bg"),
            ("pass", "pass-bg"),
            ("fail", "fail-bg"),
            ("undecided", "undecided-bg"),
        ] {
            let ratio = contrast(colour(text, dark), colour(ground, dark));
            assert!(ratio >= 4.5, "{text} on {ground}, dark {dark}: {ratio:.2}");
        }
    }
}
