//! A bar with an estimate on standard error.

use std::io::IsTerminal;
use std::time::Duration;

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

use super::screen::{colour_wanted, unicode};

/// The bar counts in thousandths.
const STEPS: u64 = 1_000;

/// Gone from the screen when dropped.
pub struct Bar(ProgressBar);

impl Bar {
    /// Without a terminal, and when quiet, nothing is ever drawn.
    pub fn new(quiet: bool) -> Bar {
        if quiet || !std::io::stderr().is_terminal() {
            return Bar(ProgressBar::hidden());
        }
        let bar = ProgressBar::with_draw_target(Some(STEPS), ProgressDrawTarget::stderr());
        let template = if colour_wanted() {
            "{bar:30.cyan} {percent:>3} %  {msg}  {eta} left"
        } else {
            "{bar:30} {percent:>3} %  {msg}  {eta} left"
        };
        if let Ok(style) = ProgressStyle::with_template(template) {
            bar.set_style(style.progress_chars(if unicode() { "■▪·" } else { "##." }));
        }
        bar.enable_steady_tick(Duration::from_millis(250));
        Bar(bar)
    }

    /// `share` of the work is done, 0 to 1; the bar never goes back.
    pub fn tell(&self, share: f64, what: &str) {
        let steps = (share.clamp(0.0, 1.0) * STEPS as f64) as u64;
        if steps > self.0.position() {
            self.0.set_position(steps);
        }
        if self.0.message() != what {
            self.0.set_message(what.to_string());
        }
    }
}

impl Drop for Bar {
    fn drop(&mut self) {
        self.0.finish_and_clear();
    }
}
