//! What stands behind the claims: the discount, the calibration, the log, advice, files, software, cautions.

use maud::{Markup, html};
use serde_json::Value;

use super::{Report, number, shown};
use crate::confidence::verdict::{LEAST_P_WRONG, WEAK_BIT};
use crate::confidence::{ESTABLISHED_BELOW, Level, calibration, score};
use crate::correction::hypotheses::{
    PRIOR_COPIES_DIFFER, PRIOR_NO_CHECKS, PRIOR_OTHER_RECORDING, PRIOR_WRONG_CHECKSUM,
};
use crate::dossier::log::{self, Event, Record};
use crate::dossier::next::{Advice, Forecast};
use crate::recovery::Outcome;
use crate::report::advice;
use crate::report::cautions::{CAUTIONS, FIRST};
use crate::report::evidence::Evidence;
use crate::report::page::unbroken;
use crate::report::words::{self, count};

/// How votes that share a cause were weighed, and how far the chances can be trusted.
pub fn sure(evidence: &Evidence) -> Markup {
    let blocks = || evidence.outcome.tapes.iter().flat_map(|t| &t.blocks);
    let all: usize = blocks().map(|b| b.weights.len()).sum();
    let counted: f64 = blocks().flat_map(|b| &b.weights).map(|&w| f64::from(w)).sum();
    let weights = |take: usize| -> Vec<f32> {
        let pairs = blocks().flat_map(|b| b.block.votes.iter().zip(&b.weights));
        pairs.filter(|(v, _)| v.take == take).map(|(_, &w)| w).collect()
    };
    let full = blocks().flat_map(|b| &b.weights).all(|&w| w == 1.0);
    html! {
        section id="sure" {
            h2 { "How sure is sure" }
            h3 { "Faults that takes share" }
            p {
                "Plays of one tape share its damage, both copies of a block share the recorder that wrote them, and two \
                 captures may share a deck. Independent noise adds up in full; shared damage must not. "
                @if full {
                    "Here no discount was taken: each of the " (count(all, "reading", "readings")) " counts in full, so a \
                     fault that several of them share would pass for agreement. Two captures with the same samples are \
                     counted once."
                } @else {
                    "Here the " (count(all, "reading", "readings")) " count as " (format!("{counted:.1}")) "."
                }
            }
            @if !full {
                table class="narrow" {
                    thead { tr { th scope="col" { "Take" } th scope="col" class="n" { "Readings" } th scope="col" class="n" { "Count as" } } }
                    tbody {
                        @for take in 0..evidence.received() {
                            @let own = weights(take);
                            tr {
                                th scope="row" { (evidence.take_id(take)) }
                                td class="n" { (own.len()) }
                                td class="n" { (format!("{:.1}", own.iter().sum::<f32>())) }
                            }
                        }
                    }
                }
            }
            h3 { "Calibration" }
            p {
                "The chances are those of a model of tape, noise and checks. Statements this small cannot be tested tape by \
                 tape; what a model does not cover, such as a misread block boundary or a fault of this program, has a chance \
                 of its own. So no claim goes below " (score::chance(LEAST_P_WRONG)) ", and a program is established only under "
                (score::chance(ESTABLISHED_BELOW)) ". Both limits are judgements."
            }
            @match calibration::trials() {
                Some(trials) => p {
                    "Model " (score::MODEL) " was held against the truth on " (count(trials.programs as usize, "simulated program", "simulated programs"))
                    " with noise, dropouts, lost stretches, uneven speed, band limits, clipping and late starts, one take in seven kept in a lossy file; tilted heads are not among them: " (count(trials.established.count as usize, "was", "were"))
                    " established, and " strong { (trials.established.wrong) " of them wrong" }
                    @if let Some(bound) = trials.established.upper_95 {
                        " (by that alone, with 95\u{a0}% confidence, at most " (score::chance(bound)) ")"
                    }
                    ". Simulated tapes are not yours: no deck is in the trials."
                }
                None => p {
                    "No series of trials with known truth stands behind the chances of this version; read them as the model's \
                     own opinion."
                }
            }
        }
    }
}

