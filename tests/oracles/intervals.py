"""Holds the project's intervals against SciPy on a grid of successes, trials and levels. Needs cargo."""
import json
import os
import pathlib
import subprocess
import tempfile

from scipy.stats import beta, binomtest

TRIALS = [1, 2, 3, 7, 20, 50, 148, 263, 1000, 12345, 10**6, 10**9]
LEVELS = [.5, .68, .9, .95, .99, .999, 1 - 1e-6]


def grid():
    for n in TRIALS:
        successes = {0, 1, 2, 3, 5, n // 100, n // 10, n // 3, n // 2, n - 2, n - 1, n}
        for x in sorted(x for x in successes if 0 <= x <= n):
            for level in LEVELS:
                yield x, n, level


def ask(cases):
    with tempfile.TemporaryDirectory() as folder:
        asked, answered = pathlib.Path(folder, "cases.json"), pathlib.Path(folder, "results.json")
        asked.write_text(json.dumps(cases))
        subprocess.run(["cargo", "test", "--quiet", "--test", "statistics", "--", "--ignored", "--exact",
                        "oracle_cases"], check=True, cwd=pathlib.Path(__file__).resolve().parents[2],
                       env={**os.environ, "QUORATE_CASES": str(asked), "QUORATE_RESULTS": str(answered)})
        return json.loads(answered.read_text())


def main():
    cases = list(grid())
    worst = 0
    for (x, n, level), answer in zip(cases, ask(cases), strict=True):
        test = binomtest(x, n)
        exact = test.proportion_ci(level, "exact")
        # SciPy finds the exact limits by root search to about 1e-12; the beta quantile is the same thing directly.
        tail = (1 - level) / 2
        low = beta.ppf(tail, x, n - x + 1) if x else 0.
        high = beta.isf(tail, x + 1, n - x) if x < n else 1.
        assert abs(low - exact.low) < 1e-8 and abs(high - exact.high) < 1e-8, (x, n, level, exact, low, high)
        wilson = test.proportion_ci(level, "wilson")
        upper = beta.isf(1 - level, x + 1, n - x) if x < n else 1.
        for name, got, want in zip(("low", "high", "wilson low", "wilson high", "upper"), answer,
                                   (low, high, wilson.low, wilson.high, upper), strict=True):
            error = abs(got - want) / max(abs(want), 1e-12)
            worst = max(worst, error)
            # The logarithm of the beta function at 10^9 keeps 5 digits after the point.
            assert error < (1e-7 if n <= 10**6 else 1e-5), (name, x, n, level, got, want)
    print(f"{len(cases)} rows agree; largest relative difference {worst:.1e}")


if __name__ == "__main__":
    main()
