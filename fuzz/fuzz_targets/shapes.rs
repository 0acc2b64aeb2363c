#![no_main]

stillstand_fuzz::target!(shapes);
