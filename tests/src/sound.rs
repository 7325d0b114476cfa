//! WAV files of 16 bits, written by hand so that the reader is not tested against its own kin.

/// A file of samples at such a rate, a frame after the other.
pub fn wave(rate: u32, channels: u16, samples: &[i16]) -> Vec<u8> {
    let size = samples.len() as u32 * 2;
    let frame = 2 * channels;
    let mut bytes = b"RIFF".to_vec();
    bytes.extend((size + 36).to_le_bytes());
    bytes.extend(b"WAVEfmt \x10\0\0\0\x01\0");
    bytes.extend(channels.to_le_bytes());
    bytes.extend(rate.to_le_bytes());
    bytes.extend((rate * u32::from(frame)).to_le_bytes());
    bytes.extend(frame.to_le_bytes());
    bytes.extend(b"\x10\0data");
    bytes.extend(size.to_le_bytes());
    bytes.extend(samples.iter().flat_map(|sample| sample.to_le_bytes()));
    bytes
}
