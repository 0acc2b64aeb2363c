//! The number, with every intermediate kept. Integers only: no binary floating point.
