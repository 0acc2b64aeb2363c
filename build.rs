//! How the program is linked.

fn main() {
    println!("cargo::rerun-if-changed=build.rs");
    println!("cargo::rerun-if-changed=src/first.ld");
    let is = |name: &str, value: &str| std::env::var(name).is_ok_and(|found| found == value);
    if !(is("PROFILE", "release") && is("CARGO_CFG_TARGET_OS", "linux") && is("CARGO_CFG_TARGET_ENV", "gnu"))
    {
        return;
    }
    // Some twenty thousand addresses are put right at each start. Packed, they take a tenth of the
    // room, half a megabyte of memory less at rest. Needs binutils 2.38 or LLVM 15, and glibc 2.36
    // (Debian 12) where the program runs.
    println!("cargo::rustc-link-arg-bins=-Wl,-z,pack-relative-relocs");
    // The system maps a file in large blocks around what is used. What a start and a rest run lies side by
    // side: a quarter less memory at rest, and a quicker start (docs/performance.md). The compiler brings its
    // own linker on this processor, which is done in seconds; GNU ld takes hours over so many names.
    let own_linker = std::env::var_os("RUSTC_LINKER").is_none()
        && std::env::var("CARGO_ENCODED_RUSTFLAGS")
            .is_ok_and(|flags| !flags.contains("fuse-ld") && !flags.contains("linker"));
    if let (true, true, Ok(root)) =
        (own_linker, is("CARGO_CFG_TARGET_ARCH", "x86_64"), std::env::var("CARGO_MANIFEST_DIR"))
    {
        println!("cargo::rustc-link-arg-bins=-T");
        println!("cargo::rustc-link-arg-bins={root}/src/first.ld");
    }
}
