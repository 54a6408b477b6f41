//! What a command was told, for its run record: every option with its value and its default. All of it comes from clap's own
//! definitions, so that no option can be forgotten.

use clap::{Arg, ArgAction, ArgMatches, Command};
use serde::Serialize;
use serde_json::Value;

/// A command line with all defaults.
#[derive(Clone, Debug, Default, Serialize)]
pub struct Settings {
    name: String,
    options: Vec<Setting>,
}

/// An option, or an argument without a name of its own.
#[derive(Clone, Debug, Serialize)]
struct Setting {
    name: String,
    /// What was used: a truth value, a text, a list of texts, or null for none.
    value: Value,
    /// What holds if nothing is said.
    default: Value,
    required: bool,
    /// What it is for, as the help says it.
    what: String,
}

impl Settings {
    /// Of the subcommand that `matches` were made by; `root` is the command that was parsed with.
    pub fn of(root: &Command, matches: &ArgMatches) -> Settings {
        let Some((name, told)) = matches.subcommand() else { return Settings::default() };
        let arguments = root.find_subcommand(name).into_iter().flat_map(Command::get_arguments);
        let asks = |a: &&Arg| {
            use ArgAction::{Help, HelpLong, HelpShort, Version};
            matches!(a.get_action(), Help | HelpLong | HelpShort | Version)
        };
        Settings { name: name.into(), options: arguments.filter(|a| !asks(a)).map(|a| setting(a, told)).collect() }
    }

    /// Puts what was used in place of what was said, for an option whose default is found out when the command runs.
    pub fn used(mut self, name: &str, value: impl Into<Value>) -> Settings {
        let value = value.into();
        self.options.iter_mut().filter(|o| o.name == name).for_each(|o| o.value = value.clone());
        self
    }
}

fn setting(argument: &Arg, told: &ArgMatches) -> Setting {
    let id = argument.get_id().as_str();
    let text = |s: &std::ffi::OsStr| s.to_string_lossy().into_owned();
    let said = told.try_get_raw(id).ok().flatten().map_or(Vec::new(), |values| values.map(text).collect());
    let default = argument.get_default_values().iter().map(|v| text(v)).collect();
    Setting {
        name: argument.get_long().unwrap_or(id).to_string(),
        value: value(argument, said),
        default: value(argument, default),
        required: argument.is_required_set(),
        what: argument.get_help().map_or_else(String::new, ToString::to_string),
    }
}

/// Values in the shape of their option.
fn value(argument: &Arg, mut texts: Vec<String>) -> Value {
    let several = argument.get_num_args().is_some_and(|n| n.max_values() > 1);
    match argument.get_action() {
        ArgAction::SetTrue => Value::Bool(texts.first().is_some_and(|t| t == "true")),
        ArgAction::Append => texts.into(),
        _ if several => texts.into(),
        _ => texts.pop().map_or(Value::Null, Value::String),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn every_option_has_its_value_and_its_default() {
        let weigh = Command::new("weigh")
            .arg(Arg::new("birds").required(true).num_args(1..).help("Rings of the birds"))
            .arg(Arg::new("net").long("which-net").help("The net"))
            .arg(Arg::new("scale").long("scale").default_value("spring"))
            .arg(Arg::new("note").long("note").action(ArgAction::Append))
            .arg(Arg::new("wet").long("wet").action(ArgAction::SetTrue));
        let mut root = Command::new("station").subcommand(weigh);
        let line = ["station", "weigh", "X1", "X2", "--note", "ebb", "--wet"];
        let matches = root.try_get_matches_from_mut(line).unwrap();
        let settings = json!(Settings::of(&root, &matches).used("which-net", "north"));
        assert_eq!(settings["name"], "weigh");
        let told: Vec<Value> = settings["options"]
            .as_array()
            .unwrap()
            .iter()
            .map(|o| json!([o["name"], o["value"], o["default"], o["required"]]))
            .collect();
        let wanted = json!([
            ["birds", ["X1", "X2"], [], true],
            ["which-net", "north", null, false],
            ["scale", "spring", "spring", false],
            ["note", ["ebb"], [], false],
            ["wet", true, false, false],
        ]);
        assert_eq!(json!(told), wanted);
        assert_eq!(settings["options"][0]["what"], "Rings of the birds");
    }
}
