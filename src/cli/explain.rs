//! `quorate explain`.

use std::fmt::Write;
use std::path::{Path, PathBuf};

use clap::Args;
use serde::Serialize;

use super::place::Place;
use super::{Done, drawing, place, screen};
use crate::Error;
use crate::confidence::verdict::LEAST_P_WRONG;
use crate::confidence::{Class, ESTABLISHED_BELOW, score};
use crate::correction::{Check, Finding, Outcome as Found};
use crate::dossier::Dossier;
use crate::dossier::explain::{self, ByteStory, Vote, Weak};
use crate::export::names::printable;
use crate::recovery::Outcome;
use crate::report::certificate::certificate;
use crate::report::table::{Look, word};
use crate::report::verdict::ProgramVerdict;
use crate::report::words;

/// Says why a program, or one byte of it, is what it is: every reading's vote, the checks, the best rival
#[derive(Args)]
#[command(after_long_help = AFTER_HELP)]
pub struct Explain {
    /// A folder that `quorate recover` wrote
    #[arg(value_name = "DIR")]
    dir: PathBuf,
    /// A program by id, number or name, and a byte of it by offset (17, 0x11) or address (@C011)
    #[arg(value_name = "PROGRAM[:OFFSET]")]
    what: String,
    /// As JSON
    #[arg(long)]
    json: bool,
}

const AFTER_HELP: &str = "\
  quorate explain recovered p02           the program: its blocks, what was
                                          corrected, what is in doubt
  quorate explain recovered p02:0x1f      one byte of it
  quorate explain recovered \"TIDE CLOCK:@C01F\"

Votes are in nats: by a vote of 2.3 one value is ten times as probable as the other, by one of 4.6 a hundred times; 0 \
says nothing.";

/// What is said of a program.
#[derive(Serialize)]
struct ProgramStory<'a> {
    program: &'a ProgramVerdict,
    weak: Vec<Weak>,
}

impl Explain {
    pub fn run(&self) -> Done {
        let dossier = Dossier::open(&self.dir)?;
        let outcome = dossier.decide(&|_, _| ())?;
        let place = place::find(&outcome, &self.what)?;
        let text = match place.offset {
            Some(offset) => {
                let story = explain::byte(&dossier, &outcome, place.program, offset)?;
                if self.json { json(&story)? } else { byte(&story, &dossier, &outcome, &place, screen::look()) }
            }
            None => {
                let (program, weak) =
                    (&outcome.verdict.programs[place.program], explain::weak(&outcome, place.program));
                if self.json {
                    json(&ProgramStory { program, weak })?
                } else {
                    whole(&outcome, program, &weak, screen::look())
                }
            }
        };
        screen::say(&text)?;
        Ok(0)
    }
}

fn json(value: &impl Serialize) -> Result<String, Error> {
    let text = serde_json::to_string_pretty(value);
    Ok(text.map_err(|e| Error::write(Path::new("standard output"), e.into()))? + "\n")
}

/// `checked`: whether the block obeys its checksum as decided.
fn class(class: Class, checked: bool) -> &'static str {
    match class {
        Class::Agreed if !checked => "agreed: all that was heard clearly says this",
        Class::Corrected if !checked => "corrected: the votes single out one value",
        Class::Agreed => "agreed: all that was heard clearly says this, and with it the checks hold",
        Class::Corrected => "corrected: the votes and the checks single out one value",
        Class::Inferred => "inferred: the best guess, a rival remains",
        Class::Unresolved => "unresolved: no basis",
    }
}

/// Where something lies on a take: seconds as minutes and seconds.
pub fn span(&(take, from_s, to_s): &(usize, f64, f64)) -> String {
    let (from, to) = (words::clock(from_s), words::clock(to_s));
    if from == to { format!("take-{take} at {from}") } else { format!("take-{take} {from}-{to}") }
}

