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
    // side: a third less memory at rest (docs/performance.md). Only where the compiler brings its own linker
    // and uses it, which is done in seconds: GNU ld is not through with so many names in ten minutes.
    if let (true, true, Ok(root)) =
        (is("CARGO_CFG_TARGET_ARCH", "x86_64"), has_own_linker(), std::env::var("CARGO_MANIFEST_DIR"))
    {
        println!("cargo::rustc-link-arg-bins=-T");
        println!("cargo::rustc-link-arg-bins={root}/src/first.ld");
    }
}

/// The compiler links by the linker that came with it: it is there, and nobody asked for another.
fn has_own_linker() -> bool {
    let told = |name: &str| std::env::var(name).unwrap_or_default();
    let flags = told("CARGO_ENCODED_RUSTFLAGS");
    if std::env::var_os("RUSTC_LINKER").is_some() || flags.contains("fuse-ld") || flags.contains("linker") {
        return false;
    }
    let asked = std::process::Command::new(told("RUSTC")).args(["--print", "sysroot"]).output();
    asked.is_ok_and(|asked| {
        let folder = String::from_utf8_lossy(&asked.stdout).trim().to_owned();
        let linker = format!("{folder}/lib/rustlib/{}/bin/gcc-ld/ld.lld", told("HOST"));
        std::path::Path::new(&linker).exists()
    })
}
