//! Tells people, and other programs, what was found.

pub mod advice;
pub mod cautions;
pub mod certificate;
pub mod evidence;
pub mod html;
pub mod page;
pub mod schema;
pub mod shelf;
pub mod summary;
pub mod table;
pub mod verdict;
pub mod words;

use serde_json::Value;

use crate::Error;
use crate::dossier::take::Waves;
use crate::dossier::{Dossier, next};
use crate::export::folder::{Listed, RECORD};
use crate::recovery::Progress;

pub use verdict::Verdict;

/// The evidence report of a dossier, as HTML.
///
/// Errors: those of [`Dossier::open`], and [`Error::Input`] if the evidence does not give the verdict that stands there.
pub fn evidence_report(dossier: &Dossier, progress: Progress) -> Result<String, Error> {
    let outcome = dossier.decide(&|share, what| progress(0.5 * share, what))?;
    let format = dossier.format()?;
    let waves = (0..outcome.intake.received.len())
        .map(|take| dossier.record_of(&outcome, take).map(|record| dossier.waves(record)).transpose())
        .collect::<Result<Vec<Option<Waves>>, Error>>()?;
    let path = dossier.files().path(RECORD);
    let run = std::fs::read(&path).map_err(|e| Error::read(&path, e))?;
    let run: Value = serde_json::from_slice(&run).map_err(|e| Error::input(&path, format!("is no JSON: {e}")))?;
    let files: Vec<&Listed> = dossier.files().names().filter_map(|name| dossier.files().listed(name)).collect();
    let cut = |take: usize, reading: usize, from_s: f64, to_s: f64| {
        waves.get(take).and_then(Option::as_ref).map_or(Vec::new(), |w: &Waves| w.cut(reading, from_s, to_s))
    };
    let evidence = evidence::Evidence { outcome: &outcome, format: format.as_ref(), waveforms: &cut };
    let advice = next::advise(&outcome, format.as_ref(), &|share, what| progress(0.5 + 0.5 * share, what))?;
    Ok(html::render(&html::Report { evidence, log: &dossier.log, run: &run, files, advice: &advice }))
}
