//! The hash chain. PURE: no I/O, no clock; values in, values out.
//!
//! A chained event's link is `SHA-256(previous link, header, SHA-256(payload))`, so a payload can
//! be blanked later while its hash keeps the chain whole. The header is a row of fields, each
//! behind its length (4 bytes, big-endian): number, kind, version, moment, input, count and digest
//! of the samples since the last chained event, newest document and digest of the documents since.
//! Whole numbers are 8 bytes, big-endian; a digest that is not there is an empty field.
//!
//! Unchained events (samples) and documents are not linked one by one. Each is fed into a running
//! SHA-256; the next chained event carries its digest and so anchors the whole block.

use super::rows::{EventRow, NewDocument, NewEvent, OutboxRow};
use sha2::{Digest as _, Sha256};
use uuid::Uuid;

/// A SHA-256 digest.
pub type Digest = [u8; 32];

/// What the first link of every journal, and each new identity, is made with.
const SEED: &[u8] = b"stillstand journal 1\n";

/// The head of a journal: everything that the next event's link depends on.
#[derive(Debug, Clone)]
pub struct Chain {
    seq: u64,
    link: Digest,
    samples: Block,
    document: u64,
    documents: Block,
}

/// Two heads are the same when every next event would get the same link on both.
impl PartialEq for Chain {
    fn eq(&self, other: &Self) -> bool {
        (self.seq, self.link, self.document) == (other.seq, other.link, other.document)
            && self.samples == other.samples
            && self.documents == other.documents
    }
}

impl Eq for Chain {}

/// Rows that wait to be anchored by the next chained event.
#[derive(Debug, Clone, Default)]
struct Block {
    count: u64,
    hash: Sha256,
}

/// What is wrong with an event that does not follow from what stands before it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum Altered {
    /// A row is gone, or stands elsewhere.
    #[error("event {expected} is missing")]
    Missing {
        /// The number that should come next.
        expected: u64,
    },
    /// The text of the payload changed.
    #[error("its payload was altered: it does not have the hash that was stored with it")]
    Payload,
    /// Anything else that the link covers.
    #[error(
        "its header was altered (number, kind, version, moment, input, sample or document digest), \
         or its payload together with its hash"
    )]
    Header,
    /// Only the link itself.
    #[error("its stored link was altered: the events after it continue from the link that it should have")]
    Link,
    /// A sample between two chained events.
    #[error(
        "a sample in the block of events {from} to {to}, which it anchors, was altered, added or taken out"
    )]
    Samples {
        /// First event of the block.
        from: u64,
        /// Last event of the block.
        to: u64,
    },
    /// A document of the outbox.
    #[error("a document among numbers {from} to {to} of the outbox, which it anchors, was altered")]
    Documents {
        /// First document of the block.
        from: u64,
        /// Last document of the block.
        to: u64,
    },
    /// A document is gone, or stands elsewhere.
    #[error("document {number} of the outbox, which it anchors, is missing")]
    DocumentMissing {
        /// The number that should come next.
        number: u64,
    },
    /// A payload is gone that nobody said was removed.
    #[error("its payload is gone, and no removal that the journal tells of covers it")]
    Blanked,
    /// A document is gone that nobody said was removed.
    #[error("document {number} of the outbox is blank, and no removal that the journal tells of covers it")]
    DocumentBlanked {
        /// Its number.
        number: u64,
    },
    /// The event anchors other documents than stand before it.
    #[error("it anchors documents up to {says}, but {newest} stand before it")]
    Anchor {
        /// What the event's header says.
        says: u64,
        /// The newest document before the event.
        newest: u64,
    },
}

impl Chain {
    /// The head of an empty journal with this id.
    pub fn genesis(journal: Uuid) -> Self {
        let mut chain = Self::unseeded();
        chain.adopt(journal);
        chain
    }

    /// The head before the journal has any identity.
    pub(super) fn unseeded() -> Self {
        Self::resume(0, [0; 32], 0)
    }

