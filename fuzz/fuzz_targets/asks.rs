#![no_main]

stillstand_fuzz::target!(asks);
