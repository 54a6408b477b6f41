//! What is known of a byte's start and period: a Gaussian that the bytes before and behind sharpen (Kalman 1960).

/// Mean and covariance of start and period, in samples.
#[derive(Clone, Copy, Debug)]
pub struct State {
    pub t: f64,
    pub p: f64,
    pub tt: f64,
    pub tp: f64,
    pub pp: f64,
}

impl State {
    /// The next byte's, after a random step of the start (variance `jitter`) and of the period (variance `drift`).
    pub fn predict(self, jitter: f64, drift: f64) -> State {
        State {
            t: self.t + self.p,
            p: self.p,
            tt: self.tt + 2.0 * self.tp + self.pp + jitter + drift / 3.0,
            tp: self.tp + self.pp + drift / 2.0,
            pp: self.pp + drift,
        }
    }

    /// A measurement of the start with variance `r`.
    pub fn see_start(self, t: f64, r: f64) -> State {
        let s = self.tt + r;
        let (kt, kp) = (self.tt / s, self.tp / s);
        let e = t - self.t;
        State {
            t: self.t + kt * e,
            p: self.p + kp * e,
            tt: self.tt * (1.0 - kt),
            tp: self.tp * (1.0 - kt),
            pp: self.pp - kp * self.tp,
        }
    }

    /// A measurement of the period with variance `r`.
    pub fn see_period(self, p: f64, r: f64) -> State {
        let s = self.pp + r;
        let (kt, kp) = (self.tp / s, self.pp / s);
        let e = p - self.p;
        State {
            t: self.t + kt * e,
            p: self.p + kp * e,
            tt: self.tt - kt * self.tp,
            tp: self.tp * (1.0 - kp),
            pp: self.pp * (1.0 - kp),
        }
    }

    /// This, corrected by what came later: `predicted` is what followed from it for the next, `next` what is known of that in
    /// the end (Rauch, Tung, Striebel 1965). `None` if nothing follows from the one for the other.
    pub fn smoothed(self, predicted: State, next: State) -> Option<State> {
        let (f, p) = (self, predicted);
        // cross-covariance of state i and i + 1 under x' = F x, F = [1 1; 0 1]
        let (c_tt, c_tp) = (f.tt + f.tp, f.tp);
        let (c_pt, c_pp) = (f.tp + f.pp, f.pp);
        let det = p.tt * p.pp - p.tp * p.tp;
        if det <= 1e-18 {
            return None;
        }
        let (i_tt, i_tp, i_pp) = (p.pp / det, -p.tp / det, p.tt / det);
        let g = [
            [c_tt * i_tt + c_tp * i_tp, c_tt * i_tp + c_tp * i_pp],
            [c_pt * i_tt + c_pp * i_tp, c_pt * i_tp + c_pp * i_pp],
        ];
        let (et, ep) = (next.t - p.t, next.p - p.p);
        Some(State { t: f.t + (g[0][0] * et + g[0][1] * ep), p: f.p + (g[1][0] * et + g[1][1] * ep), ..f })
    }
}
