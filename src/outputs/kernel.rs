//! Lines of the kernel's GPIO chips.

use super::{Chips, Line};
use crate::lines::{self, FindError, shown};
use crate::settings::model::{Drive, OutputLine};
use gpiocdev::Request;
use gpiocdev::line::{self, Value};

/// The chips of this machine.
#[derive(Debug, Clone, Copy, Default)]
pub struct KernelChips;

impl Chips for KernelChips {
    fn open(&self, settings: &OutputLine) -> Result<Box<dyn Line>, String> {
        let request = request(settings).map_err(|e| e.to_string())?;
        Ok(Box::new(Requested(request)))
    }
}

fn request(settings: &OutputLine) -> Result<Request, FindError> {
    let chip = lines::chip(&settings.chip)?;
    let offset = lines::line(&settings.line, &chip)?;
    let mut builder = Request::builder();
    builder.on_chip(chip.path()).with_consumer("stillstand").with_line(offset).as_output(Value::Inactive);
    if settings.active_low {
        builder.as_active_low();
    }
    builder.with_drive(match settings.drive {
        Drive::PushPull => line::Drive::PushPull,
        Drive::OpenDrain => line::Drive::OpenDrain,
        Drive::OpenSource => line::Drive::OpenSource,
    });
    builder.request().map_err(|e| FindError::Refused {
        chip: shown(chip.path()),
        line: offset,
        why: e.to_string(),
    })
}

struct Requested(Request);

impl Line for Requested {
    fn set(&mut self, on: bool) -> Result<(), String> {
        let value = if on { Value::Active } else { Value::Inactive };
        self.0.set_lone_value(value).map_err(|e| e.to_string())
    }
}
