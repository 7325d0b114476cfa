//! Units with physics, an interface, an audio input and a room, in virtual time.