pub fn log(report: &Report) -> Markup {
    html! {
        section id="log" {
            h2 { "Decision log" }
            p class="small soft" {
                "What happened to the evidence, in order. Each record holds the hash of the one before it. All dates of this \
                 report stand here (UTC)."
                @if let Some(file) = report.files.iter().find(|f| f.file == log::FILE) {
                    " SHA-256 of " span class="mono" { (log::FILE) } ": " span class="mono hash" { (file.sha256) }
                }
            }
            table {
                thead { tr { th scope="col" class="n" { "#" } th scope="col" { "Date" } th scope="col" { "What" } } }
                tbody {
                    @for record in &report.log.records {
                        tr {
                            td class="n" { (record.n) }
                            td class="small date" { (shown(&record.date.replace('T', " "))) }
                            td { (event(record)) }
                        }
                    }
                }
            }
        }
    }
}

fn event(record: &Record) -> Markup {
    html! {
        @match &record.event {
            Event::Created { tool, format } => { "Begun by quorate " (shown(tool)) " for tapes of the format " (shown(format)) "." }
            Event::TakeAdded { file, sha256, foreign, .. } => {
                "Take " span class="mono" { (shown(file)) } " came in"
                @if *foreign { ", said to be of the same tape though it shares no block with the others" }
                ". " span class="mono hash soft" { (shown(sha256)) }
            }
            Event::TakeReceivedAgain { file, .. } => {
                "Take " span class="mono" { (shown(file)) } " was listened to again; the earlier evidence of it was replaced."
            }
            Event::Decided { tool, programs, superseded, .. } => {
                "Decided by quorate " (shown(tool)) ": "
                @let of = |level| programs.iter().filter(|p| p.verdict == level).count();
                (of(Level::Established)) " established, " (of(Level::Supported)) " supported, " (of(Level::Open)) " open."
                @if let Some(file) = superseded { " The verdict before is kept as " span class="mono" { (shown(file)) } "." }
            }
            Event::PersonDecided { program, offset, value, evidence, by, because, .. } => {
                (shown(by)) " decided on " span class="mono" { (format!("0x{value:02X}")) } " at offset "
                span class="mono" { (words::offset(*offset)) } " of " (shown(words::name(program.name.trim_end())))
                ", where the evidence has " span class="mono" { (format!("0x{evidence:02X}")) } ": " (shown(because))
            }
            Event::PersonWithdrew { program, offset, by, because } => {
                (shown(by)) " withdrew the decision at offset " span class="mono" { (words::offset(*offset)) } " of "
                (shown(words::name(program.name.trim_end())))
                @if let Some(because) = because { ": " (shown(because)) } @else { "." }
            }
            Event::Conflict { program, what, .. } => {
                strong { "Conflict" } " over " (shown(words::name(program.name.trim_end()))) ": " (shown(what))
            }
        }
    }
}

pub fn help(report: &Report) -> Markup {
    let verdict = &report.evidence.outcome.verdict;
    html! {
        section id="help" {
            h2 { "What would help" }
            @if report.advice.is_empty() {
                p { "Nothing is needed: all programs are established. Keep the captures: they are the evidence." }
            } @else {
                p {
                    "A fresh take is added with " code { "quorate add" } "; nothing has to be done again. Different faults are \
                     what makes takes worth having: another deck, another angle of the head, another day."
                }
            }
            @for advice in report.advice {
                @if let Some(program) = verdict.programs.iter().find(|p| p.id == advice.program) {
                    h3 { a href={ "#" (program.id) } { (number(program)) ". " (shown(words::name(&program.name))) } }
                    p {
                        @if !program.places.is_empty() {
                            "It lies at "
                            (words::list(&program.places.iter().map(|p| {
                                format!("{} to {} of {}", words::minutes(p.from_s), words::minutes(p.to_s), p.take)
                            }).collect::<Vec<_>>()))
                            ". "
                        }
                        (shown(&program.advice.join(" ")))
                    }
                }
                p { (more_takes(&advice.forecast)) }
                (stretches(report.evidence.outcome, advice))
            }
            @let rejected = &verdict.readings.rejected;
            @if !rejected.is_empty() {
                details {
                    summary {
                        (count(rejected.len(), "reading was", "readings were")) " left out, of "
                        (words::thousands(verdict.readings.total))
                    }
                    table {
                        thead { tr { th scope="col" { "Take" } th scope="col" { "Where" } th scope="col" { "Why" } } }
                        tbody {
                            @for r in rejected {
                                tr {
                                    td { (r.take) }
                                    td { (format!("{:.2} s to {:.2} s", r.from_s, r.to_s)) }
                                    td { (shown(&r.reason)) }
                                }
                            }
                        }
                    }
                }
            }
        }
    }
}