fn byte(story: &ByteStory, dossier: &Dossier, outcome: &Outcome, place: &Place, look: Look) -> String {
    let address = story.address.map_or(String::new(), |a| format!(", address 0x{a:04X}"));
    let mut out = look.title(&printable(&format!(
        "{} {}, offset {}{address}: 0x{:02X}",
        story.program,
        words::name(story.name.trim_end()),
        words::offset(story.offset),
        story.value
    )));
    let mut rows: Vec<(&str, String)> = Vec::new();
    if let Some(d) = &story.decision {
        let text = format!("by {}, not by the evidence, which has 0x{:02X}: {}", d.by, story.evidence, d.because);
        rows.push(("decided", printable(&text)));
    }
    rows.push(("class", class(story.class, !story.wrong_checksum).into()));
    // the evidence says nothing of a person's value
    let which = story.decision.as_ref().map_or("of".into(), |_| format!("of 0x{:02X}", story.evidence));
    rows.push(("chance", format!("{which} being wrong: {}", score::chance(story.p_wrong.max(LEAST_P_WRONG)))));
    if let Some(explanation) = &story.explanation {
        rows.push(("reason", explanation.clone()));
    }
    match story.place {
        Some((byte, of)) => rows.push(("place", format!("byte {} of the {of} of its block", byte + 1))),
        None => rows.push(("place", "no take holds this byte: the header announces it".into())),
    }
    if let Some(rival) = &story.rival {
        let with = match rival.with.len() {
            0 => String::new(),
            1 => format!("; byte {} of the block would change with it", rival.with[0] + 1),
            n => format!("; {n} other bytes of the block would change with it"),
        };
        let text = if rival.loses_by > 0.0 {
            format!(
                "0x{:02X} would be next: it loses by {:.1} nats, {} against the other{with}",
                rival.value,
                rival.loses_by,
                odds(rival.loses_by)
            )
        } else {
            format!("0x{:02X} is as good: a tie{with}", rival.value)
        };
        rows.push(("rival", text));
    }
    if story.place.is_some() {
        for (i, text) in checks(story).into_iter().enumerate() {
            rows.push((if i == 0 { "checks" } else { "" }, text));
        }
    }
    let rows: Vec<(String, String)> = rows.into_iter().map(|(w, t)| (w.to_string(), t)).collect();
    out.push_str(&look.notes(&rows));
    for vote in &story.votes {
        let v = &vote.vote;
        let value = v.value.map_or("only a part".into(), |b| format!("0x{b:02X}"));
        let against = story.rival.as_ref().map_or(!story.evidence, |r| r.value);
        let counts = if v.weight == 1.0 { "in full".into() } else { format!("{:.2}", v.weight) };
        let _ = write!(
            out,
            "\n{}",
            look.title(&printable(&format!(
                "{} ({}), copy {}, at {}",
                v.take,
                vote.file,
                v.copy,
                words::clock(vote.from_s)
            )))
        );
        let bits: Vec<String> = vote.bits.iter().map(|l| format!("{:+.1}", l.0)).collect();
        out.push_str(&look.notes(&if heard(vote) {
            vec![
                (
                    "says".into(),
                    format!("{value}; {:+.1} nats for 0x{:02X} against 0x{against:02X}", v.ln_odds, story.evidence),
                ),
                ("counts".into(), counts),
                ("bits".into(), format!("{} (the first is the lowest, the last is parity)", bits.join(" "))),
            ]
        } else {
            vec![("says".into(), "nothing: it has the place, but no bit could be made out".into())]
        }));
        let columns = usize::from(look.width.clamp(40, 90)) - 4;
        for line in drawing::wave(&vote.wave, columns).iter().filter(|_| look.unicode) {
            let _ = writeln!(out, "  {line}");
        }
    }
    if !story.votes.iter().any(heard) {
        out.push_str("\nNo reading heard this byte.\n");
    }
    let history = explain::history(dossier, outcome, place.program, story.offset);
    if !history.is_empty() {
        out.push('\n');
        history.iter().for_each(|line| _ = writeln!(out, "{}", printable(line)));
    }
    out
}

fn heard(vote: &Vote) -> bool {
    !vote.bits.iter().all(|l| l.is_lost())
}

/// What nats mean: the chance of the rival if there were no other.
fn odds(nats: f64) -> String {
    score::chance((1.0 / (1.0 + nats.exp())).max(LEAST_P_WRONG))
}

fn checks(story: &ByteStory) -> Vec<String> {
    let mut out: Vec<String> = story.findings.iter().map(finding).collect();
    if out.is_empty() {
        out.push("the votes obey the byte's parity and the block's checksum by themselves".into());
    }
    if story.wrong_checksum {
        out.push(
            "the block as decided does not obey its checksum: it was most probably written with a wrong one".into(),
        );
    }
    out
}

