//! PURE: whether bytes are text, with which parity they were sent, and how they are shown.
//!
//! A character of seven data bits and parity is as long on the wire as one of eight without. So a
//! line is heard with eight bits, and the highest bit tells afterwards whether it was parity: no
//! second try for each framing.

use crate::instruments::Parity;

/// Share of bytes, in percent, that must be text, or have one parity. Our own figure: a line of a
/// wrong speed is text by chance in about four bytes of ten.
const SHARE: usize = 85;
/// Fewest bytes that can show a parity.
const FEWEST: usize = 6;
/// Most bytes of one piece that is shown.
const PIECE: usize = 96;

/// The parity that bytes taken with eight data bits were sent with; `None` means eight data bits.
pub fn parity(bytes: &[u8]) -> Parity {
    if bytes.len() < FEWEST || bytes.iter().all(u8::is_ascii) {
        return Parity::None;
    }
    let even = bytes.iter().filter(|byte| byte.count_ones() % 2 == 0).count();
    if most(even, bytes.len()) {
        Parity::Even
    } else if most(bytes.len() - even, bytes.len()) {
        Parity::Odd
    } else {
        Parity::None
    }
}

/// The bytes without their parity bit, where they have one.
pub fn without_parity(bytes: &[u8], parity: Parity) -> Vec<u8> {
    let mask = if parity == Parity::None { 0xFF } else { 0x7F };
    bytes.iter().map(|byte| byte & mask).collect()
}

/// Whether bytes, heard with eight data bits, are text with or without parity.
pub fn is_text(bytes: &[u8]) -> bool {
    let plain = without_parity(bytes, parity(bytes));
    let known = plain.iter().filter(|byte| is_text_byte(**byte)).count();
    most(known, plain.len())
}

const fn is_text_byte(byte: u8) -> bool {
    matches!(byte, b' '..=b'~' | b'\r' | b'\n' | b'\t' | 0x02 | 0x03 | 0x06 | 0x1B)
}

const fn most(part: usize, whole: usize) -> bool {
    part * 100 >= whole * SHARE
}

/// Cuts bytes into pieces for the eye: at line ends, before a frame, and where a piece gets long.
#[derive(Debug, Default)]
pub struct Cutter(Vec<u8>);

impl Cutter {
    /// Takes bytes and gives the pieces that they complete.
    pub fn feed(&mut self, bytes: &[u8]) -> Vec<Vec<u8>> {
        let mut pieces = Vec::new();
        for byte in bytes {
            let plain = byte & 0x7F;
            // CR ends a line only if no LF follows; STX begins a frame.
            let ended = self.0.last().is_some_and(|last| last & 0x7F == b'\r' && plain != b'\n');
            if ended || plain == 0x02 {
                pieces.extend(self.rest());
            }
            self.0.push(*byte);
            if plain == b'\n' || self.0.len() >= PIECE {
                pieces.extend(self.rest());
            }
        }
        pieces
    }

    /// What waits for its end: after a pause it is shown all the same.
    pub fn rest(&mut self) -> Option<Vec<u8>> {
        (!self.0.is_empty()).then(|| std::mem::take(&mut self.0))
    }
}

#[cfg(test)]
mod test {
    use super::*;

    /// Seven data bits with a parity bit above them, as an adapter takes them with eight.
    pub(in crate::instruments::listen) fn sent(text: &[u8], odd: bool) -> Vec<u8> {
        text.iter().map(|byte| byte | (u8::from((byte.count_ones() % 2 == 1) != odd) << 7)).collect()
    }

    #[test]
    fn seven_bits_with_parity_are_recognised_among_eight() {
        let line = b"ST,GS,+0000052.3 g\r\n";
        assert_eq!(parity(line), Parity::None);
        for (odd, is) in [(false, Parity::Even), (true, Parity::Odd)] {
            let bytes = sent(line, odd);
            assert_ne!(bytes, line);
            assert_eq!(parity(&bytes), is);
            assert!(is_text(&bytes));
            assert_eq!(without_parity(&bytes, is), line);
        }
        // A degree sign in eight bits is no parity.
        assert_eq!(parity(b"22.4 \xB0C\r\n22.5 \xB0C\r\n"), Parity::None);
        assert!(is_text(b"22.4 \xB0C\r\n22.5 \xB0C\r\n"));
    }

    #[test]
    fn a_wrong_speed_is_no_text() {
        // 9600 8N1 sent, 4800 8N1 heard: by hand from the bits on the wire of `S S`, padded.
        for noise in [&b"\x00\xE6\x80\x06"[..], b"\xFF\xFE\x00", b"\x00", b"\x98\xF8\x1E\x06\x66\x86\x00"] {
            assert!(!is_text(noise), "{}", noise.escape_ascii());
        }
    }

    #[test]
    fn pieces_are_lines_frames_and_whatever_stays_without_end() {
        let mut cutter = Cutter::default();
        let pieces = cutter.feed(b"1\r\n2\r3\r\x02+1\x0345\x02+2\x03");
        let shown: Vec<_> = pieces.iter().map(|piece| piece.escape_ascii().to_string()).collect();
        assert_eq!(shown, ["1\\r\\n", "2\\r", "3\\r", "\\x02+1\\x0345"]);
        assert_eq!(cutter.rest().as_deref(), Some(&b"\x02+2\x03"[..]));
        assert_eq!(cutter.rest(), None);
        assert_eq!(cutter.feed(&[b'.'; 250]).len(), 250 / PIECE);
    }
}
