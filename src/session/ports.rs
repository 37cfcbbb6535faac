//! Which serial ports are there, what is plugged into them, and who holds one.

use std::collections::BTreeMap;
use std::fs;
use std::os::unix::fs::FileTypeExt;
use std::os::unix::fs::MetadataExt;
use std::path::Path;
use std::path::PathBuf;

use serialport::SerialPortType;

/// Names under which a USB adapter comes back, whatever socket and order it is plugged in.
const BY_ID: &str = "/dev/serial/by-id";

/// A serial port that the machine has now.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PortSeen {
    /// The device, such as `/dev/ttyUSB0`. Which adapter gets which number may change at each plugging in.
    pub name: String,
    /// The name to put into a study: a link that follows the adapter. `None` where the system makes none.
    pub stable_name: Option<String>,
    /// What the USB adapter says of itself. `None` for a port that is not on USB.
    pub usb: Option<UsbSeen>,
}

/// What a USB adapter says of itself.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct UsbSeen {
    /// Vendor number.
    pub vendor_id: u16,
    /// Product number.
    pub product_id: u16,
    /// Serial number. Many cheap adapters have none.
    pub serial_number: Option<String>,
    /// Maker, in its own words.
    pub manufacturer: Option<String>,
    /// Product, in its own words.
    pub product: Option<String>,
}

/// A process that has a port open.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Holder {
    /// Its process id.
    pub pid: u32,
    /// The name of the program, as far as the system tells (Linux cuts it at 15 characters).
    pub program: String,
}

impl PortSeen {
    /// The name to prefer: the stable one where there is one.
    pub fn best_name(&self) -> &str {
        self.stable_name.as_deref().unwrap_or(&self.name)
    }
}

/// The serial ports of this machine, by name. Pseudo-terminals are not among them. A machine that cannot
/// list its ports gives an empty list: that is no reason not to open one by name.
pub fn list() -> Vec<PortSeen> {
    let links = stable_links(Path::new(BY_ID));
    let mut seen: Vec<PortSeen> = listed_by_the_system()
        .into_iter()
        .map(|port| PortSeen {
            stable_name: links.get(Path::new(&port.port_name)).cloned(),
            usb: usb_of(port.port_type),
            name: port.port_name,
        })
        .collect();
    for (device, link) in links {
        let name = device.to_string_lossy().into_owned();
        if !seen.iter().any(|p| p.name == name) {
            seen.push(PortSeen { name, stable_name: Some(link), usb: None });
        }
    }
    seen.sort_by(|a, b| a.name.cmp(&b.name));
    seen
}

fn listed_by_the_system() -> Vec<serialport::SerialPortInfo> {
    // `available_ports` panics on a Linux where this folder cannot be read, as in a bare container.
    if cfg!(target_os = "linux") && fs::read_dir("/sys/class/tty").is_err() {
        return Vec::new();
    }
    serialport::available_ports().unwrap_or_default()
}

fn usb_of(kind: SerialPortType) -> Option<UsbSeen> {
    match kind {
        SerialPortType::UsbPort(usb) => Some(UsbSeen {
            vendor_id: usb.vid,
            product_id: usb.pid,
            serial_number: usb.serial_number,
            manufacturer: usb.manufacturer,
            product: usb.product,
        }),
        _ => None,
    }
}

/// The links in `folder`, by the device each leads to. The first by name wins where several lead to one.
fn stable_links(folder: &Path) -> BTreeMap<PathBuf, String> {
    let mut links: Vec<PathBuf> = match fs::read_dir(folder) {
        Ok(entries) => entries.flatten().map(|e| e.path()).collect(),
        Err(_) => Vec::new(),
    };
    links.sort();
    let mut by_device = BTreeMap::new();
    for link in links {
        if let Ok(device) = fs::canonicalize(&link) {
            by_device.entry(device).or_insert_with(|| link.to_string_lossy().into_owned());
        }
    }
    by_device
}

