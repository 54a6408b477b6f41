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

#[cfg(test)]
mod tests {
    use super::*;

    /// Solves A x = b by Gaussian elimination with pivots.
    fn solve(mut a: Vec<Vec<f64>>, mut b: Vec<f64>) -> Vec<f64> {
        let n = b.len();
        for i in 0..n {
            let pivot = (i..n).max_by(|&j, &k| a[j][i].abs().total_cmp(&a[k][i].abs())).unwrap();
            a.swap(i, pivot);
            b.swap(i, pivot);
            let (known, value) = (a[i].clone(), b[i]);
            for (row, b) in a.iter_mut().zip(&mut b).skip(i + 1) {
                let f = row[i] / known[i];
                row.iter_mut().zip(&known).for_each(|(x, y)| *x -= f * y);
                *b -= f * value;
            }
        }
        let mut x = vec![0.0; n];
        for i in (0..n).rev() {
            let known: f64 = (i + 1..n).map(|k| a[i][k] * x[k]).sum();
            x[i] = (b[i] - known) / a[i][i];
        }
        x
    }

    /// One thing known: weights of the unknowns, value, variance.
    type Line = (Vec<(usize, f64)>, f64, f64);

    /// The mean of a Gaussian given all measurements is its weighted least squares solution (Gauss–Markov), which knows
    /// nothing of filters: both must agree.
    #[test]
    fn filter_and_smoother_agree_with_least_squares() {
        let (jitter, drift, r) = (0.04, 0.3, [0.25, 0.5, 4.0, 0.25, 0.1]);
        let seen = [0.4, 438.9, 879.0, 1316.2, 1755.9];
        let first = State { t: 0.0, p: 437.0, tt: 1.0, tp: 0.0, pp: 2.0 };
        let n = seen.len();
        // of two correlated ones the second given the first (Cholesky)
        let mut lines: Vec<Line> = vec![(vec![(0, 1.0)], first.t, first.tt), (vec![(1, 1.0)], first.p, first.pp)];
        let (q_tt, q_tp, q_pp) = (jitter + drift / 3.0, drift / 2.0, drift);
        for i in 0..n - 1 {
            let (t, p, next_t, next_p) = (2 * i, 2 * i + 1, 2 * i + 2, 2 * i + 3);
            let step_t = [(next_t, 1.0), (t, -1.0), (p, -1.0)];
            lines.push((step_t.to_vec(), 0.0, q_tt));
            let slope = q_tp / q_tt;
            let mut step_p = vec![(next_p, 1.0), (p, -1.0)];
            step_p.extend(step_t.map(|(k, w)| (k, -slope * w)));
            lines.push((step_p, 0.0, q_pp - q_tp * slope));
        }
        lines.extend((0..n).map(|i| (vec![(2 * i, 1.0)], seen[i], r[i])));
        let (mut a, mut b) = (vec![vec![0.0; 2 * n]; 2 * n], vec![0.0; 2 * n]);
        for (weights, value, variance) in &lines {
            for (j, w) in weights {
                b[*j] += w * value / variance;
                weights.iter().for_each(|(k, v)| a[*j][*k] += w * v / variance);
            }
        }
        let wanted = solve(a, b);

        let mut predicted = vec![first];
        let mut filtered = Vec::new();
        for i in 0..n {
            filtered.push(predicted[i].see_start(seen[i], r[i]));
            predicted.push(filtered[i].predict(jitter, drift));
        }
        let mut state = filtered[n - 1];
        for i in (0..n).rev() {
            if i < n - 1 {
                state = filtered[i].smoothed(predicted[i + 1], state).unwrap();
            }
            let (t, p) = (wanted[2 * i], wanted[2 * i + 1]);
            assert!((state.t - t).abs() < 1e-6 && (state.p - p).abs() < 1e-6, "{i}: {state:?}, wanted {t} and {p}");
        }
        // a measured period is one more line
        let both = first.see_period(440.0, 2.0);
        assert_eq!((both.p, both.pp), (438.5, 1.0));
    }
}
