//! Audio libraries that write to stderr by themselves.

/// Keeps ALSA's library, and JACK's, from writing to stderr when called from this
/// thread. What matters comes back as an error; what they write is about devices
/// that were looked at in passing.
pub(crate) fn audio_libraries() {
    #[cfg(target_os = "linux")]
    {
        // Without memory for a buffer they write on.
        let _ = alsa::Output::local_error_handler();
    }
    #[cfg(feature = "jack")]
    jack::set_logger(jack::LoggerType::None);
}
