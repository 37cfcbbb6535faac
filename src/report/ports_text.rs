//! The serial ports of a machine, for somebody who wants to know which one the meter is on.

use crate::session::ports::Holder;
use crate::session::ports::PortSeen;
use crate::session::ports::UsbSeen;
use crate::text::wrapped;
use serde_json::Value;
use serde_json::json;

/// Columns of a terminal.
const WIDTH: usize = 80;

/// Where the right column begins.
const INDENT: usize = 12;

/// Whether this user may use a port.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Access {
    /// May read and write it.
    Allowed,
    /// May not; the members of this group may.
    ByGroup(String),
    /// May not, and no group would help.
    Denied,
}

/// A port and all that was found out about it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PortRow {
    /// The port.
    pub seen: PortSeen,
    /// Who has it open, as far as this user may see.
    pub holders: Vec<Holder>,
    /// Whether this user may use it.
    pub access: Access,
    /// The studies, among those that were named, whose meter is on it.
    pub studies: Vec<String>,
}

/// What to look for on a machine without any port.
pub const NOTHING: &str = "\
No serial port is there. Plug the meter's cable or its USB adapter in and list again. A meter with a USB \
socket may have to be switched to a serial mode in its menu. If still nothing comes, look at what the system \
says at plugging in (`sudo dmesg | tail`): an adapter that is named there, but gets no /dev/ttyUSB or \
/dev/ttyACM, lacks its driver; one that is not named has a cable that only charges, or is broken.";

/// All ports, each in a few lines within 80 columns; a name stands on a line of its own, however long.
#[must_use]
pub fn text(ports: &[PortRow]) -> Vec<String> {
    if ports.is_empty() {
        return wrapped(NOTHING, WIDTH);
    }
    let mut lines = Vec::new();
    for (at, port) in ports.iter().enumerate() {
        if at > 0 {
            lines.push(String::new());
        }
        lines.extend(one(port));
    }
    lines
}

fn one(port: &PortRow) -> Vec<String> {
    let mut lines = vec![plain(port.seen.best_name())];
    if port.seen.stable_name.is_some() {
        lines.extend(entry("device", &port.seen.name));
    }
    if let Some(usb) = &port.seen.usb {
        lines.extend(entry("adapter", &adapter(usb)));
        let number = usb.serial_number.as_deref().unwrap_or("none: another of its kind looks the same");
        lines.extend(entry("number", number));
    }
    let holders: Vec<String> =
        port.holders.iter().map(|holder| format!("{} (process {})", holder.program, holder.pid)).collect();
    let in_use = if holders.is_empty() {
        "no, as far as this user may see".to_owned()
    } else {
        format!("by {}", holders.join(", "))
    };
    lines.extend(entry("in use", &in_use));
    let access = match &port.access {
        Access::Allowed => "this user may read and write it".to_owned(),
        Access::ByGroup(group) => {
            format!("not for this user: `sudo usermod -aG {group} $USER`, then log out and in again")
        }
        Access::Denied => {
            "not for this user: ask the administrator for the right to read and write it".into()
        }
    };
    lines.extend(entry("access", &access));
    if !port.studies.is_empty() {
        lines.extend(entry("study", &port.studies.join(", ")));
    }
    lines
}

fn adapter(usb: &UsbSeen) -> String {
    let words = [usb.manufacturer.as_deref(), usb.product.as_deref()];
    let words: Vec<&str> = words.into_iter().flatten().collect();
    let numbers = format!("USB {:04x}:{:04x}", usb.vendor_id, usb.product_id);
    if words.is_empty() { numbers } else { format!("{} ({numbers})", words.join(", ")) }
}

fn entry(label: &str, value: &str) -> Vec<String> {
    let mut label = label;
    let mut lines = Vec::new();
    for part in wrapped(&plain(value), WIDTH - INDENT) {
        lines.push(format!("  {label:<width$}{part}", width = INDENT - 2));
        label = "";
    }
    lines
}

/// What an adapter says of itself must not begin a line of its own.
fn plain(text: &str) -> String {
    text.chars().map(|c| if c.is_control() { '\u{fffd}' } else { c }).collect()
}

/// The ports as one JSON array; what is not known is null.
#[must_use]
pub fn json(ports: &[PortRow]) -> Value {
    ports.iter().map(one_json).collect()
}

fn one_json(port: &PortRow) -> Value {
    let usb = port.seen.usb.as_ref().map(|usb| {
        json!({
            "vendor_id": format!("{:04x}", usb.vendor_id), "product_id": format!("{:04x}", usb.product_id),
            "vendor": usb.manufacturer, "product": usb.product, "serial_number": usb.serial_number,
        })
    });
    let holders: Vec<Value> =
        port.holders.iter().map(|holder| json!({ "pid": holder.pid, "program": holder.program })).collect();
    let group = match &port.access {
        Access::ByGroup(group) => Some(group),
        _ => None,
    };
    json!({
        "name": port.seen.best_name(), "device": port.seen.name, "stable_name": port.seen.stable_name,
        "usb": usb, "held_by": holders, "may_use": port.access == Access::Allowed, "group_to_join": group,
        "studies": port.studies,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    const BY_ID: &str =
        "/dev/serial/by-id/usb-Bench_Works_Quite_A_Long_Adapter_Name_With_Its_Number_A1-if00-port0";

    fn adapter_port() -> PortRow {
        PortRow {
            seen: PortSeen {
                name: "/dev/ttyUSB0".into(),
                stable_name: Some(BY_ID.into()),
                usb: Some(UsbSeen {
                    vendor_id: 0x1209,
                    product_id: 1,
                    serial_number: Some("A1".into()),
                    manufacturer: Some("Bench Works".into()),
                    product: Some("Long\nAdapter\x1b[2J".into()),
                }),
            },
            holders: vec![Holder { pid: 812, program: "minicom".into() }],
            access: Access::ByGroup("dialout".into()),
            studies: vec!["harbour".into()],
        }
    }

    #[test]
    fn a_port_is_told_under_its_lasting_name_with_all_that_stands_in_the_way() {
        let wanted = format!(
            "{BY_ID}\n  device    /dev/ttyUSB0\n  adapter   Bench Works, Long\u{fffd}Adapter\u{fffd}[2J (USB 1209:0001)\n  \
             number    A1\n  in use    by minicom (process 812)\n  access    not for this user: `sudo usermod \
             -aG dialout $USER`, then log out\n            and in again\n  study     harbour"
        );
        assert_eq!(text(&[adapter_port()]).join("\n"), wanted);
        let is_narrow = |line: &String| line == BY_ID || line.chars().count() <= 80;
        assert!(text(&[adapter_port()]).iter().all(is_narrow));
    }

    #[test]
    fn a_machine_without_ports_is_told_what_to_look_for() {
        let lines = text(&[]);
        assert!(lines.iter().all(|line| line.chars().count() <= 80));
        assert!(lines.join(" ").contains("Plug the meter's cable"));
        assert_eq!(json(&[]), json!([]));
    }

    #[test]
    fn what_is_not_known_is_null_for_programs() {
        let bare = PortRow {
            seen: PortSeen { name: "/dev/ttyS0".into(), stable_name: None, usb: None },
            holders: Vec::new(),
            access: Access::Denied,
            studies: Vec::new(),
        };
        assert_eq!(
            json(&[bare]),
            json!([{
                "name": "/dev/ttyS0", "device": "/dev/ttyS0", "stable_name": null, "usb": null,
                "held_by": [], "may_use": false, "group_to_join": null, "studies": [],
            }])
        );
    }
}
