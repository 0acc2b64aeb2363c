//! What divides the bytes of a wire: an end behind each line, or a beginning and an end with a
//! checksum behind it.

/// Start of text: begins a frame.
pub(super) const STX: u8 = 0x02;
/// End of text: ends what a frame says; the checksum follows.
pub(super) const ETX: u8 = 0x03;

/// What divides the bytes of a wire.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Framing {
    /// Lines, each with its end.
    Lines(Terminator),
    /// Frames from STX to ETX, with or without a checksum behind.
    Frames(Option<Checksum>),
}

/// What ends a line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Terminator {
    /// Carriage return and line feed.
    CrLf,
    /// Line feed.
    Lf,
    /// Carriage return.
    Cr,
}

impl Terminator {
    /// Its bytes.
    pub const fn bytes(self) -> &'static [u8] {
        match self {
            Self::CrLf => b"\r\n",
            Self::Lf => b"\n",
            Self::Cr => b"\r",
        }
    }
}

/// The longitudinal checksum of a frame: exclusive or of its bytes. It shows every single wrong byte.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Checksum {
    /// Which bytes it is made of.
    pub over: Over,
    /// How it is written behind ETX.
    pub written: Written,
}

/// Which bytes of a frame a checksum is made of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Over {
    /// The text alone.
    Text,
    /// The text and ETX.
    TextEtx,
    /// STX, the text and ETX.
    StxTextEtx,
}

/// How a checksum is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Written {
    /// Two hexadecimal digits, capital or small.
    HexDigits,
    /// The byte itself.
    RawByte,
}

impl Checksum {
    fn of(self, text: &[u8]) -> u8 {
        let own = match self.over {
            Over::Text => 0,
            Over::TextEtx => ETX,
            Over::StxTextEtx => STX ^ ETX,
        };
        text.iter().fold(own, |sum, byte| sum ^ byte)
    }

    fn written(self, sum: u8) -> Vec<u8> {
        match self.written {
            Written::HexDigits => format!("{sum:02X}").into_bytes(),
            Written::RawByte => vec![sum],
        }
    }

    /// Bytes behind ETX.
    const fn len(self) -> usize {
        match self.written {
            Written::HexDigits => 2,
            Written::RawByte => 1,
        }
    }
}

impl Framing {
    /// Bytes behind ETX; none for lines.
    pub(super) const fn behind_etx(self) -> usize {
        match self {
            Self::Frames(Some(checksum)) => checksum.len(),
            Self::Frames(None) | Self::Lines(_) => 0,
        }
    }

    /// What a line or a frame says, without what divides it from the next.
    ///
    /// # Errors
    /// What was expected, where the checksum is not that of the text or the frame is none.
    pub(super) fn text(self, bytes: &[u8]) -> Result<&[u8], String> {
        match self {
            Self::Lines(terminator) => {
                bytes.strip_suffix(terminator.bytes()).ok_or_else(|| "a line with its end".to_owned())
            }
            Self::Frames(checksum) => {
                let torn = || "a frame from STX to ETX with its checksum".to_owned();
                let end = bytes.len().checked_sub(self.behind_etx()).ok_or_else(torn)?;
                let (frame, came) = bytes.split_at_checked(end).ok_or_else(torn)?;
                let text = frame.strip_prefix(&[STX]).and_then(|rest| rest.strip_suffix(&[ETX]));
                let text = text.ok_or_else(torn)?;
                let Some(checksum) = checksum else { return Ok(text) };
                let due = checksum.written(checksum.of(text));
                if due.eq_ignore_ascii_case(came) && (checksum.written == Written::HexDigits || due == came) {
                    return Ok(text);
                }
                let (due, came) = (due.escape_ascii(), came.escape_ascii());
                Err(format!("the checksum `{due}` of what stands before it, in place of `{came}`"))
            }
        }
    }

    /// The bytes on the wire for what a line or a frame says.
    pub fn wrapped(self, text: &[u8]) -> Vec<u8> {
        match self {
            Self::Lines(terminator) => [text, terminator.bytes()].concat(),
            Self::Frames(checksum) => {
                let behind = checksum.map(|checksum| checksum.written(checksum.of(text)));
                [&[STX], text, &[ETX], &behind.unwrap_or_default()].concat()
            }
        }
    }
}