    /// The head right after a chained event; samples and documents after it are still to be fed.
    pub(super) fn resume(seq: u64, link: Digest, document: u64) -> Self {
        Self { seq, link, samples: Block::default(), document, documents: Block::default() }
    }

    /// Number of the newest event, chained or not; 0 while there is none.
    pub fn seq(&self) -> u64 {
        self.seq
    }

    /// Link of the newest chained event; the seed while there is none.
    pub fn link(&self) -> Digest {
        self.link
    }

    /// Samples that the next chained event will anchor.
    pub fn loose_samples(&self) -> u64 {
        self.samples.count
    }

    /// Number of the newest document; 0 while there is none.
    pub fn newest_document(&self) -> u64 {
        self.document
    }

    /// Documents that the next chained event will anchor.
    pub fn loose_documents(&self) -> u64 {
        self.documents.count
    }

    /// Continues the chain under an identity (the first, or a new one after a restored backup).
    pub(super) fn adopt(&mut self, journal: Uuid) {
        let mut hash = Sha256::new();
        hash.update(SEED);
        hash.update(self.link);
        hash.update(journal.as_bytes());
        self.link = hash.finalize().into();
    }

    /// Makes the row of the next event and moves the head onto it.
    pub fn append(&mut self, event: NewEvent) -> EventRow {
        let mut row = EventRow {
            seq: self.seq + 1,
            input: event.input,
            kind: event.kind,
            version: event.version,
            chained: event.chained,
            moment: event.moment,
            payload_hash: sha256(event.payload.as_bytes()),
            payload: Some(event.payload),
            samples: 0,
            samples_digest: None,
            documents: 0,
            documents_digest: None,
            link: None,
        };
        if row.chained {
            row.samples = self.samples.count;
            row.samples_digest = self.samples.digest();
            row.documents = self.document;
            row.documents_digest = self.documents.digest();
            row.link = Some(self.link_of(&row));
        }
        self.step(&row);
        row
    }

    /// Makes the row of the next document. The next chained event anchors it: append one in the
    /// same batch where the document must be provable at once.
    pub fn document(&mut self, document: NewDocument) -> OutboxRow {
        self.issue(document).0
    }

    /// The same, with the SHA-256 of what is sent.
    pub fn issue(&mut self, document: NewDocument) -> (OutboxRow, Digest) {
        let digest = sha256(document.payload.as_bytes());
        let row = OutboxRow {
            number: self.document + 1,
            id: document.id,
            kind: document.kind,
            topic: document.topic,
            subject: document.subject,
            payload: document.payload,
            made_at_ns: document.made_at_ns,
            acked_at_ns: None,
        };
        self.step_document(&row, &digest);
        (row, digest)
    }

    /// Checks that a stored document comes next, and takes it in.
    pub(super) fn follow_document(&mut self, row: &OutboxRow) -> Result<(), Altered> {
        if row.number != self.document + 1 {
            return Err(Altered::DocumentMissing { number: self.document + 1 });
        }
        self.step_document(row, &sha256(row.payload.as_bytes()));
        Ok(())
    }

    /// The same for a document whose payload was removed and left its hash.
    pub(super) fn follow_blank(&mut self, row: &OutboxRow, payload: &Digest) -> Result<(), Altered> {
        if row.number != self.document + 1 {
            return Err(Altered::DocumentMissing { number: self.document + 1 });
        }
        self.step_document(row, payload);
        Ok(())
    }

    /// Checks a stored event by itself: its number, its payload, and its link onto this head.
    pub(super) fn examine(&self, row: &EventRow) -> Result<(), Altered> {
        if row.seq != self.seq + 1 {
            return Err(Altered::Missing { expected: self.seq + 1 });
        }
        if row.payload.as_ref().is_some_and(|text| sha256(text.as_bytes()) != row.payload_hash) {
            return Err(Altered::Payload);
        }
        let expected = row.chained.then(|| self.link_of(row));
        let anchors = row.samples != 0
            || row.documents != 0
            || row.samples_digest.is_some()
            || row.documents_digest.is_some();
        if row.link != expected || (anchors && !row.chained) {
            return Err(Altered::Header);
        }
        Ok(())
    }

