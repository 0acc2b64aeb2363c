#![no_main]

stillstand_fuzz::target!(triggers);
