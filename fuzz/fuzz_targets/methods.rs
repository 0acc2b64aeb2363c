#![no_main]

stillstand_fuzz::target!(methods);
