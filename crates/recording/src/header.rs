//! The header of a WAV file: RIFF chunks up to the samples.
//!
//! Sources, from memory: Microsoft and IBM, "Multimedia Programming Interface and Data
//! Specifications 1.0" (1991), for RIFF and the format chunk; Microsoft, "Multiple
//! Channel Audio Data and WAVE Files", for the extensible format; EBU Tech 3306, for
//! RF64 and its `ds64` chunk; ITU-R BS.2088 calls the same BW64.

use crate::SoundError;
use std::io::{BufRead, Read};

/// Recorders that cannot go back to write the true length leave zero, all ones, or a
/// round number just below 2 GiB (common practice, no source).
const LEAST_PLACEHOLDER: u64 = 0x7fff_0000;

/// A format chunk has 40 bytes at most; one that claims more than this is absurd.
const LONGEST_FORMAT: u32 = 4096;

/// What 14 bytes follow the format's code in the identifier of an extensible format.
const IDENTIFIER_TAIL: [u8; 14] = [
    0x00, 0x00, 0x00, 0x00, 0x10, 0x00, 0x80, 0x00, 0x00, 0xaa, 0x00, 0x38, 0x9b, 0x71,
];

/// How a sample is written, little end first.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum SampleKind {
    /// One byte, silence at 128.
    Unsigned8,
    /// Two bytes.
    Signed16,
    /// Three bytes.
    Signed24,
    /// Four bytes.
    Signed32,
    /// IEEE 754, four bytes, full scale at one.
    Float32,
    /// IEEE 754, eight bytes, full scale at one.
    Float64,
}

impl SampleKind {
    /// Its bytes.
    pub(crate) const fn bytes(self) -> usize {
        match self {
            Self::Unsigned8 => 1,
            Self::Signed16 => 2,
            Self::Signed24 => 3,
            Self::Signed32 | Self::Float32 => 4,
            Self::Float64 => 8,
        }
    }

    /// A sample from as many bytes as it has, full scale at one. Fewer significant bits
    /// than the bytes hold stand at the top, so the scale is that of the bytes.
    pub(crate) fn decode(self, bytes: &[u8]) -> f32 {
        match (self, bytes) {
            (Self::Unsigned8, &[a]) => (f32::from(a) - 128.0) / 128.0,
            (Self::Signed16, &[a, b]) => f32::from(i16::from_le_bytes([a, b])) / 32_768.0,
            (Self::Signed24, &[a, b, c]) => {
                i32::from_le_bytes([0, a, b, c]) as f32 / 2_147_483_648.0
            }
            (Self::Signed32, &[a, b, c, d]) => {
                i32::from_le_bytes([a, b, c, d]) as f32 / 2_147_483_648.0
            }
            (Self::Float32, &[a, b, c, d]) => f32::from_le_bytes([a, b, c, d]),
            (Self::Float64, &[a, b, c, d, e, f, g, h]) => {
                f64::from_le_bytes([a, b, c, d, e, f, g, h]) as f32
            }
            _ => f32::NAN,
        }
    }
}

/// How much sound follows the header.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Claim {
    /// So many bytes.
    Bytes(u64),
    /// The recorder never wrote the true length: as much as there is.
    ToTheEnd,
}

/// What the header says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Header {
    /// Channels, one at least.
    pub channels: u16,
    /// Frames a second, as written.
    pub rate: u32,
    /// How a sample is written.
    pub kind: SampleKind,
    /// How much sound follows.
    pub claim: Claim,
}

/// Reads up to the first sample. `length` is that of the whole file, where it is known:
/// it tells an empty recording from one whose length was never written.
pub(crate) fn read(source: &mut impl BufRead, length: Option<u64>) -> Result<Header, SoundError> {
    let start: [u8; 12] = take(source).map_err(|error| match error {
        SoundError::HeaderCutOff => SoundError::NotWave,
        other => other,
    })?;
    let [a, b, c, d, ..] = start;
    let wide = matches!(&[a, b, c, d], b"RF64" | b"BW64");
    if !(wide || &[a, b, c, d] == b"RIFF") || start[8..] != *b"WAVE" {
        return Err(SoundError::NotWave);
    }
    let mut whole = u64::from(number(&start[4..8])) + 8;
    let mut at: u64 = 12;
    let mut format = None;
    let mut long_data = None;
    loop {
        let head: [u8; 8] = take(source)?;
        let size = number(&head[4..8]);
        at += 8;
        match &head[..4] {
            b"data" => {
                let (channels, rate, kind) = format.ok_or(SoundError::NoFormat)?;
                let left = length.map(|length| length.saturating_sub(at));
                let claim = match (u64::from(size), long_data) {
                    (0 | 0xffff_ffff, Some(long))
                        if is_placeholder(long, left, length == Some(whole)) =>
                    {
                        Claim::ToTheEnd
                    }
                    (0 | 0xffff_ffff, Some(long)) => Claim::Bytes(long),
                    // An empty recording tells its own length right; a placeholder does not.
                    (0, _) if length != Some(whole) => Claim::ToTheEnd,
                    (claimed, _)
                        if claimed >= LEAST_PLACEHOLDER
                            && left.is_none_or(|left| left < claimed) =>
                    {
                        Claim::ToTheEnd
                    }
                    (claimed, _) => Claim::Bytes(claimed),
                };
                return Ok(Header {
                    channels,
                    rate,
                    kind,
                    claim,
                });
            }
            b"fmt " => {
                if !(16..=LONGEST_FORMAT).contains(&size) {
                    return Err(SoundError::Contradiction(format!(
                        "a fmt chunk of {size} bytes"
                    )));
                }
                let mut chunk = vec![0; size as usize];
                source.read_exact(&mut chunk)?;
                format = Some(format_of(&chunk)?);
            }
            b"ds64" if wide && size >= 28 => {
                let sizes: [u8; 16] = take(source)?;
                whole = long_number(&sizes[..8]).saturating_add(8);
                long_data = Some(long_number(&sizes[8..]));
                skip(source, u64::from(size) - 16)?;
            }
            _ => skip(source, u64::from(size))?,
        }
        at += u64::from(size);
        // Chunks begin at even places, but not all writers know; no chunk's name begins
        // with a zero.
        if size % 2 == 1 && source.fill_buf()?.first() == Some(&0) {
            source.consume(1);
            at += 1;
        }
    }
}