fn finding(finding: &Finding) -> String {
    let (failed, open) = ("the votes alone fail", "a lost bit leaves open");
    let how = if finding.outcome == Found::Failed { failed } else { open };
    let what = match &finding.check {
        Check::Parity { .. } => "the byte's parity".to_string(),
        Check::XorColumn { value } => format!("the block's XOR in the bits worth {value}"),
        Check::Sum { computed, written } => {
            format!("the block's sum: 0x{computed:02X}, and 0x{written:02X} is written")
        }
        Check::Crc { computed, written } => {
            format!("the block's CRC: 0x{computed:04X}, and 0x{written:04X} is written")
        }
        Check::KnownBit { value, .. } => format!("a bit that must be {}", u8::from(*value)),
        Check::Block => "the block's checks".into(),
    };
    format!("{how} {what}")
}

fn whole(outcome: &Outcome, program: &ProgramVerdict, weak: &[Weak], look: Look) -> String {
    let title = format!("{} {}: {}", program.id, words::name(program.name.trim_end()), word(program.verdict));
    let mut out = look.title(&printable(&title));
    let b = &program.bytes;
    let mut rows = vec![
        ("chance".to_string(), format!("of a wrong byte: {}", score::chance(program.p_wrong))),
        (
            "bytes".into(),
            format!(
                "{}: {} agreed, {} corrected, {} inferred, {} unresolved",
                program.size, b.agreed, b.corrected, b.inferred, b.unresolved
            ),
        ),
    ];
    rows.extend(program.obstacles.iter().map(|o| ("in the way".to_string(), printable(o))));
    rows.extend(
        program.notes.iter().filter(|n| !program.obstacles.contains(n)).map(|n| ("note".to_string(), printable(n))),
    );
    for block in &program.blocks {
        let readings = words::count(block.readings, "reading", "readings");
        let mut text = format!("{}, {readings}", words::count(block.bytes, "byte", "bytes"));
        match (certificate(block, words::bits_per_byte(&program.format)), &block.certificate) {
            (Some(said), _) => {
                let _ = write!(text, "; {said}");
            }
            (None, Some(c)) => {
                text.push_str("; no bit decided against the votes.");
                if let Some(next) = c.runner_up_cost {
                    let _ = write!(text, " The next best valid block costs {next:.1} nats.");
                }
            }
            (None, None) => {}
        }
        for h in block.hypotheses.iter().skip(1).filter(|h| h.posterior > 1e-6) {
            let _ = write!(text, " Chance that it was {}: {}.", h.hypothesis.name, score::chance(h.posterior));
        }
        rows.push((format!("{} block", block.role), text));
    }
    out.push_str(&look.notes(&rows));
    if weak.is_empty() {
        out.push_str(match (program.p_wrong < ESTABLISHED_BELOW, program.obstacles.is_empty()) {
            (true, _) => "\nNo byte is in doubt.\n",
            (false, true) => "\nNo byte is in doubt by itself: the chance is that of all together.\n",
            (false, false) => "\nNo byte is in doubt by itself: see what stands in the way.\n",
        });
        return out;
    }
    let _ = write!(out, "\n{}", look.title("In doubt"));
    let stretch = |w: &Weak| {
        let places: Vec<String> = w.places.iter().map(span).collect();
        let places = if places.is_empty() { "no take holds it".into() } else { places.join(", ") };
        let kind = class(w.class, true).split(':').next().unwrap_or_default().to_string();
        let at = format!("{}{}", if w.header { "header " } else { "" }, words::offsets(w.from, w.to));
        (at, format!("{kind}; chance of a wrong byte {}; {places}", score::chance(w.p_wrong)))
    };
    const MOST: usize = 20;
    out.push_str(&look.notes(&weak.iter().take(MOST).map(stretch).collect::<Vec<_>>()));
    if weak.len() > MOST {
        let _ = writeln!(out, "  and {} more; --json lists all", weak.len() - MOST);
    }
    let takes: Vec<String> = outcome
        .intake
        .received
        .iter()
        .enumerate()
        .filter(|(i, _)| program.takes.contains(&format!("take-{}", i + 1)))
        .filter_map(|(i, r)| about(&r.about).map(|a| format!("take-{}: {a}", i + 1)))
        .collect();
    takes.iter().for_each(|t| _ = writeln!(out, "{}", printable(t)));
    out
}

/// What the person at the deck said.
fn about(about: &crate::recovery::About) -> Option<String> {
    let deck = about.deck.iter().map(|d| format!("deck {d}"));
    let operator = about.operator.iter().map(|o| format!("played by {o}"));
    let all: Vec<String> = deck.chain(operator).chain(about.notes.iter().cloned()).collect();
    (!all.is_empty()).then(|| all.join("; "))
}
