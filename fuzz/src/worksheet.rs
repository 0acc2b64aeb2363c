//! Rows of paper worksheets, in pieces of any size, against whole-number arithmetic.

use std::io::Read;
use stillstand::daemon::reckon::worksheet;

/// Gives at most so many bytes at a time.
struct Slow<'a>(&'a [u8], usize);

impl Read for Slow<'_> {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        let many = self.1.min(self.0.len()).min(buffer.len());
        buffer[..many].copy_from_slice(&self.0[..many]);
        self.0 = &self.0[many..];
        Ok(many)
    }
}

type Told = (Result<(u64, u64), String>, String, String);

fn computed(sheet: &[u8], step: usize, json: bool) -> Told {
    let (mut out, mut errors) = (Vec::new(), Vec::new());
    let tally = worksheet(Slow(sheet, step), &mut out, &mut errors, json);
    let text = |bytes| String::from_utf8(bytes).expect("we write text");
    (tally, text(out), text(errors))
}

/// First byte: the pieces, and CSV or JSON; the rest: the sheet.
pub fn run(data: &[u8]) {
    let [step, sheet @ ..] = data else { return };
    let json = step & 1 != 0;
    let (tally, out, errors) = computed(sheet, usize::MAX, json);
    assert_eq!(
        computed(sheet, usize::from(step / 2) + 1, json),
        (tally.clone(), out.clone(), errors.clone())
    );
    assert!(!errors.chars().any(|c| c.is_control() && c != '\n'), "{errors:?}");
    let Ok((rows, wrong)) = tally else { return };
    let lines: Vec<_> = out.lines().skip(usize::from(!json)).collect();
    assert_eq!(lines.len() as u64, rows - wrong, "each row is computed or told");
    for line in lines {
        if json {
            let value: serde_json::Value = serde_json::from_str(line).expect("an object a line");
            assert!(value.is_object());
        } else {
            right(line);
        }
    }
}

/// `3.3,8.0,41.3,42`: 1000 x sand / clay to the nearest tenth, a tie up, then up to a whole.
fn right(line: &str) {
    let tenths = |text: &str| -> u64 {
        let (whole, tenth) = text.split_once('.').expect("one digit after the point");
        assert_eq!(tenth.len(), 1, "{line}");
        whole.parse::<u64>().expect("a number") * 10 + tenth.parse::<u64>().expect("a digit")
    };
    let fields: Vec<_> = line.split(',').collect();
    let [sand, clay, ratio, reported] = fields.as_slice() else { panic!("{line}") };
    let (sand, clay) = (tenths(sand), tenths(clay));
    let due = (2000 * sand + clay) / (2 * clay);
    assert!(sand <= 150 && clay <= 150, "{line}");
    assert_eq!(tenths(ratio), due, "{line}");
    assert_eq!(reported.parse::<u64>(), Ok(due.div_ceil(10)), "{line}");
}

/// Sheets as people write them, and rows of the table of all pairs.
pub fn seeds() -> Vec<Vec<u8>> {
    let pairs = std::fs::read_to_string(crate::project("tests/data/se_vectors.csv")).expect("the table");
    let inches = |tenths: &str| format!("{:.1}", tenths.parse::<f64>().expect("a number") / 10.0);
    let row = |line: &str| {
        let mut fields = line.split(',').map(inches);
        format!("{},{}\n", fields.next().expect("sand"), fields.next().expect("clay"))
    };
    let mut seeds: Vec<Vec<u8>> = [
        "\x02sand,clay\n3.22,7.95\n9.1,8.8\nabc,8\n",
        "\x03\u{feff}Clay;Sand\r\n8,3\r\n",
        "\x03\u{feff}id, Clay ,SAND\r\n\r\n1,\"8.0\",3.3\r\n2,\"8,3.3\n3,15.1,0\r\n",
        "\x05sand,clay\n3,3,8,0\n\"3,3\",8.0\n",
    ]
    .map(|text| text.as_bytes().to_vec())
    .to_vec();
    for part in pairs.lines().skip(1).collect::<Vec<_>>().chunks(4000) {
        let rows: String = part.iter().step_by(400).map(|line| row(line)).collect();
        seeds.push(format!("\x08sand,clay\n{rows}").into_bytes());
    }
    seeds
}
