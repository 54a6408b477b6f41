//! What trials with known truth say of the claims: `reports/calibration.json`, made by `scripts/calibrate`.

use serde::Deserialize;
use std::sync::OnceLock;

/// The headline of the trials.
#[derive(Clone, Debug, Deserialize)]
pub struct Calibration {
    /// Version of the model that was tried: [`super::score::MODEL`] then.
    pub model: String,
    pub command: String,
    pub programs: u64,
    pub established: Established,
}

/// Programs of the trials that were established.
#[derive(Clone, Debug, Deserialize)]
pub struct Established {
    pub count: u64,
    pub wrong: u64,
    /// Upper end of the one-sided 95 % interval of the share that is wrong (Clopper and Pearson).
    pub upper_95: Option<f64>,
}

const FILE: &str = include_str!("../../reports/calibration.json");

/// The trials that this version was measured with; `None` if they were of another model.
pub fn trials() -> Option<&'static Calibration> {
    static TRIALS: OnceLock<Option<Calibration>> = OnceLock::new();
    let read = || serde_json::from_str::<Calibration>(FILE).ok().filter(|c| c.model == super::score::MODEL);
    TRIALS.get_or_init(read).as_ref()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::confidence::score::chance;
    use crate::confidence::statistics::upper_bound;
    use crate::report::words::thousands;

    #[test]
    fn the_trials_are_of_this_model_and_their_bound_is_right() {
        let trials = trials().expect("calibration of this model: run scripts/calibrate");
        let e = &trials.established;
        assert!(e.wrong <= e.count && e.count <= trials.programs);
        assert_eq!(e.upper_95, upper_bound(e.wrong, e.count, 0.95));
    }

    #[test]
    fn the_readme_has_the_figures_of_the_trials() {
        let readme = include_str!("../../README.md").split_whitespace().collect::<Vec<_>>().join(" ");
        let e = &trials().expect("calibration of this model: run scripts/calibrate").established;
        let told =
            format!("called {} programs established, and {} of them were wrong", thousands(e.count as usize), e.wrong);
        let bound = format!("at most {} such programs is wrong", chance(e.upper_95.unwrap()));
        assert!(readme.contains(&told) && readme.contains(&bound), "bring README.md in line: {told}; {bound}");
    }
}
