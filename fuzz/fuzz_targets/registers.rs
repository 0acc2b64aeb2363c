#![no_main]

stillstand_fuzz::target!(registers);