/// What more takes would do, as a sentence.
pub fn more_takes(forecast: &Forecast) -> String {
    let told = unbroken(&shown(&advice::forecast(forecast)));
    match forecast {
        Forecast::NotByTakes { .. } => format!("More takes like these {told}"),
        Forecast::Unknown { why } => format!("What more takes would do can't be foretold: {}.", shown(why)),
        Forecast::Simulated { .. } => {
            let mut letters = told.chars();
            letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
        }
    }
}

/// Stretches with one fault that are told one by one.
const STRETCHES: usize = 12;

fn stretches(outcome: &Outcome, advice: &Advice) -> Markup {
    html! {
        @if !advice.stretches.is_empty() {
            table {
                thead {
                    tr { th scope="col" { "Offsets" } th scope="col" { "What is wrong there" } th scope="col" { "Likely cure" } }
                }
                tbody {
                    @for fault in advice::faults(advice, outcome) {
                        @let told = &fault.stretches[..fault.stretches.len().min(STRETCHES)];
                        @let places = advice::places(told);
                        tr {
                            th scope="row" class="offsets mono" {
                                @for stretch in told {
                                    span class="item" {
                                        @if stretch.header { "header " }
                                        (format!("{:04X}", stretch.from))
                                        @if stretch.to != stretch.from { "–" (format!("{:04X}", stretch.to)) }
                                    }
                                    " "
                                }
                                @if told.len() < fault.stretches.len() {
                                    span class="soft" { "and " (fault.stretches.len() - told.len()) " more" }
                                }
                            }
                            td {
                                (fault.cause) "."
                                @if !places.is_empty() { p class="soft small" { "Lies at " (places) "." } }
                            }
                            td { (fault.cure) }
                        }
                    }
                }
            }
        }
    }
}

pub fn files(report: &Report) -> Markup {
    let verdict = &report.evidence.outcome.verdict;
    html! {
        section id="files" {
            h2 { "What went in, and what came out" }
            h3 { "Captures" }
            table {
                thead { tr { th scope="col" { "Take" } th scope="col" { "File and SHA-256" } } }
                tbody {
                    @for take in &verdict.takes {
                        tr {
                            th scope="row" class="v" { (take.id) }
                            td {
                                span class="mono" { (shown(&take.file)) }
                                p class="mono hash soft" { (if take.sha256.is_empty() { "could not be read" } else { &take.sha256 }) }
                            }
                        }
                    }
                }
            }
            h3 { "Results" }
            details {
                // the log has dates in it, so its hash is beside them
                @let files = || report.files.iter().filter(|f| f.file != log::FILE);
                summary { (count(files().count(), "file", "files")) " with hashes" }
                table {
                    thead { tr { th scope="col" { "File and SHA-256" } th scope="col" class="n" { "Bytes" } } }
                    tbody {
                        @for file in files() {
                            tr {
                                td {
                                    span class="mono" { (shown(&file.file)) }
                                    p class="mono hash soft" { (file.sha256) }
                                }
                                td class="n" { (words::thousands(file.bytes as usize)) }
                            }
                        }
                    }
                }
            }
        }
    }
}