/// The processes other than this one that have the device at `path` open, by process id. Processes that
/// this user may not look into are left out, and so the list may be empty for a port that is held. Who
/// has the far end of a pseudo-terminal is the meter and not a rival, and is left out too: many programs
/// that stand in for a meter keep both ends open, so that theirs outlives whoever reads the other.
pub fn who_holds(path: &Path) -> Vec<Holder> {
    let Some(device) = Device::at(path) else { return Vec::new() };
    let Ok(processes) = fs::read_dir("/proc") else { return Vec::new() };
    let own = std::process::id();
    let mut holders: Vec<Holder> = processes
        .flatten()
        .filter_map(|entry| entry.file_name().to_str()?.parse().ok())
        .filter(|pid| *pid != own && holds(*pid, &device))
        .map(|pid| Holder { pid, program: program_of(pid) })
        .collect();
    holders.sort_by_key(|h| h.pid);
    holders
}

/// Enough of a device node to know it again.
struct Device {
    number: u64,
    file_system: u64,
}

impl Device {
    fn at(path: &Path) -> Option<Device> {
        let meta = fs::metadata(path).ok()?;
        meta.file_type().is_char_device().then(|| Device { number: meta.rdev(), file_system: meta.dev() })
    }

    fn is_pseudo_terminal(&self) -> bool {
        (136..=143).contains(&rustix::fs::major(self.number))
    }

    fn is_same_as(&self, other: &Device) -> bool {
        // Pseudo-terminals are numbered anew within each container, so that equal numbers (majors 136 to
        // 143 on Linux) mean the same one only within one file system. Other devices may have many nodes.
        self.number == other.number && (!self.is_pseudo_terminal() || self.file_system == other.file_system)
    }
}

fn holds(pid: u32, device: &Device) -> bool {
    let Ok(open) = fs::read_dir(format!("/proc/{pid}/fd")) else { return false };
    // The text of the link is asked first: looking at the file itself may hang on a dead network disk.
    let under_dev: Vec<PathBuf> = open
        .flatten()
        .map(|entry| entry.path())
        .filter(|path| fs::read_link(path).is_ok_and(|to| to.starts_with("/dev")))
        .collect();
    let has_it = |path: &PathBuf| Device::at(path).is_some_and(|d| d.is_same_as(device));
    under_dev.iter().any(has_it) && !under_dev.iter().any(|path| is_far_end(pid, path, device))
}

/// Whether an open file is the master of this pseudo-terminal: the system tells its number with the file.
fn is_far_end(pid: u32, path: &Path, device: &Device) -> bool {
    let Some(number) = path.file_name().and_then(|name| name.to_str()) else { return false };
    let is_master = || fs::read_link(path).is_ok_and(|to| to.ends_with("ptmx"));
    let index = || {
        let told = fs::read_to_string(format!("/proc/{pid}/fdinfo/{number}")).ok()?;
        told.lines().find_map(|line| line.strip_prefix("tty-index:")?.trim().parse::<u32>().ok())
    };
    device.is_pseudo_terminal() && is_master() && index() == Some(rustix::fs::minor(device.number))
}

fn program_of(pid: u32) -> String {
    match fs::read_to_string(format!("/proc/{pid}/comm")) {
        Ok(name) => name.trim_end().to_owned(),
        Err(_) => "unknown".to_owned(),
    }
}

/// The name among `seen` that was most likely meant by `asked`, if one is close.
pub fn nearest<'a>(asked: &str, seen: &'a [PortSeen]) -> Option<&'a str> {
    let last = |name: &str| name.rsplit('/').next().unwrap_or_default().to_lowercase();
    let asked = last(asked);
    seen.iter()
        .flat_map(|p| [Some(p.name.as_str()), p.stable_name.as_deref()])
        .flatten()
        .map(|name| (strsim::normalized_damerau_levenshtein(&asked, &last(name)), name))
        .filter(|(likeness, _)| *likeness >= 0.7)
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, name)| name)
}

/// The group whose members may use the device at `path`, where its permissions name one that helps.
pub fn group_of(path: &Path) -> Option<String> {
    let meta = fs::metadata(path).ok()?;
    // The group must be allowed to read and write, and nobody should be sent into the group of root.
    if meta.mode() & 0o060 != 0o060 || meta.gid() == 0 {
        return None;
    }
    group_name(&fs::read_to_string("/etc/group").ok()?, meta.gid())
}

/// Whether this user may read and write the device at `path`.
pub fn may_use(path: &Path) -> bool {
    rustix::fs::access(path, rustix::fs::Access::READ_OK | rustix::fs::Access::WRITE_OK).is_ok()
}

