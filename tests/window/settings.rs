//! `settings.toml` in the window: what is set stands in the fields, and what is typed beats it.

use super::records;
use loudenough::asked::{Field, Settings};
use loudenough::gui::StartState;
use loudenough::gui::form::Form;

#[test]
fn what_is_set_stands_in_the_fields_and_the_plan_says_so() {
    let settings = Settings::read("listening = 66\nample = 22\nwanted = 24\nceiling = 104\n").unwrap();
    let start = StartState { chain: records::chain(true), ..StartState::simulated("/nowhere".into()) };
    let mut form = Form::new(StartState { plan: settings.under(start.plan.clone()), ..start });
    form.typed.set(Field::Offset, "120");
    form.check(&[]);
    let plan = &form.ready().unwrap_or_else(|| panic!("{:?}", form.wrong)).0;
    let level = plan.listening.map(|listening| listening.level.db());
    assert_eq!((level, plan.wanted_headroom_db, plan.rule.ample_db), (Some(66.0), 24.0, 22.0));
    assert_eq!((plan.ceilings.spl.db(), plan.from_settings.len()), (104.0, 4));
    form.typed.set(Field::CeilingSpl, "99");
    form.typed.set(Field::Listening, "70");
    form.check(&[]);
    let plan = &form.ready().unwrap_or_else(|| panic!("{:?}", form.wrong)).0;
    assert!((plan.ceilings.spl.db() - 99.0).abs() < 1e-9);
    assert_eq!(plan.from_settings, ["headroom that counts as ample 22 dB", "wanted headroom 24 dB"]);
}

/// As a typed one: the window asks for it a second time.
#[test]
fn a_raised_ceiling_is_typed_again_in_the_window() {
    let settings = Settings::read("ceiling = 118\nconfirm-ceiling = 118\n").unwrap();
    let start = StartState { chain: records::chain(true), ..StartState::simulated("/nowhere".into()) };
    let mut form = Form::new(StartState { plan: settings.under(start.plan.clone()), ..start });
    form.typed.set(Field::Offset, "120");
    form.check(&[]);
    assert!(form.ready().is_none() && form.wrong.contains_key(&Field::CeilingAgain), "{:?}", form.wrong);
    form.typed.set(Field::CeilingAgain, "118");
    form.check(&[]);
    assert!(form.ready().is_some(), "{:?}", form.wrong);
}
