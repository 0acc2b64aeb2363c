//! The built program as its users meet it: a settings folder, serial lines, a broker, pages.
//!
//! Each test has a station of its own: own folder, own ports, own processes. Nothing waits for a
//! time; everything waits for a condition, and fails with its name when that does not come.

#![allow(dead_code, reason = "each test takes what it needs of this")]
#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a test stops at what it did not expect")]

pub mod http;
pub mod lab;
pub mod lines;
pub mod mosquitto;
pub mod outage;
pub mod running;
pub mod site;
pub mod work;

use std::future::Future;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::Duration;

/// The program under test.
pub const PROGRAM: &str = env!("CARGO_BIN_EXE_stillstand");

/// Between two looks at a condition that has no signal of its own.
pub const LOOK: Duration = Duration::from_millis(20);

/// The longest that anything in these tests may take.
pub const DEADLINE: Duration = Duration::from_mins(1);

/// Waits for `wanted`, and says what was waited for when it does not come.
pub async fn soon<T>(what: &str, wanted: impl Future<Output = T>) -> T {
    let came = tokio::time::timeout(DEADLINE, wanted).await;
    came.unwrap_or_else(|_| panic!("did not come within {DEADLINE:?}: {what}"))
}

/// A folder of the system's temporary one, removed at the end unless the test failed.
#[derive(Debug)]
pub struct Folder(PathBuf);

impl Folder {
    pub fn new(name: &str) -> Self {
        static NEXT: AtomicU32 = AtomicU32::new(0);
        let next = NEXT.fetch_add(1, Ordering::Relaxed);
        let path = std::env::temp_dir().join(format!("sts-{name}-{}-{next}", std::process::id()));
        let _ = std::fs::remove_dir_all(&path);
        std::fs::create_dir_all(&path).unwrap();
        Self(path)
    }

    pub fn path(&self) -> &Path {
        &self.0
    }

    pub fn file(&self, name: &str) -> PathBuf {
        self.0.join(name)
    }

    pub fn write(&self, name: &str, text: &str) -> PathBuf {
        let path = self.file(name);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(&path, text).unwrap();
        path
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        if std::thread::panicking() {
            eprintln!("left for a look: {}", self.0.display());
        } else {
            let _ = std::fs::remove_dir_all(&self.0);
        }
    }
}

/// What a command that ends by itself came to.
#[derive(Debug)]
pub struct Ended {
    pub code: i32,
    pub out: String,
    pub err: String,
}

/// Runs the program until it ends; it must, within the deadline.
pub async fn program<S: AsRef<std::ffi::OsStr>>(args: &[S]) -> Ended {
    let mut command = tokio::process::Command::new(PROGRAM);
    command.args(args).stdin(std::process::Stdio::null()).kill_on_drop(true);
    for (name, _) in std::env::vars_os() {
        if name.to_string_lossy().starts_with("STILLSTAND_") || name == "NOTIFY_SOCKET" {
            command.env_remove(name);
        }
    }
    let output = tokio::time::timeout(2 * DEADLINE, command.output()).await;
    let output = output.expect("the program ends by itself").unwrap();
    Ended {
        code: output.status.code().unwrap_or(-1),
        out: String::from_utf8_lossy(&output.stdout).into_owned(),
        err: String::from_utf8_lossy(&output.stderr).into_owned(),
    }
}