/// Whether a 64-bit length of the samples was never written: zero where the length of the
/// whole is not right either, or as many ones as fit, with and without a sign, in 64 or 32
/// bits. Any other length that the file does not hold is that of a file that was cut off.
fn is_placeholder(long: u64, left: Option<u64>, whole_is_right: bool) -> bool {
    let ones = [u64::MAX, u64::MAX >> 1, 0xffff_ffff, 0x7fff_ffff];
    // The recorder may have cut it to whole frames, of 256 bytes at most.
    let is_ones = ones
        .into_iter()
        .any(|ones| long <= ones && ones - long < 256);
    let too_long = left.is_none_or(|left| left < long);
    (long == 0 && !whole_is_right) || (is_ones && too_long)
}

/// Channels, rate and kind of sample from a format chunk of 16 bytes or more.
fn format_of(chunk: &[u8]) -> Result<(u16, u32, SampleKind), SoundError> {
    let short = |at: usize| match chunk.get(at..at + 2) {
        Some(&[low, high]) => u16::from_le_bytes([low, high]),
        _ => 0,
    };
    let (mut code, channels, frame, bits) = (short(0), short(2), short(12), short(14));
    if code == 0xfffe {
        code = short(24);
        if chunk.get(26..40) != Some(&IDENTIFIER_TAIL) {
            return Err(SoundError::Kind(
                "an extensible format that is neither integer nor float".to_owned(),
            ));
        }
    }
    let rate = number(&chunk[4..8]);
    if channels == 0 || rate == 0 {
        return Err(SoundError::Contradiction(format!(
            "{channels} channels at {rate} Hz"
        )));
    }
    let kind = match (code, bits) {
        (1, 1..=8) => SampleKind::Unsigned8,
        (1, 9..=16) => SampleKind::Signed16,
        // More bytes than bits need: the bits stand at the top.
        (1, 17..=32) if frame == channels.saturating_mul(4) => SampleKind::Signed32,
        (1, 17..=24) => SampleKind::Signed24,
        (1, 25..=32) => SampleKind::Signed32,
        (3, 32) => SampleKind::Float32,
        (3, 64) => SampleKind::Float64,
        (1, _) => return Err(SoundError::Kind(format!("integers of {bits} bits"))),
        (3, _) => return Err(SoundError::Kind(format!("floats of {bits} bits"))),
        _ => {
            return Err(SoundError::Kind(format!(
                "format code {code:#06x}, perhaps compressed"
            )));
        }
    };
    if usize::from(frame) != usize::from(channels) * kind.bytes() {
        return Err(SoundError::Contradiction(format!(
            "frames of {frame} bytes for {channels} channels of {bits} bits"
        )));
    }
    Ok((channels, rate, kind))
}

fn number(bytes: &[u8]) -> u32 {
    bytes
        .iter()
        .rev()
        .fold(0, |sum, byte| sum << 8 | u32::from(*byte))
}

fn long_number(bytes: &[u8]) -> u64 {
    bytes
        .iter()
        .rev()
        .fold(0, |sum, byte| sum << 8 | u64::from(*byte))
}

fn take<const N: usize>(source: &mut impl Read) -> Result<[u8; N], SoundError> {
    let mut bytes = [0; N];
    source.read_exact(&mut bytes)?;
    Ok(bytes)
}

