//! Notes and fractions of a note to MIDI bytes or volts.