pub fn software(report: &Report) -> Markup {
    let grammar = report.evidence.format.grammar();
    let symbols: Vec<String> = grammar.symbols.iter().map(|s| format!("{} {:.0} µs", s.name, 1e6 * s.cycle)).collect();
    let limits = [
        ("Established below", score::chance(ESTABLISHED_BELOW), "chance that any byte is wrong"),
        ("No claim below", score::chance(LEAST_P_WRONG), "what no model covers has a chance of its own"),
        ("A bit is weak above", score::chance(WEAK_BIT), "chance that it is wrong after everything was weighed"),
        (
            "Prior, wrong checksum",
            score::chance(PRIOR_WRONG_CHECKSUM),
            "a block written with a checksum that was never right",
        ),
        (
            "Prior, copies that differ",
            score::chance(PRIOR_COPIES_DIFFER),
            "a block whose two copies were written with different bytes",
        ),
        (
            "Prior, other recording",
            score::chance(PRIOR_OTHER_RECORDING),
            "a block at which takes of one tape hold different recordings",
        ),
        ("Prior, no checks", score::chance(PRIOR_NO_CHECKS), "a block not in the format at all"),
        ("Pulses", unbroken(&words::list(&symbols)), "usual full cycles, from which every take's own are learned"),
        ("Bits per byte on tape", grammar.bits_per_byte.to_string(), "parity included"),
    ];
    html! {
        section id="software" {
            h2 { "Software and parameters" }
            p {
                "Decided by quorate " (report.evidence.outcome.verdict.tool.version) ", drawn by quorate "
                (env!("CARGO_PKG_VERSION")) "."
            }
            table {
                caption { "Fixed in this version" }
                thead { tr { th scope="col" { "Parameter" } th scope="col" { "Value" } th scope="col" class="wide" { "What it is" } } }
                tbody {
                    @for (name, value, what) in limits { tr { th scope="row" { (name) } td { (value) } td class="wide" { (what) } } }
                }
            }
            @if let Some(command) = report.run.get("command").and_then(Value::as_object) {
                table {
                    caption {
                        "The command that last wrote the folder"
                        @if let Some(name) = command.get("name").and_then(Value::as_str) { ": quorate " (shown(name)) }
                    }
                    thead {
                        tr {
                            th scope="col" { "Option" }
                            th scope="col" { "Value" }
                            th scope="col" { "If not given" }
                            th scope="col" class="wide" { "What it is" }
                        }
                    }
                    tbody {
                        @for option in command.get("options").and_then(Value::as_array).into_iter().flatten() {
                            tr {
                                th scope="row" { (plain(&option["name"])) }
                                td class="mono" { (brief(&plain(&option["value"]))) }
                                td {
                                    @if option["required"] == true { "must be given" }
                                    @else { span class="mono" { (plain(&option["default"])) } }
                                }
                                td class="wide" { (plain(&option["what"])) }
                            }
                        }
                    }
                }
            }
        }
    }
}

/// Long texts stand in full with the takes.
fn brief(text: &str) -> String {
    const ROOM: usize = 400;
    if text.chars().count() <= ROOM {
        return text.into();
    }
    text.chars().take(ROOM).chain(['…']).collect()
}

/// A value of JSON for people.
fn plain(value: &Value) -> String {
    match value {
        Value::Null => "–".into(),
        Value::Bool(b) => if *b { "yes" } else { "no" }.into(),
        Value::String(text) => shown(text),
        Value::Array(all) if all.is_empty() => "–".into(),
        Value::Array(all) => all.iter().map(plain).collect::<Vec<_>>().join(", "),
        Value::Object(all) => {
            all.iter().map(|(name, value)| format!("{} {}", shown(name), plain(value))).collect::<Vec<_>>().join(", ")
        }
        number => number.to_string(),
    }
}

pub fn cautions() -> Markup {
    html! {
        section id="cautions" {
            h2 { "Cautions" }
            p { (FIRST) }
            ul class="plain" {
                @for (what, told) in CAUTIONS { li { strong { (what) } ": " (told) } }
            }
        }
    }
}
