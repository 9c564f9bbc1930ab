//! Calibration of the input: listened to, checked after a session, or typed.

use super::{ChainPart, Desk, Page};
use crate::asked::Read;
use crate::calibration::{Acoustic, Curve};
use crate::card::InputRole;
use crate::gui::form::{Field, Form, sentence};
use crate::gui::view::Phase;
use crate::gui::work::Lost;
use crate::session::plain_file;
use crate::session::protocol::Command;
use std::path::Path;

impl Desk {
    pub(super) fn calibrate(&mut self) {
        self.view.calibration_failure = None;
        self.view.checked = None;
        if self.view.phase != Phase::Idle {
            self.view.calibration_failure = Some(self.busy_because());
            return;
        }
        let Some((_, chain)) = self.form.ready() else {
            self.view.calibration_failure = Some(self.not_ready_because());
            return;
        };
        let Ok(calibrator) = self.form.calibrator() else { return };
        let command = Command::Calibrate { chain: Box::new(chain.clone()), role: self.form.ear, calibrator };
        self.send(command);
    }

    /// One more fit of the same calibrator: the mean of all counts.
    pub(super) fn calibrate_again(&mut self) {
        self.another_fit = true;
        self.calibrate();
        self.another_fit = self.view.phase == Phase::Calibrating;
    }

    /// Fits the calibrator of the session shown once more.
    pub(super) fn check_calibration(&mut self) {
        (self.page, self.open_part) = (Page::Chain, ChainPart::Coupler);
        self.view.calibration_failure = None;
        if self.view.phase != Phase::Idle {
            self.view.calibration_failure = Some(self.busy_because());
            return;
        }
        let Some(folder) = self.view.folder.clone().filter(|_| self.view.digest.is_some()) else {
            self.view.calibration_failure = Some("The check belongs to a finished session; run one first.".into());
            return;
        };
        self.view.checked = None;
        self.send(Command::CheckCalibration { folder, role: self.form.ear, calibrator: None });
    }

    /// The offset as heard, or the mean with the fits before it.
    pub(super) fn fitted(&mut self, role: InputRole, heard: Acoustic) -> Acoustic {
        let before = self.form.acoustic.get(&role).filter(|_| self.another_fit);
        let mean = before.map_or(Ok(heard.clone()), |before| before.with_fit(&heard));
        self.another_fit = false;
        mean.unwrap_or_else(|why| {
            self.view.calibration_failure = Some(why.to_string());
            heard
        })
    }

    /// Takes a typed offset, or one from typed figures, into force.
    pub(super) fn take_offset(&mut self, offset: impl Fn(&Form, &str) -> Read<Acoustic>) {
        match offset(&self.form, &self.now.clone()) {
            Ok(acoustic) => {
                self.form.take_offset(self.form.ear, acoustic);
                self.view.calibration_failure = None;
                self.changed();
                self.keep_chain();
            }
            Err(wrong) => {
                self.form.wrong.insert(wrong.field, wrong.to_string());
            }
        }
    }

    /// Reads the file that is named on a thread of its own.
    pub(super) fn read_curve(&mut self) {
        let (name, stated) = (self.form.particulars.curve_file.trim().to_string(), self.form.particulars.stated);
        let read = move || {
            let path = Path::new(&name);
            let bytes = plain_file::read(path, plain_file::LARGEST_TEXT)
                .map_err(|error| format!("The file {name} cannot be read: {error}."))?;
            let file = path.file_name().map_or(name.clone(), |f| f.to_string_lossy().into());
            Curve::read(&file, &bytes, &stated).map_err(|refused| sentence(&refused.to_string()))
        };
        self.form.particulars.read = None;
        if let Err(error) = self.curve.begin("curve", &self.wake, read) {
            self.form.particulars.read = Some(Err(format!("The curve could not be read: {error}.")));
        }
    }

    /// Adds the curve that was read to the ear's.
    pub(super) fn look_at_curve(&mut self) {
        let Some(looked) = self.curve.look() else { return };
        let read = looked.unwrap_or_else(|Lost| Err("The curve could not be read: its reader ended.".into()));
        let form = &mut self.form;
        let read = read.and_then(|curve| {
            let half_width_db = form.typed.optional(Field::CurveHalfWidth).map_err(|wrong| wrong.to_string())?;
            Ok(Curve { half_width_db, ..curve })
        });
        form.particulars.read = Some(read.map(|curve| {
            let mut remarks = vec![format!("Read: {}.", crate::gui::form::curve_words(&curve))];
            remarks.extend(curve.remarks());
            form.chain.curves.entry(form.ear).or_default().0.push(curve);
            remarks
        }));
        self.changed();
    }
}
