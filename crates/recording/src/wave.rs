//! WAV files for tests, written by hand: 44 bytes of header, and the samples.

/// Integers of 16 bits, a frame after the other.
pub(crate) fn signed16(channels: u16, rate: u32, samples: &[i16]) -> Vec<u8> {
    let samples = samples.iter().flat_map(|sample| sample.to_le_bytes());
    file(1, 2, channels, rate, &samples.collect::<Vec<u8>>())
}

/// Floats of 32 bits.
pub(crate) fn float32(channels: u16, rate: u32, samples: &[f32]) -> Vec<u8> {
    let samples = samples.iter().flat_map(|sample| sample.to_le_bytes());
    file(3, 4, channels, rate, &samples.collect::<Vec<u8>>())
}

fn file(code: u16, width: u16, channels: u16, rate: u32, samples: &[u8]) -> Vec<u8> {
    let size = samples.len() as u32;
    let frame = width * channels;
    let mut bytes = b"RIFF".to_vec();
    bytes.extend((size + 36).to_le_bytes());
    bytes.extend(b"WAVEfmt \x10\0\0\0");
    bytes.extend(code.to_le_bytes());
    bytes.extend(channels.to_le_bytes());
    bytes.extend(rate.to_le_bytes());
    bytes.extend((rate * u32::from(frame)).to_le_bytes());
    bytes.extend(frame.to_le_bytes());
    bytes.extend((width * 8).to_le_bytes());
    bytes.extend(b"data");
    bytes.extend(size.to_le_bytes());
    bytes.extend(samples);
    bytes
}
