//! The serial ports that this machine has, as the system names them, and who holds one.

use std::fs;
use std::path::{Path, PathBuf};

/// Where the system says what there is.
#[derive(Debug, Clone)]
pub struct System {
    /// `/dev`.
    pub dev: PathBuf,
    /// `/sys/class/tty`.
    pub tty: PathBuf,
    /// `/proc`.
    pub proc: PathBuf,
}

impl Default for System {
    fn default() -> Self {
        Self { dev: "/dev".into(), tty: "/sys/class/tty".into(), proc: "/proc".into() }
    }
}

/// One serial port.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PortHere {
    /// Path under `/dev/serial/by-id`, which stays when cables move.
    pub by_id: Option<PathBuf>,
    /// The device that it is now.
    pub device: PathBuf,
    /// Of a USB adapter: vendor and product as the system says them, `0403:6001`.
    pub usb: Option<String>,
    /// Of a USB adapter: its serial number; adapters without one look alike.
    pub serial: Option<String>,
    /// Its driver.
    pub driver: Option<String>,
}

impl System {
    /// All serial ports, by device. One that has no chip behind it is left out.
    pub fn ports(&self) -> Vec<PortHere> {
        let mut ports: Vec<PortHere> = entries(&self.tty)
            .into_iter()
            .filter_map(|entry| {
                let name = entry.file_name()?.to_string_lossy().into_owned();
                // Of the kernel's own terminals none stands on a device; an 8250 without a chip has
                // type 0.
                let real = entry.join("device").exists() && read(&entry.join("type")).as_deref() != Some("0");
                real.then(|| self.port(&entry, &name))
            })
            .collect();
        ports.sort_by(|a, b| a.device.cmp(&b.device));
        ports
    }

    fn port(&self, entry: &Path, name: &str) -> PortHere {
        let device = self.dev.join(name);
        let base = entry.join("device");
        let driver = fs::canonicalize(base.join("driver")).ok();
        let driver = driver.and_then(|path| Some(path.file_name()?.to_string_lossy().into_owned()));
        // The USB device is a few steps above the terminal.
        let real = fs::canonicalize(&base).unwrap_or(base);
        let usb = real.ancestors().find(|folder| folder.join("idVendor").is_file());
        let of_usb = |key: &str| usb.and_then(|folder| read(&folder.join(key)));
        let ids = of_usb("idVendor").zip(of_usb("idProduct"));
        PortHere {
            by_id: self.by_id(&device),
            usb: ids.map(|(vendor, product)| format!("{vendor}:{product}")),
            serial: of_usb("serial"),
            device,
            driver,
        }
    }

    /// The name under `/dev/serial/by-id` of the device that `path` leads to.
    pub fn by_id(&self, path: &Path) -> Option<PathBuf> {
        let device = fs::canonicalize(path).ok()?;
        let leads_there = |link: &PathBuf| fs::canonicalize(link).is_ok_and(|target| target == device);
        entries(&self.dev.join("serial/by-id")).into_iter().find(leads_there)
    }

    /// Number and name of each process that has the device open, as far as this user may see.
    pub fn holders(&self, path: &Path) -> Vec<(u32, String)> {
        let Ok(device) = fs::canonicalize(path) else { return Vec::new() };
        let holds = |process: &PathBuf| {
            let opened = entries(&process.join("fd"));
            opened.iter().any(|opened| fs::read_link(opened).is_ok_and(|target| target == device))
        };
        let number = |process: &PathBuf| process.file_name()?.to_str()?.parse().ok();
        entries(&self.proc)
            .into_iter()
            .filter_map(|process| Some((number(&process)?, process)))
            .filter(|(_, process)| holds(process))
            .map(|(number, process)| (number, read(&process.join("comm")).unwrap_or_default()))
            .collect()
    }

    /// User, group and rights of the device as the system says them: `0:20 mode 660`.
    pub fn rights(path: &Path) -> Option<String> {
        use std::os::unix::fs::MetadataExt;
        let about = fs::metadata(path).ok()?;
        Some(format!("user {}, group {}, mode {:o}", about.uid(), about.gid(), about.mode() & 0o777))
    }
}

