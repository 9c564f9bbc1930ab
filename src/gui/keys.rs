//! Which key does what? Every action that begins or ends something has one, works from every page and every field, and is written beside its button.
//! Function keys, because the fields take letters.

use super::desk::{ChainPart, Evidence, Station};
use eframe::egui::text_selection::LabelSelectionState;
use eframe::egui::{Context, Event, Key, KeyboardShortcut, Modifiers};

/// Something the user can do.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Action {
    /// Fade out now.
    Stop,
    /// Show or hide keys, cautions and help.
    Cautions,
    /// Page Chain.
    Chain,
    /// Page Climb.
    Climb,
    /// List the cards again.
    ListCards,
    /// Run a session.
    Start,
    /// Keep everything but the headphone.
    NextHeadphone,
    /// Headphone after headphone on one output: begin, begin against the check, end.
    Series,
    /// The listener's own level, in place of the question, or the question again.
    OwnLevel,
    /// An output that this computer cannot drive, in place of the question, or the question again.
    Elsewhere,
    /// A headphone of its list is on the coupler.
    SeriesName,
    /// Take up a session that was cut short.
    GoOn,
    /// Quick look or session.
    Extent,
    /// Another seat of the headphone; while noise is held for it: it sits.
    Seat,
    /// The next piece of evidence.
    Details,
    /// Show or hide notes and doubts.
    Flaws,
    /// Dark or light.
    Theme,
    /// Listen to the sound calibrator.
    Calibrate,
    /// Is the path to the ear fault-free?
    PathCheck,
    /// Page Side by side, listed anew.
    SideBySide,
    /// Play the level of the first session on the second output; while noise is held for a knob: it is right.
    Match,
    /// Page Stock, read anew.
    Stock,
    /// Write a report of what is shown.
    Report,
    /// Fit the calibrator of the session shown once more.
    CheckAfter,
    /// The next step of an electrical calibration.
    Electrical,
    /// The evidence as large as the page, or beside the scale again.
    Enlarge,
    /// What was removed last comes back.
    Undo,
    /// The answer of the page on the clipboard.
    CopyAnswer,
    /// Open what was written last.
    OpenWritten,
    /// Its path on the clipboard.
    CopyPath,
    /// Close the window; asks while something sounds.
    Quit,
    /// The program is asked to end from outside.
    Leave,
    /// Stop, keep, and close.
    CloseNow,
    /// The window stays open.
    Stay,
    /// The large button of page Climb.
    Next,
    /// Show this piece of evidence.
    Show(Evidence),
    /// Open this node of the chain.
    OpenPart(ChainPart),
    /// Every field of the chain at once, or one node.
    AllParts,
    /// Take this, or leave it, station of the track.
    Skip(Station),
    /// Ask a question, though an answer is shown.
    AskAgain,
    /// Back to the answer.
    BackToAnswer,
    /// Show or hide what else is asked.
    MoreAsked,
    /// The name of the next headphone was typed.
    TakeNextHeadphone,
    /// The session to take up was named.
    TakeUp,
    /// Take up the session shown.
    GoOnWithShown,
    /// Hold noise while the output's volume control is turned.
    Turn,
    /// Listen to an outside source at the open ear.
    ListenOpen,
    /// The same at the covered ear.
    ListenCovered,
    /// Take up the swap of this place in the list.
    SwapTakeUp(usize),
    /// Leave the swap under way.
    SwapLeave,
    /// What is asked of two sessions has changed.
    CompareAgain,
    /// Page Notebook, read anew.
    Notebook,
    /// Open the session that is looked at in the notebook.
    OpenChosen,
    /// Write a report of it.
    ReportChosen,
    /// Judge it for the listener that the question asks for.
    JudgeChosen,
    /// Go on with it.
    ContinueChosen,
    /// The two marked sessions side by side.
    CompareMarked,
    /// Keep the note that is typed.
    KeepNote,
    /// Correct the names that are typed.
    CorrectNames,
    /// Set the session aside, or take it back.
    SetAside,
    /// Undo what was written into it last.
    UndoWritten,
    /// Keep the listening level that is asked for as the listener's own.
    KeepListener,
    /// Forget the one that is kept.
    ForgetListener,
    /// Keep what is typed of an output.
    KeepOutput,
    /// Keep what is typed of a headphone.
    KeepHeadphone,
    /// One more fit of the calibrator.
    CalibrateAgain,
    /// Take the offset from the microphone's sensitivity.
    TakeSensitivity,
    /// Take the offset as typed.
    TakeOffset,
    /// Read the correction curve that is named.
    ReadCurve,
}

