//! How the program is linked.

fn main() {
    println!("cargo::rerun-if-changed=build.rs");
    // Some twenty thousand addresses are put right at each start. Packed, they take a tenth of the
    // room, half a megabyte of memory less at rest. Needs binutils 2.38 or LLVM 15, and glibc 2.36
    // (Debian 12) where the program runs.
    let is = |name: &str, value: &str| std::env::var(name).is_ok_and(|found| found == value);
    if is("PROFILE", "release") && is("CARGO_CFG_TARGET_OS", "linux") && is("CARGO_CFG_TARGET_ENV", "gnu") {
        println!("cargo::rustc-link-arg-bins=-Wl,-z,pack-relative-relocs");
    }
}
