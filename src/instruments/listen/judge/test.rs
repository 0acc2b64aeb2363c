//! Every shipped shape's own lines, tried with all shapes.

use super::super::plan::line;
use super::super::{proposal, shipped};
use super::*;
use crate::instruments::protocol::Says;

/// The examples of a shape that are readings, as they come over the wire.
fn spoken(shape: &AnyShape, asked: bool) -> Stretch {
    let mut stretch = Stretch::new(line(9600, "8N1").unwrap(), asked.then(|| shape.id().to_owned()));
    match shape {
        AnyShape::Lines(shape) => {
            let readings = shape.examples.iter().filter(|example| example.says != Says::Nonsense);
            for example in readings.clone().chain(readings) {
                stretch.bytes.extend(shape.framing.wrapped(example.line.as_bytes()));
            }
        }
        AnyShape::Registers(_) => {
            let words = if shape.id() == "probe-modbus-float" {
                vec![0x33, 0x33, 0x41, 0xB3]
            } else {
                vec![0x00, 0xE0]
            };
            stretch.registers.push(words);
        }
    }
    stretch
}

fn asks(shape: &AnyShape) -> bool {
    super::super::plan::is_asked(shape)
}

#[test]
fn each_shipped_shape_is_the_first_for_its_own_lines() {
    let shapes = shipped::shapes();
    for shape in shapes.values() {
        let fits = fits(&shapes, &[spoken(shape, asks(shape))]);
        assert_eq!(fits[0].shape, shape.id(), "{fits:#?}");
        assert_eq!(fits[0].understood, fits[0].lines);
        assert_eq!(alike(&fits), 1, "{fits:#?}");
    }
}

#[test]
fn lines_that_are_overheard_do_not_beat_the_shape_that_speaks_so() {
    let shapes = shipped::shapes();
    // A bare number with LF at its end, unasked: as a probe would answer, and as a balance prints.
    let mut stretch = Stretch::new(line(9600, "8N1").unwrap(), None);
    stretch.bytes = b"22.4\r\n".repeat(4);
    let fits = fits(&shapes, &[stretch]);
    assert_eq!(fits[0].shape, "balance-bare-number");
    assert!(fits.iter().any(|fit| fit.shape == "probe-scpi-read" && !fit.as_said), "{fits:#?}");
}

#[test]
fn two_questions_with_the_same_answer_are_said_to_be_alike() {
    let shapes = shipped::shapes();
    let both: Vec<_> = ["probe-scpi-measure", "probe-scpi-read"].map(|id| spoken(&shapes[id], true)).into();
    let fits = fits(&shapes, &both);
    assert_eq!(alike(&fits), 2);
    let told = proposal::tell_apart(&fits[..2]);
    assert!(told.contains("2 shapes fit alike") && told.contains("either will do"), "{told}");
}

#[test]
fn of_two_shapes_of_one_line_that_with_a_mark_and_a_unit_comes_first() {
    let mut shapes = shipped::shapes();
    let loose = "id = \"loose\"\ntitle = \"t\"\nkind = \"balance\"\nspeed = 9600\nframing = \"8N1\"\n\
        terminator = \"\\r\\n\"\npattern = '.*?(?<mass>[0-9]+\\.[0-9]+).*'\nstability = \"every-line\"\nunit = \"g\"\n\
        format-stable = \"{value}\"\n[[example]]\nline = \"1.0\"\nsays = \"stable\"\nvalue = \"1.0\"\nunit = \"g\"\n";
    let loose = AnyShape::load("loose.toml", loose).unwrap_or_else(|faults| panic!("{faults:?}"));
    shapes.insert("loose".to_owned(), loose);
    let mut stretch = Stretch::new(line(2400, "7O1").unwrap(), None);
    stretch.bytes = b"      52.30 g\r\n      52.30 g ?\r\n".to_vec();
    let fits = fits(&shapes, &[stretch]);
    let order: Vec<_> = fits.iter().map(|fit| fit.shape.as_str()).collect();
    assert_eq!(order, ["balance-trailing-mark", "loose"]);
    assert_eq!((fits[0].stable, fits[0].unstable), (1, 1));
    assert_eq!(alike(&fits), 1);
}

#[test]
fn the_first_line_may_lack_its_beginning_and_the_last_its_end() {
    let shapes = shipped::shapes();
    let mut stretch = Stretch::new(line(9600, "8N1").unwrap(), None);
    stretch.bytes = b"00052.3 g\r\nST,GS,+0000052.3 g\r\nUS,GS,+0000052.1 g\r\nST,GS,+0000".to_vec();
    let fits = fits(&shapes, &[stretch]);
    let fit = &fits[0];
    assert_eq!((fit.shape.as_str(), fit.lines, fit.understood), ("balance-comma-header", 2, 2));
    assert_eq!((fit.stable, fit.unstable), (1, 1));
    assert_eq!(fit.last.as_ref().unwrap().0, "US,GS,+0000052.1 g\\r\\n");
}

#[test]
fn what_fits_less_than_half_is_no_proposal() {
    let shapes = shipped::shapes();
    let mut stretch = Stretch::new(line(9600, "8N1").unwrap(), None);
    stretch.bytes = b"HELLO\r\nWEIGHT\r\nGROSS\r\n     52.30\r\n".to_vec();
    let fits = fits(&shapes, &[stretch]);
    assert_eq!((fits[0].lines, fits[0].understood), (3, 1));
    assert_eq!(alike(&fits), 0);
}

#[test]
fn seven_bits_with_parity_are_proposed_where_eight_were_heard() {
    let shapes = shipped::shapes();
    let text = b"ST,GS,+0000052.3 g\r\nUS,GS,+0000050.0 g\r\n";
    let sent: Vec<u8> = text.iter().map(|byte| byte | (u8::from(byte.count_ones() % 2 == 0) << 7)).collect();
    let mut stretch = Stretch::new(line(4800, "8N1").unwrap(), None);
    stretch.bytes = sent;
    let fits = fits(&shapes, &[stretch]);
    assert_eq!(fits[0].heard, line(4800, "7O1").unwrap());
    let proposal = proposal::proposal(&fits[0], "/dev/ttyUSB0", false);
    assert_eq!(proposal.shape, "balance-comma-header-here");
    let changes = ["id = \"balance-comma-header-here\"", "speed = 4800", "framing = \"7O1\""];
    assert_eq!(proposal.changes, changes);
    let table: toml::Table = proposal.settings.parse().unwrap();
    assert_eq!(table["instruments"]["balance"]["port"].as_str(), Some("/dev/ttyUSB0"));
}

#[test]
fn a_proposal_says_what_was_not_seen() {
    let shapes = shipped::shapes();
    let mut stretch = Stretch::new(line(9600, "8N1").unwrap(), None);
    stretch.bytes = b"     52.30\r\n".repeat(3);
    let bare = fits(&shapes, &[stretch]);
    let notes = proposal::proposal(&bare[0], "/dev/ttyS0", false).notes.join(" ");
    assert!(notes.contains("each line is a weighing") && notes.contains("names no unit"), "{notes}");
    let mut stretch = Stretch::new(line(9600, "7E1").unwrap(), None);
    stretch.bytes = b"ST,GS,+0000052.3 g\r\n".repeat(3);
    let header = fits(&shapes, &[stretch]);
    let proposal = proposal::proposal(&header[0], "/dev/ttyS0", false);
    assert!(proposal.notes.join(" ").contains("No line said that the mass moves"), "{:?}", proposal.notes);
    assert!(proposal.changes.is_empty(), "speed and framing are those of the file");
}