impl Action {
    /// All that have a key, with it and their name.
    pub const ALL: [(Action, Key, &'static str); 29] = [
        (Action::Stop, Key::Escape, "Stop"),
        (Action::Cautions, Key::F1, "Help"),
        (Action::Chain, Key::F2, "Chain"),
        (Action::Climb, Key::F3, "Climb"),
        (Action::ListCards, Key::F4, "List cards"),
        (Action::Start, Key::F5, "Start"),
        (Action::NextHeadphone, Key::F6, "Next headphone"),
        (Action::Series, Key::B, "Series of headphones"),
        (Action::OwnLevel, Key::O, "My own level"),
        (Action::Elsewhere, Key::D, "Output elsewhere"),
        (Action::Extent, Key::F7, "Quick look or session"),
        (Action::Details, Key::F8, "Next evidence"),
        (Action::Flaws, Key::F9, "Notes and doubts"),
        (Action::Theme, Key::F10, "Light or dark"),
        (Action::GoOn, Key::F11, "Go on with a session"),
        (Action::Calibrate, Key::F12, "Listen to the calibrator"),
        (Action::Seat, Key::H, "Next seat"),
        (Action::PathCheck, Key::P, "Path check"),
        (Action::SideBySide, Key::S, "Side by side"),
        (Action::Match, Key::M, "Play the level"),
        (Action::Stock, Key::T, "Stock"),
        (Action::Notebook, Key::N, "Notebook"),
        (Action::Report, Key::R, "Report"),
        (Action::CheckAfter, Key::K, "Check after the session"),
        (Action::Electrical, Key::E, "Volts and impedances"),
        (Action::Enlarge, Key::L, "Enlarge"),
        (Action::CopyAnswer, Key::C, "Copy the answer"),
        (Action::Undo, Key::Z, "Undo what was removed"),
        (Action::Quit, Key::Q, "Quit"),
    ];

    fn row(self) -> (Key, &'static str) {
        Action::ALL.iter().find(|(a, ..)| *a == self).map_or((Key::Escape, ""), |(_, key, name)| (*key, *name))
    }

    /// As the key is written: `F5`, `Esc`, `Ctrl Q`.
    pub fn key(self) -> String {
        match self.row().0 {
            Key::Escape => "Esc".into(),
            key if is_letter(key) => format!("Ctrl {}", key.name()),
            key => key.name().into(),
        }
    }

    /// Its name.
    pub fn name(self) -> &'static str {
        self.row().1
    }

    /// Name and key, as written on its button.
    pub fn button(self) -> String {
        format!("{}  {}", self.name(), self.key())
    }
}

/// Letters are for the fields: as keys they go with Ctrl.
fn is_letter(key: Key) -> bool {
    key.name().len() == 1
}

/// Actions whose keys were pressed, Stop first. The keys are taken away, so that no widget acts on them too.
pub fn pressed(ctx: &Context) -> Vec<Action> {
    let (typing, focused) = (ctx.text_edit_focused(), ctx.memory(|memory| memory.focused().is_some()));
    let open = eframe::egui::Popup::is_any_open(ctx);
    let marked = ctx.plugin::<LabelSelectionState>().lock().has_selection();
    ctx.input_mut(|input| {
        // Escape is looked at, not taken: it also has to close an open list and leave a field. Modifiers do not matter:
        // a hand that rests on another key must not keep the sound on.
        let stop = input.key_pressed(Key::Escape);
        let mut actions = if stop { vec![Action::Stop] } else { Vec::new() };
        for (action, key, _) in Action::ALL.into_iter().filter(|(a, ..)| *a != Action::Stop) {
            // A field undoes its own typing and copies its own words.
            if matches!(action, Action::Undo | Action::CopyAnswer) && typing {
                continue;
            }
            let modifiers = if is_letter(key) { Modifiers::COMMAND } else { Modifiers::NONE };
            if input.consume_shortcut(&KeyboardShortcut::new(modifiers, key)) {
                actions.push(action);
            }
        }
        // The system's own sign for Ctrl C comes instead of the key; words that are marked are copied by themselves.
        let copies = input.events.iter().any(|event| matches!(event, Event::Copy));
        if copies && !typing && !marked && !actions.contains(&Action::CopyAnswer) {
            actions.push(Action::CopyAnswer);
        }
        // A widget that has the keyboard takes Enter for itself, a field every digit.
        if !focused && !open && input.consume_key(Modifiers::NONE, Key::Enter) {
            actions.push(Action::Next);
        }
        for (digit, (evidence, ..)) in DIGITS.into_iter().zip(Evidence::ALL) {
            if !typing && input.consume_key(Modifiers::NONE, digit) {
                actions.push(Action::Show(evidence));
            }
        }
        actions
    })
}

/// Text that was pasted while no field had the keyboard.
pub fn pasted(ctx: &Context) -> Option<String> {
    if ctx.text_edit_focused() {
        return None;
    }
    ctx.input(|input| {
        input.events.iter().find_map(|event| match event {
            Event::Paste(text) => Some(text.clone()),
            _ => None,
        })
    })
}

/// Keys of the evidence, in its order.
const DIGITS: [Key; 10] =
    [Key::Num1, Key::Num2, Key::Num3, Key::Num4, Key::Num5, Key::Num6, Key::Num7, Key::Num8, Key::Num9, Key::Num0];
