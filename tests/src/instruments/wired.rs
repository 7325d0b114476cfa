//! An instrument behind a port in memory, in the time of any clock.

use super::fake::Fake;
use model::port::Clock;
use model::quantity::Seconds;
use model::time::{Cancelled, HostTime, Stop, Timestamp};
use serialport::{
    ClearBuffer, DataBits, FlowControl, Parity, Result as Done, SerialPort, StopBits,
};
use std::io::{self, Read, Write};
use std::sync::atomic::{AtomicI64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

/// A clock that stands still until somebody waits.
#[derive(Debug, Default)]
pub struct StillClock(AtomicI64);

impl Clock for StillClock {
    fn now(&self) -> HostTime {
        HostTime::from_nanoseconds(self.0.load(Ordering::SeqCst))
    }
    fn wall(&self) -> Timestamp {
        Timestamp::UNIX_EPOCH
    }
    fn sleep_until(&self, due: HostTime, stop: &Stop) -> Result<(), Cancelled> {
        stop.check()?;
        self.0.fetch_max(due.nanoseconds(), Ordering::SeqCst);
        Ok(())
    }
}

/// One end of a wire with an instrument on the other. Waiting for bytes is waiting on the
/// clock, so on a clock that does not really wait hours pass at once.
#[derive(Clone)]
pub struct Wired {
    fake: Arc<Mutex<Fake>>,
    clock: Arc<dyn Clock>,
    /// Said by the instrument and not yet read.
    came: Arc<Mutex<Vec<u8>>>,
    timeout: Duration,
}

impl Wired {
    /// Wires an instrument up.
    #[must_use]
    pub fn new(fake: Fake, clock: Arc<dyn Clock>) -> Self {
        Self {
            fake: Arc::new(Mutex::new(fake)),
            clock,
            came: Arc::default(),
            timeout: Duration::ZERO,
        }
    }

    /// The instrument.
    pub fn fake(&self) -> MutexGuard<'_, Fake> {
        self.fake.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn now(&self) -> Duration {
        Duration::from_nanos(self.clock.now().nanoseconds().unsigned_abs())
    }

    /// What has come by now and was not yet read.
    fn came(&self) -> io::Result<MutexGuard<'_, Vec<u8>>> {
        let now = self.now();
        let said = self.fake().says(now);
        if !self.fake().is_plugged(now) {
            return Err(io::ErrorKind::BrokenPipe.into());
        }
        let mut came = self.came.lock().unwrap_or_else(PoisonError::into_inner);
        came.extend(said);
        Ok(came)
    }
}

impl Read for Wired {
    fn read(&mut self, bytes: &mut [u8]) -> io::Result<usize> {
        let until = self.now() + self.timeout;
        loop {
            {
                let mut came = self.came()?;
                let count = bytes.len().min(came.len());
                for (to, from) in bytes.iter_mut().zip(came.drain(..count)) {
                    *to = from;
                }
                if count > 0 {
                    return Ok(count);
                }
            }
            if self.now() >= until {
                return Err(io::ErrorKind::TimedOut.into());
            }
            let step = self.clock.now() + Seconds::of(0.001);
            let _ = self.clock.sleep_until(step, &Stop::new());
        }
    }
}

impl Write for Wired {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        drop(self.came()?);
        let now = self.now();
        self.fake().hears(now, bytes);
        Ok(bytes.len())
    }
    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

impl SerialPort for Wired {
    fn name(&self) -> Option<String> {
        None
    }
    fn baud_rate(&self) -> Done<u32> {
        Ok(9600)
    }
    fn data_bits(&self) -> Done<DataBits> {
        Ok(DataBits::Eight)
    }
    fn flow_control(&self) -> Done<FlowControl> {
        Ok(FlowControl::None)
    }
    fn parity(&self) -> Done<Parity> {
        Ok(Parity::None)
    }
    fn stop_bits(&self) -> Done<StopBits> {
        Ok(StopBits::One)
    }
    fn timeout(&self) -> Duration {
        self.timeout
    }
    fn set_baud_rate(&mut self, _: u32) -> Done<()> {
        Ok(())
    }
    fn set_data_bits(&mut self, _: DataBits) -> Done<()> {
        Ok(())
    }
    fn set_flow_control(&mut self, _: FlowControl) -> Done<()> {
        Ok(())
    }
    fn set_parity(&mut self, _: Parity) -> Done<()> {
        Ok(())
    }
    fn set_stop_bits(&mut self, _: StopBits) -> Done<()> {
        Ok(())
    }
    fn set_timeout(&mut self, timeout: Duration) -> Done<()> {
        self.timeout = timeout;
        Ok(())
    }
    fn write_request_to_send(&mut self, _: bool) -> Done<()> {
        Ok(())
    }
    fn write_data_terminal_ready(&mut self, _: bool) -> Done<()> {
        Ok(())
    }
    fn read_clear_to_send(&mut self) -> Done<bool> {
        Ok(true)
    }
    fn read_data_set_ready(&mut self) -> Done<bool> {
        Ok(true)
    }
    fn read_ring_indicator(&mut self) -> Done<bool> {
        Ok(false)
    }
    fn read_carrier_detect(&mut self) -> Done<bool> {
        Ok(true)
    }
    fn bytes_to_read(&self) -> Done<u32> {
        Ok(u32::try_from(self.came()?.len()).unwrap_or(u32::MAX))
    }
    fn bytes_to_write(&self) -> Done<u32> {
        Ok(0)
    }
    fn clear(&self, _: ClearBuffer) -> Done<()> {
        Ok(())
    }
    fn try_clone(&self) -> Done<Box<dyn SerialPort>> {
        Ok(Box::new(self.clone()))
    }
    fn set_break(&self) -> Done<()> {
        Ok(())
    }
    fn clear_break(&self) -> Done<()> {
        Ok(())
    }
}
