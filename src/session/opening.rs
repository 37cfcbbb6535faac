//! How a serial port is opened: its settings, who may be in the way, and what it held before.

use std::os::unix::fs::FileTypeExt;
use std::path::Path;
use std::time::Duration;

use serialport::SerialPort;
use tokio_serial::SerialStream;

pub use crate::meter::{FlowControl, Parity};
use crate::session::ports;
use crate::session::ports::Holder;

use crate::session::problem::LinkProblem;
use crate::session::problem::is_terminal;

/// The most bytes that one event of a link carries.
pub const MOST_BYTES: usize = 64 * 1024;

/// How a port is opened.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LinkSettings {
    /// The device's name, best a stable one such as a link by id.
    pub port: String,
    /// Rate, bits per second.
    pub baud: u32,
    /// Bits in a character, 5 to 8.
    pub data_bits: u8,
    /// Parity bit.
    pub parity: Parity,
    /// Stop bits, 1 or 2.
    pub stop_bits: u8,
    /// Flow control.
    pub flow_control: FlowControl,
    /// What to set the DTR line to at opening. `None` leaves it to the driver, which raises it on Linux;
    /// some meters and adapters start anew at that.
    pub dtr: Option<bool>,
    /// How long to wait after opening, in milliseconds, before what comes is fresh: for a meter that says
    /// something when it starts. Bytes from before are stale.
    pub settle_ms: u32,
}

impl LinkSettings {
    /// The usual settings, 9600 baud 8N1 without flow control, for the port of that name.
    pub fn new(port: impl Into<String>) -> LinkSettings {
        LinkSettings {
            port: port.into(),
            baud: 9600,
            data_bits: 8,
            parity: Parity::None,
            stop_bits: 1,
            flow_control: FlowControl::None,
            dtr: None,
            settle_ms: 0,
        }
    }

    /// The settings of the line in the usual short form, such as `9600 baud, 8N1`.
    pub fn in_words(&self) -> String {
        let parity = match self.parity {
            Parity::None => 'N',
            Parity::Odd => 'O',
            Parity::Even => 'E',
        };
        let flow = match self.flow_control {
            FlowControl::None => "",
            FlowControl::Software => ", XON/XOFF",
            FlowControl::Hardware => ", RTS/CTS",
        };
        format!("{} baud, {}{parity}{}{flow}", self.baud, self.data_bits, self.stop_bits)
    }

    fn builder(&self) -> Result<serialport::SerialPortBuilder, LinkProblem> {
        let refused = |said: &str| LinkProblem::SettingsRefused {
            port: self.port.clone(),
            settings: self.in_words(),
            said: said.into(),
        };
        // A rate of 0 means "hang up" to the driver.
        if self.baud == 0 {
            return Err(refused("the rate must be above 0"));
        }
        let data_bits = serialport::DataBits::try_from(self.data_bits)
            .map_err(|_| refused("a character has 5, 6, 7 or 8 data bits"))?;
        let stop_bits = serialport::StopBits::try_from(self.stop_bits)
            .map_err(|_| refused("there are 1 or 2 stop bits"))?;
        let parity = match self.parity {
            Parity::None => serialport::Parity::None,
            Parity::Odd => serialport::Parity::Odd,
            Parity::Even => serialport::Parity::Even,
        };
        let flow_control = match self.flow_control {
            FlowControl::None => serialport::FlowControl::None,
            FlowControl::Software => serialport::FlowControl::Software,
            FlowControl::Hardware => serialport::FlowControl::Hardware,
        };
        let builder = tokio_serial::new(&self.port, self.baud)
            .data_bits(data_bits)
            .parity(parity)
            .stop_bits(stop_bits)
            .flow_control(flow_control);
        Ok(match self.dtr {
            Some(level) => builder.dtr_on_open(level),
            None => builder.preserve_dtr_on_open(),
        })
    }
}

/// A port that was opened just now.
pub(super) struct Fresh {
    pub(super) stream: SerialStream,
    /// What had waited in the driver. Left there for later when the meter is given time to settle.
    pub(super) stale: Vec<u8>,
}

/// Opens the port, which may take its time: not for the thread of an event loop, but within its runtime.
pub(super) fn open_port(settings: &LinkSettings) -> Result<Fresh, LinkProblem> {
    let port = settings.port.as_str();
    let builder = settings.builder()?;
    let meta = std::fs::metadata(port).map_err(|e| LinkProblem::from_io(port, &e))?;
    if !meta.file_type().is_char_device() {
        return Err(LinkProblem::NotASerialPort { port: port.into() });
    }
    // The kernel lets an administrator into a port that is open exclusively elsewhere, so look first.
    if let Some(holder) = holder_for_good(Path::new(port)) {
        // Devices of other kinds, such as /dev/null, are open in half the programs of a machine.
        if !is_terminal(port) {
            return Err(LinkProblem::NotASerialPort { port: port.into() });
        }
        return Err(LinkProblem::Busy { port: port.into(), holder: Some(holder) });
    }
    let mut stream = SerialStream::open(&builder)
        .map_err(|e| LinkProblem::from_opening(port, &settings.in_words(), &e))?;
    // At once, so that as little as may be of what the meter sends from now on is taken for old.
    let stale = if settings.settle_ms == 0 { take_stale(&mut stream) } else { Vec::new() };
    Ok(Fresh { stream, stale })
}

/// The first process that holds the port at two looks. At one look alone a process may be met that is just
/// being started by this program, and has for an instant all that this program has open.
fn holder_for_good(port: &Path) -> Option<Holder> {
    let at_first = ports::who_holds(port);
    if at_first.is_empty() {
        return None;
    }
    // On the thread of the opening, which holds up nobody else.
    std::thread::sleep(Duration::from_millis(20));
    ports::who_holds(port).into_iter().find(|holder| at_first.iter().any(|h| h.pid == holder.pid))
}

/// What the driver holds now, but no more than [`MOST_BYTES`]: a meter that never stops sending must not
/// keep the link from coming up.
pub(super) fn take_stale(stream: &mut SerialStream) -> Vec<u8> {
    let mut stale = Vec::new();
    while stale.len() < MOST_BYTES {
        // Only as much as is said to be there: more would be fresh. Errors are met again at the first read.
        let there = stream.bytes_to_read().unwrap_or(0) as usize;
        let mut buf = vec![0; there.min(MOST_BYTES - stale.len())];
        match stream.try_read(&mut buf) {
            Ok(n) if n > 0 => stale.extend_from_slice(&buf[..n]),
            _ => break,
        }
    }
    stale
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn settings_are_put_in_the_usual_short_form() {
        let mut settings = LinkSettings::new("/dev/ttyUSB0");
        assert_eq!(settings.in_words(), "9600 baud, 8N1");
        settings = LinkSettings {
            baud: 1200,
            data_bits: 7,
            parity: Parity::Even,
            stop_bits: 2,
            flow_control: FlowControl::Hardware,
            ..settings
        };
        assert_eq!(settings.in_words(), "1200 baud, 7E2, RTS/CTS");
    }

    #[test]
    fn settings_that_no_line_has_are_refused_before_the_port_is_touched() {
        let good = LinkSettings::new("/nowhere");
        for bad in [
            LinkSettings { baud: 0, ..good.clone() },
            LinkSettings { data_bits: 9, ..good.clone() },
            LinkSettings { stop_bits: 3, ..good.clone() },
        ] {
            assert_eq!(open_port(&bad).err().unwrap().kind(), "settings-refused");
        }
        assert_eq!(open_port(&good).err().unwrap().kind(), "no-such-port");
    }
}