/// The terminal device that `path` is or leads to. `None` where nothing is there, or something else is: a
/// file, a folder, or a device that is no terminal.
pub fn device_of(path: &Path) -> Option<PathBuf> {
    let real = fs::canonicalize(path).ok()?;
    let is_device = fs::metadata(&real).is_ok_and(|meta| meta.file_type().is_char_device());
    (is_device && may_be_a_terminal(&real)).then_some(real)
}

/// Whether `path` is, or leads to, a file with bytes of its own, and so no port.
pub fn is_plain_file(path: &Path) -> bool {
    fs::metadata(path).is_ok_and(|meta| meta.is_file())
}

/// By its number alone, since opening a real port moves its DTR line. What the memory and random devices
/// (major 1) are is known; any other gets the benefit of the doubt.
fn may_be_a_terminal(path: &Path) -> bool {
    fs::metadata(path).is_ok_and(|meta| rustix::fs::major(meta.rdev()) != 1)
}

fn group_name(groups: &str, gid: u32) -> Option<String> {
    groups.lines().find_map(|line| {
        let mut fields = line.split(':');
        let name = fields.next()?;
        let number: u32 = fields.nth(1)?.parse().ok()?;
        (number == gid).then(|| name.to_owned())
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn port(name: &str, stable: Option<&str>) -> PortSeen {
        PortSeen { name: name.into(), stable_name: stable.map(Into::into), usb: None }
    }

    #[test]
    fn a_slip_of_the_finger_finds_the_port_that_was_meant() {
        let seen =
            [port("/dev/ttyS0", None), port("/dev/ttyUSB1", Some("/dev/serial/by-id/usb-bench-port0"))];
        assert_eq!(nearest("/dev/ttyUSB0", &seen), Some("/dev/ttyUSB1"));
        assert_eq!(nearest("ttyusb1", &seen), Some("/dev/ttyUSB1"));
        assert_eq!(
            nearest("/dev/serial/by-id/usb-bensh-port0", &seen),
            Some("/dev/serial/by-id/usb-bench-port0")
        );
        assert_eq!(nearest("/dev/meter", &seen), None);
        assert_eq!(nearest("", &seen), None);
    }

    #[test]
    fn a_group_is_found_by_its_number_and_odd_lines_are_passed_over() {
        let groups = "root:x:0:\nbroken\n\ndialout:x:20:ann,bo\nshort:x\n";
        assert_eq!(group_name(groups, 20).as_deref(), Some("dialout"));
        assert_eq!(group_name(groups, 21), None);
    }

    #[test]
    fn a_link_by_id_is_known_by_the_device_it_leads_to() {
        let folder = tempfile::tempdir().unwrap();
        let device = folder.path().join("ttyX0");
        fs::write(&device, "").unwrap();
        let by_id = folder.path().join("by-id");
        fs::create_dir(&by_id).unwrap();
        std::os::unix::fs::symlink(&device, by_id.join("usb-b")).unwrap();
        std::os::unix::fs::symlink(&device, by_id.join("usb-a")).unwrap();
        std::os::unix::fs::symlink(folder.path().join("gone"), by_id.join("usb-c")).unwrap();
        let links = stable_links(&by_id);
        let found: Vec<_> = links.into_iter().collect();
        let real = fs::canonicalize(&device).unwrap();
        assert_eq!(found, [(real, by_id.join("usb-a").to_string_lossy().into_owned())]);
    }

    #[test]
    fn a_file_a_folder_and_the_null_device_are_no_ports() {
        let folder = tempfile::tempdir().unwrap();
        let file = tempfile::NamedTempFile::new().unwrap();
        for path in [folder.path(), file.path(), Path::new("/dev/null"), Path::new("/nowhere/at/all")] {
            assert_eq!(device_of(path), None, "{}", path.display());
        }
    }

    #[test]
    fn a_folder_that_is_not_there_gives_no_links() {
        assert!(stable_links(Path::new("/nowhere/at/all")).is_empty());
    }

    #[test]
    fn a_plain_file_and_a_missing_one_are_held_by_nobody() {
        let file = tempfile::NamedTempFile::new().unwrap();
        assert_eq!(who_holds(file.path()), []);
        assert_eq!(who_holds(Path::new("/nowhere/at/all")), []);
    }
}