/// What stands in a folder, by name; nothing where it cannot be read.
fn entries(folder: &Path) -> Vec<PathBuf> {
    let read = fs::read_dir(folder).into_iter().flatten();
    let mut paths: Vec<PathBuf> = read.flatten().map(|entry| entry.path()).collect();
    paths.sort();
    paths
}

fn read(path: &Path) -> Option<String> {
    fs::read_to_string(path).ok().map(|text| text.trim().to_owned()).filter(|text| !text.is_empty())
}

#[cfg(test)]
mod test {
    use super::*;
    use std::os::unix::fs::symlink;

    /// A tree like the kernel's: a USB adapter, a chip on the board, a port without a chip and a
    /// console. Laid out by the kernel's documentation of sysfs and by a look at a machine.
    fn system(test: &str) -> (PathBuf, System) {
        let root = std::env::temp_dir().join(format!("stillstand-ports-{}-{test}", std::process::id()));
        let _ = fs::remove_dir_all(&root);
        let write = |path: &str, text: &str| {
            let path = root.join(path);
            fs::create_dir_all(path.parent().unwrap()).unwrap();
            fs::write(path, text).unwrap();
        };
        for name in ["ttyUSB0", "ttyS0", "ttyS1", "tty1"] {
            write(&format!("dev/{name}"), "");
            fs::create_dir_all(root.join("class").join(name)).unwrap();
        }
        write("devices/usb1/1-2/idVendor", "1a2b\n");
        write("devices/usb1/1-2/idProduct", "3c4d\n");
        write("devices/usb1/1-2/serial", "SAMPLE7\n");
        write("devices/usb1/1-2/1-2:1.0/ttyUSB0/port_number", "0\n");
        write("drivers/adapter/x", "");
        symlink(root.join("drivers/adapter"), root.join("devices/usb1/1-2/1-2:1.0/ttyUSB0/driver")).unwrap();
        symlink(root.join("devices/usb1/1-2/1-2:1.0/ttyUSB0"), root.join("class/ttyUSB0/device")).unwrap();
        write("devices/serial/x", "");
        for (name, kind) in [("ttyS0", "4\n"), ("ttyS1", "0\n")] {
            symlink(root.join("devices/serial"), root.join(format!("class/{name}/device"))).unwrap();
            write(&format!("class/{name}/type"), kind);
        }
        fs::create_dir_all(root.join("dev/serial/by-id")).unwrap();
        symlink("../../ttyUSB0", root.join("dev/serial/by-id/usb-adapter-port0")).unwrap();
        let system = System { dev: root.join("dev"), tty: root.join("class"), proc: root.join("proc") };
        (root, system)
    }

    #[test]
    fn ports_are_listed_with_the_name_that_stays() {
        let (root, system) = system("list");
        let ports = system.ports();
        let names: Vec<_> = ports.iter().map(|p| p.device.strip_prefix(&system.dev).unwrap()).collect();
        assert_eq!(names, [Path::new("ttyS0"), Path::new("ttyUSB0")], "without chip or device: no port");
        assert_eq!(ports[0].by_id, None);
        assert_eq!(ports[0].usb, None);
        let adapter = &ports[1];
        assert_eq!(adapter.by_id, Some(system.dev.join("serial/by-id/usb-adapter-port0")));
        assert_eq!(adapter.usb.as_deref(), Some("1a2b:3c4d"));
        assert_eq!(adapter.serial.as_deref(), Some("SAMPLE7"));
        assert_eq!(adapter.driver.as_deref(), Some("adapter"));
        fs::remove_dir_all(root).unwrap();
    }

    #[test]
    fn who_holds_a_port_is_named() {
        let (root, system) = system("held");
        fs::create_dir_all(root.join("proc/4711/fd")).unwrap();
        fs::write(root.join("proc/4711/comm"), "terminal\n").unwrap();
        symlink(root.join("dev/ttyUSB0"), root.join("proc/4711/fd/5")).unwrap();
        fs::create_dir_all(root.join("proc/self/fd")).unwrap();
        let by_id = system.dev.join("serial/by-id/usb-adapter-port0");
        assert_eq!(system.holders(&by_id), [(4711, "terminal".to_owned())]);
        assert_eq!(system.holders(&system.dev.join("ttyS0")), []);
        fs::remove_dir_all(root).unwrap();
    }
}