    /// Checks the blocks that an examined event anchors, and moves the head onto it. Its documents
    /// were followed before.
    pub(super) fn enter(&mut self, row: &EventRow) -> Result<(), Altered> {
        if row.chained {
            if row.samples != self.samples.count || row.samples_digest != self.samples.digest() {
                let from = row.seq.saturating_sub(self.samples.count.max(row.samples).max(1));
                return Err(Altered::Samples { from, to: row.seq - 1 });
            }
            if row.documents != self.document {
                return Err(Altered::Anchor { says: row.documents, newest: self.document });
            }
            if row.documents_digest != self.documents.digest() {
                let from = self.document + 1 - self.documents.count.clamp(1, self.document.max(1));
                return Err(Altered::Documents { from, to: self.document });
            }
        }
        self.step(row);
        Ok(())
    }

    /// The link that a chained row must have onto this head, by what the row itself says.
    pub(super) fn link_of(&self, row: &EventRow) -> Digest {
        let mut hash = Sha256::new();
        hash.update(self.link);
        hash.update(header(row));
        hash.update(row.payload_hash);
        hash.finalize().into()
    }

    fn step(&mut self, row: &EventRow) {
        self.seq = row.seq;
        if let Some(link) = row.link {
            self.link = link;
            self.samples = Block::default();
            self.documents = Block::default();
        } else {
            self.samples.add(&header(row), &row.payload_hash);
        }
    }

    fn step_document(&mut self, row: &OutboxRow, payload: &Digest) {
        let mut fields = Vec::with_capacity(128);
        field(&mut fields, &row.number.to_be_bytes());
        field(&mut fields, row.id.as_bytes());
        field(&mut fields, row.kind.as_bytes());
        field(&mut fields, row.topic.as_bytes());
        field(&mut fields, row.subject.as_bytes());
        field(&mut fields, &row.made_at_ns.to_be_bytes());
        self.document = row.number;
        self.documents.add(&fields, payload);
    }
}

impl PartialEq for Block {
    fn eq(&self, other: &Self) -> bool {
        self.count == other.count && self.digest() == other.digest()
    }
}

impl Block {
    fn add(&mut self, header: &[u8], payload: &Digest) {
        self.count += 1;
        self.hash.update(header);
        self.hash.update(payload);
    }

    fn digest(&self) -> Option<Digest> {
        (self.count > 0).then(|| self.hash.clone().finalize().into())
    }
}

/// SHA-256 of some bytes.
pub fn sha256(bytes: &[u8]) -> Digest {
    Sha256::digest(bytes).into()
}

/// A digest for people: 64 lower-case hexadecimal digits.
pub fn hex(digest: &Digest) -> String {
    const DIGITS: &[u8; 16] = b"0123456789abcdef";
    let nibbles = digest.iter().flat_map(|byte| [byte >> 4, byte & 15]);
    nibbles.map(|nibble| char::from(DIGITS[usize::from(nibble & 15)])).collect()
}

fn header(row: &EventRow) -> Vec<u8> {
    let mut bytes = Vec::with_capacity(256 + row.moment.len());
    field(&mut bytes, &row.seq.to_be_bytes());
    field(&mut bytes, row.kind.as_bytes());
    field(&mut bytes, &u64::from(row.version).to_be_bytes());
    field(&mut bytes, row.moment.as_bytes());
    field(&mut bytes, row.input.as_bytes());
    field(&mut bytes, &row.samples.to_be_bytes());
    field(&mut bytes, row.samples_digest.as_ref().map_or(&[], |d| &d[..]));
    field(&mut bytes, &row.documents.to_be_bytes());
    field(&mut bytes, row.documents_digest.as_ref().map_or(&[], |d| &d[..]));
    bytes
}

fn field(bytes: &mut Vec<u8>, value: &[u8]) {
    // No field comes near 4 GiB: SQLite itself refuses a text over 1 GB.
    let length = u32::try_from(value.len()).unwrap_or(u32::MAX);
    bytes.extend_from_slice(&length.to_be_bytes());
    bytes.extend_from_slice(value);
}
