//! A worksheet's rows, one physical line each.
//!
//! One row is one line on purpose. A quote that is left open then costs its own line, where a
//! reader of multi-line fields would swallow every row after it; and a row's number is the one
//! that an editor shows, whatever the line ends are.

use std::io::{self, BufRead, BufReader, Read};

/// Longest line that is looked at; no worksheet comes near it.
const LONGEST: u64 = 64 * 1024;

/// What [`Lines::next`] found.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum Next {
    /// A line; its fields stand in [`Lines::fields`].
    Row,
    /// A line that cannot be split, and why.
    Wrong(&'static str),
    /// Nothing more.
    End,
}

/// Splits input into lines and these into fields, without an allocation for each.
pub(super) struct Lines<R> {
    input: BufReader<R>,
    line: Vec<u8>,
    number: u64,
    csv: csv_core::Reader,
    text: Vec<u8>,
    ends: Vec<usize>,
    count: usize,
}

impl<R: Read> Lines<R> {
    pub(super) fn new(input: R) -> Self {
        Self {
            input: BufReader::with_capacity(64 * 1024, input),
            line: Vec::new(),
            number: 0,
            csv: csv_core::Reader::new(),
            text: Vec::new(),
            ends: Vec::new(),
            count: 0,
        }
    }

    /// Number of the line last read, from 1.
    pub(super) fn number(&self) -> u64 {
        self.number
    }

    /// The next line may have to be waited for.
    pub(super) fn may_wait(&self) -> bool {
        !self.input.buffer().contains(&b'\n')
    }

    /// How many fields the line has.
    pub(super) fn count(&self) -> usize {
        self.count
    }

    /// A field of the line; empty if there is none.
    pub(super) fn field(&self, index: usize) -> &[u8] {
        let from = index.checked_sub(1).and_then(|i| self.ends.get(i)).copied().unwrap_or(0);
        let to = self.ends.get(index).copied().filter(|_| index < self.count).unwrap_or(from);
        self.text.get(from..to).unwrap_or_default()
    }

    /// Reads on to the next line that is not blank.
    pub(super) fn next(&mut self) -> io::Result<Next> {
        loop {
            self.line.clear();
            let read = self.input.by_ref().take(LONGEST).read_until(b'\n', &mut self.line)?;
            if read == 0 {
                return Ok(Next::End);
            }
            self.number += 1;
            if read as u64 == LONGEST && !self.line.ends_with(b"\n") {
                self.skip_line()?;
                return Ok(Next::Wrong("the line is over 64 KiB long"));
            }
            if !self.line.trim_ascii().is_empty() {
                return Ok(self.split());
            }
        }
    }

    fn skip_line(&mut self) -> io::Result<()> {
        loop {
            let buffer = self.input.fill_buf()?;
            let end = buffer.iter().position(|b| *b == b'\n');
            let (used, done) = end.map_or((buffer.len(), buffer.is_empty()), |i| (i + 1, true));
            self.input.consume(used);
            if done {
                return Ok(());
            }
        }
    }

    fn split(&mut self) -> Next {
        // One line end for all, so that what stands open after it is a quote.
        while self.line.last().is_some_and(|b| matches!(b, b'\n' | b'\r')) {
            self.line.pop();
        }
        self.line.push(b'\n');
        let mark = b"\xef\xbb\xbf";
        let line = self.line.strip_prefix(mark).filter(|_| self.number == 1).unwrap_or(&self.line);
        if self.text.len() < line.len() {
            self.text.resize(line.len(), 0);
            self.ends.resize(line.len() + 1, 0);
        }
        let (outcome, used, _, count) = self.csv.read_record(line, &mut self.text, &mut self.ends);
        self.count = count;
        match outcome {
            csv_core::ReadRecordResult::Record if used == line.len() => Next::Row,
            csv_core::ReadRecordResult::Record => {
                self.csv.reset();
                Next::Wrong("a carriage return stands inside the line")
            }
            _ => {
                self.csv.reset();
                Next::Wrong("a quote is opened and not closed on its line")
            }
        }
    }
}

#[cfg(test)]
mod test {
    use super::*;

    /// Line numbers with fields, or the reason why there are none.
    fn read(text: &[u8]) -> Vec<(u64, String)> {
        let mut lines = Lines::new(text);
        let mut found = Vec::new();
        loop {
            match lines.next().unwrap() {
                Next::End => return found,
                Next::Wrong(why) => found.push((lines.number(), why.to_owned())),
                Next::Row => {
                    let fields =
                        (0..lines.count()).map(|i| String::from_utf8_lossy(lines.field(i)).into_owned());
                    found.push((lines.number(), fields.collect::<Vec<_>>().join("|")));
                }
            }
        }
    }

    fn rows(of: &[(u64, &str)]) -> Vec<(u64, String)> {
        of.iter().map(|(n, t)| (*n, (*t).to_owned())).collect()
    }

    #[test]
    fn lines_keep_the_numbers_that_an_editor_shows() {
        let expected = rows(&[(1, "sand|clay"), (4, "1|2"), (5, "3|4")]);
        assert_eq!(read(b"sand,clay\n\n \n1,2\n3,4"), expected);
        assert_eq!(read(b"\xef\xbb\xbfsand,clay\r\n\r\n\r\n1,2\r\n3,4\r\n"), expected);
    }

    #[test]
    fn an_open_quote_costs_its_own_line_only() {
        let found = read(b"a,b\n\"1,2\n3,4\n\"x, \"\"y\"\"\",5\n");
        assert_eq!((found[1].0, &found[2..]), (2, &rows(&[(3, "3|4"), (4, "x, \"y\"|5")])[..]));
        assert!(found[1].1.contains("quote"));
        let found = read(b"1,2\r3,4\n5,6\n");
        assert!(found[0].1.contains("carriage return"));
        assert_eq!(found[1], (2, "5|6".to_owned()));
    }

    #[test]
    fn an_endless_line_is_skipped_in_bounded_memory() {
        let mut text = vec![b'7'; 1_000_000];
        text.extend(b"\n1,2\n");
        let found = read(&text);
        assert!(found[0].1.contains("64 KiB"));
        assert_eq!(found[1], (2, "1|2".to_owned()));
        assert_eq!(read(&vec![b'7'; 70_000]).len(), 1, "at the end of the input too");
    }

    #[test]
    fn a_field_that_is_not_there_is_empty() {
        let mut lines = Lines::new(&b"11,22\n5\n"[..]);
        lines.next().unwrap();
        assert_eq!(lines.field(2), b"");
        lines.next().unwrap();
        assert_eq!((lines.count(), lines.field(0), lines.field(1)), (1, &b"5"[..], &b""[..]));
    }
}
