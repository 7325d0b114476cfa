//! Real audio, MIDI, serial instruments and the real clock.
