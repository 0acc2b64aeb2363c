//! Arguments in, exit code out.

use std::process::ExitCode;

fn main() -> ExitCode {
    stillstand::daemon::cli::main().into()
}
