//! MIDI output ports of the machine.
