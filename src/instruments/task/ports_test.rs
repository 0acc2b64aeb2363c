//! What can happen to a port, through the real task and the real listener: nothing of half a line
//! becomes a value, and each trouble is said and over again.

use super::super::listener::Listener;
use super::super::protocol::AnyShape;
use super::test::soon;
use super::*;
use crate::clock::SteppedClock;
use crate::domain::moment::test::at;
use crate::rehearsal::pty::Pty;

/// A balance that speaks by itself; its port is a link, as those under `/dev/serial/by-id`.
struct Bench {
    folder: PathBuf,
    reports: mpsc::Receiver<(Moment, InstrumentReport)>,
    cancel: CancellationToken,
}

impl Drop for Bench {
    fn drop(&mut self) {
        self.cancel.cancel();
        let _ = std::fs::remove_dir_all(&self.folder);
    }
}

fn link(test: &str) -> PathBuf {
    let folder =
        std::env::temp_dir().join(format!("stillstand-ports-{}-{test}/serial/by-id", std::process::id()));
    let _ = std::fs::remove_dir_all(&folder);
    std::fs::create_dir_all(&folder).unwrap();
    folder.join("usb-balance-port0")
}

impl Bench {
    fn start(link: &std::path::Path) -> Self {
        let text = include_str!("../../../config/instruments/balance-comma-header.toml");
        let shape = AnyShape::load("balance-comma-header.toml", text).unwrap();
        let (sender, reports) = mpsc::channel(64);
        let cancel = CancellationToken::new();
        let port = link.display().to_string();
        let listener = Box::new(Listener::new("tins", &port, shape.clone()));
        let clock = Arc::new(SteppedClock::new(at(0)));
        spawn("tins".into(), link.to_owned(), shape.line(), listener, clock, sender, cancel.clone());
        let folder = link.ancestors().nth(3).unwrap().to_owned();
        Self { folder, reports, cancel }
    }

    async fn next(&mut self) -> InstrumentReport {
        soon(self.reports.recv()).await.expect("the task ended").1
    }

    async fn opens(&mut self) {
        let report = self.next().await;
        assert!(matches!(report, InstrumentReport::Open { .. }), "{report:?}");
    }

    /// The next report is that the port is gone; gives port and reason.
    async fn gone(&mut self) -> (String, String) {
        match self.next().await {
            InstrumentReport::Gone { port, why, .. } => (port, why),
            other => panic!("{other:?}"),
        }
    }

    /// The next value; whatever is no value may come before it.
    async fn weighs(&mut self) -> String {
        loop {
            match self.next().await {
                InstrumentReport::Mass { mass, .. } => return mass.value.to_string(),
                InstrumentReport::Nonsense { .. } | InstrumentReport::Readable { .. } => {}
                other => panic!("{other:?}"),
            }
        }
    }
}

/// A cable that is plugged in at the link, on another number than `before`. As udev does it, the
/// device is there first.
fn plug(link: &std::path::Path, turn: usize, before: &std::path::Path) -> Pty {
    let mut same = Vec::new();
    loop {
        let device = format!("device-{turn}-{}", same.len());
        let pty = Pty::open(&link.with_file_name(&device)).unwrap();
        if std::fs::read_link(pty.link()).unwrap() != before {
            std::os::unix::fs::symlink(device, link).unwrap();
            return pty;
        }
        same.push(pty);
    }
}

#[tokio::test]
async fn unplugged_at_any_byte_and_replugged_on_another_number_no_half_line_is_a_value() {
    const LINE: &[u8] = b"ST,GS,+0000652.3 g\r\n";
    let link = link("any-byte");
    let mut pty = plug(&link, 0, std::path::Path::new(""));
    let mut bench = Bench::start(&link);
    bench.opens().await;
    for cut in 1..LINE.len() {
        pty.write(&LINE[..cut]).await.unwrap();
        // Taken in, or lost with the plug: both may happen, and neither may make a value.
        tokio::task::yield_now().await;
        let before = std::fs::read_link(pty.link()).unwrap();
        std::fs::remove_file(&link).unwrap();
        drop(pty);
        let (port, why) = bench.gone().await;
        assert_eq!(port, link.display().to_string(), "the name that stays");
        assert!(why.contains("was lost: put the cable back") && why.contains(&port), "{why}");
        pty = plug(&link, cut, &before);
        bench.opens().await;
        // The rest of the line comes over the new number, as if nothing had been (a line end alone
        // costs the line behind it); then whole lines, with another load each time.
        pty.write(&LINE[cut..]).await.unwrap();
        pty.write(format!("ST,GS,+00000{cut:02}.0 g\r\n").repeat(2).as_bytes()).await.unwrap();
        assert_eq!(bench.weighs().await, format!("{cut}.0"));
    }
}

#[tokio::test]
async fn a_link_that_leads_elsewhere_after_the_plug_is_followed() {
    let link = link("moved");
    let first = Pty::open(&link.with_file_name("first")).unwrap();
    let second = Pty::open(&link.with_file_name("second")).unwrap();
    std::os::unix::fs::symlink("first", &link).unwrap();
    let mut bench = Bench::start(&link);
    bench.opens().await;
    first.write(b"ST,GS,+0000010.0 g\r\n").await.unwrap();
    assert_eq!(bench.weighs().await, "10.0");
    // As udev does it: the old device goes, the link comes anew.
    std::fs::remove_file(&link).unwrap();
    drop(first);
    let (_, why) = bench.gone().await;
    assert!(why.contains("usb-balance-port0"), "{why}");
    std::os::unix::fs::symlink("second", &link).unwrap();
    bench.opens().await;
    second.write(b"ST,GS,+0000020.0 g\r\n").await.unwrap();
    assert_eq!(bench.weighs().await, "20.0");
    assert!(bench.reports.try_recv().is_err(), "one outage, one report");
}

#[tokio::test]
async fn taken_by_another_program_it_is_said_and_tried_again_until_it_is_free() {
    let link = link("taken");
    let mut pty = Pty::open(&link).unwrap();
    let mut bench = Bench::start(&link);
    bench.opens().await;
    pty.write(b"ST,GS,+0000010.0 g\r\n").await.unwrap();
    assert_eq!(bench.weighs().await, "10.0");
    // Plugged anew, and another program is quicker.
    pty.unplug().unwrap();
    bench.gone().await;
    let elsewhere = link.with_file_name("elsewhere");
    let new = Pty::open(&elsewhere).unwrap();
    let other = serialport::new(elsewhere.to_str().unwrap(), 9600).open_native().unwrap();
    std::os::unix::fs::symlink("elsewhere", &link).unwrap();
    // Now there is something else to do, so it is said.
    let (port, why) = bench.gone().await;
    assert_eq!(port, link.display().to_string());
    assert!(why.contains("another program holds") && why.contains("end it"), "{why}");
    // What the other program lets through is not lost: the station reads on as soon as it may.
    drop(other);
    // As the kernel does for a real port with its last close.
    new.free().unwrap();
    bench.opens().await;
    new.write(b"ST,GS,+0000020.0 g\r\n").await.unwrap();
    assert_eq!(bench.weighs().await, "20.0");
}