/// Reads over a chunk; nothing of it is kept, however long it claims to be.
fn skip(source: &mut impl Read, bytes: u64) -> Result<(), SoundError> {
    if std::io::copy(&mut source.take(bytes), &mut std::io::sink())? < bytes {
        return Err(SoundError::HeaderCutOff);
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A format chunk of 16 bytes, at 48 kHz.
    fn format(code: u16, channels: u16, frame: u16, bits: u16) -> Vec<u8> {
        let mut chunk = Vec::new();
        chunk.extend(code.to_le_bytes());
        chunk.extend(channels.to_le_bytes());
        chunk.extend(48_000_u32.to_le_bytes());
        chunk.extend((48_000 * u32::from(frame)).to_le_bytes());
        chunk.extend(frame.to_le_bytes());
        chunk.extend(bits.to_le_bytes());
        chunk
    }

    /// A chunk with its own length before it, and no byte to fill it up.
    fn chunk(name: &[u8; 4], content: &[u8]) -> Vec<u8> {
        let size = content.len() as u32;
        [name.as_slice(), &size.to_le_bytes(), content].concat()
    }

    /// A file of 8 bytes of sound that claims such lengths of itself and of them.
    fn file(first: &[u8; 4], whole: Option<u32>, chunks: &[&[u8]], data: u32) -> Vec<u8> {
        let chunks = chunks.concat();
        let whole = whole.unwrap_or(chunks.len() as u32 + 20);
        [
            first.as_slice(),
            &whole.to_le_bytes(),
            b"WAVE",
            &chunks,
            b"data",
            &data.to_le_bytes(),
            &[0; 8],
        ]
        .concat()
    }

    fn said(bytes: &[u8]) -> Result<(SampleKind, Claim), String> {
        read(&mut &bytes[..], Some(bytes.len() as u64))
            .map(|header| (header.kind, header.claim))
            .map_err(|error| error.to_string())
    }

    #[test]
    fn how_samples_are_written_and_how_many_there_are() {
        let plain = chunk(b"fmt ", &format(1, 2, 4, 16));
        let ds64 = |data: u64| {
            let content = [112_u64.to_le_bytes(), data.to_le_bytes(), [0; 8]].concat();
            chunk(b"ds64", &[&content[..], &[0; 4]].concat())
        };
        // 24 bits in four bytes.
        let mut wide = format(0xfffe, 2, 8, 32);
        wide.extend([22, 0, 24, 0, 0, 0, 0, 0, 1, 0]);
        wide.extend(IDENTIFIER_TAIL);
        let wide = chunk(b"fmt ", &wide);
        let float = chunk(b"fmt ", &format(3, 1, 8, 64));
        let filled = [chunk(b"LIST", b"odd"), vec![0]].concat();
        let open = u32::MAX;
        let (short, all) = (SampleKind::Signed16, Claim::Bytes(8));
        for (file, kind, claim) in [
            (file(b"RIFF", None, &[&plain], 8), short, all),
            (file(b"RIFF", None, &[&wide], 8), SampleKind::Signed32, all),
            (file(b"RIFF", None, &[&float], 8), SampleKind::Float64, all),
            // Before the samples a chunk of odd length, filled up as it should be and not.
            (file(b"RIFF", None, &[&plain, &filled], 8), short, all),
            (
                file(b"RIFF", None, &[&plain, &chunk(b"LIST", b"odd")], 8),
                short,
                all,
            ),
            // Lengths in 64 bits: written, never written, and that of a file cut off.
            (
                file(b"RF64", Some(open), &[&ds64(8), &plain], open),
                short,
                all,
            ),
            (
                file(b"BW64", Some(open), &[&ds64(u64::MAX), &plain], open),
                short,
                Claim::ToTheEnd,
            ),
            (
                file(b"RF64", Some(open), &[&ds64(12), &plain], open),
                short,
                Claim::Bytes(12),
            ),
            // In 32 bits: never written, truly none, and that of a file cut off.
            (file(b"RIFF", Some(0), &[&plain], 0), short, Claim::ToTheEnd),
            (
                file(b"RIFF", Some(open), &[&plain], open),
                short,
                Claim::ToTheEnd,
            ),
            (file(b"RIFF", None, &[&plain], 0), short, Claim::Bytes(0)),
            (file(b"RIFF", None, &[&plain], 12), short, Claim::Bytes(12)),
        ] {
            assert_eq!(said(&file), Ok((kind, claim)), "{}", file.escape_ascii());
        }
    }

    #[test]
    fn what_is_no_header_is_said() {
        let of = |content: &[u8]| file(b"RIFF", None, &[&chunk(b"fmt ", content)], 8);
        let whole = of(&format(1, 2, 4, 16));
        let stranger = [&format(0xfffe, 2, 4, 16)[..], &[1; 24]].concat();
        for (bytes, why) in [
            (file(b"RIFX", None, &[], 8), "no WAV file"),
            (whole[..10].to_vec(), "no WAV file"),
            (whole[..30].to_vec(), "within its header"),
            (file(b"RIFF", None, &[], 8), "no fmt chunk"),
            (of(&[0; 15]), "a fmt chunk of 15 bytes"),
            (of(&format(1, 0, 0, 16)), "0 channels at 48000 Hz"),
            (of(&format(1, 2, 3, 16)), "frames of 3 bytes for 2 channels"),
            (of(&format(2, 2, 2, 4)), "0x0002, perhaps compressed"),
            (of(&format(3, 1, 2, 16)), "floats of 16 bits"),
            (of(&stranger), "neither integer nor float"),
        ] {
            let said = said(&bytes).unwrap_err();
            assert!(said.contains(why), "{said}");
        }
    }
}
