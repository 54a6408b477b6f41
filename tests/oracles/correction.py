"""Holds the project's decoder against other people's exact solvers, by cost.

- twin-copy blocks of 2 to 300 bytes: minimum-weight perfect matching (PyMatching), and a numpy trellis up to 64 bytes;
- CRC-16 blocks of up to 6 data bytes: integer programming (scipy.optimize.milp, HiGHS);
- posteriors and the probability of valid blocks: enumeration in numpy.

Needs cargo. Equal-cost optima are real, so costs are compared, not patterns.
"""
import json
import os
import pathlib
import subprocess
import tempfile

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp

import two_dimensional_parity as oracle

RNG = np.random.default_rng(19860501)
MATCHED, TRELLIS, PROGRAMS, ENUMERATED = 1000, 500, 60, 20
# Column c of the oracle is the bit worth 2^(7-c); on tape the least significant bit comes first, parity last.
TAPE = [7, 6, 5, 4, 3, 2, 1, 0, 8]


def votes(word, worst):
    """Hard decisions and weights as f32 (what the project gets) for a word read with noise."""
    p = RNG.uniform(.001, worst, word.shape)
    y = (word ^ (RNG.random(word.shape) < p)).astype(np.uint8)
    w = np.log((1 - p) / p).astype(np.float32)
    w[RNG.random(w.shape) < .01] = 0                       # a few lost bits
    y[w == 0] = 0
    return y, w.astype(float)


def llrs(y, w):
    return np.where(y == 1, w, -w).astype(float).ravel().tolist()


def twin_copy(n):
    data = RNG.integers(0, 256, n, dtype=np.uint8)
    return oracle.BYTES[np.append(data, np.bitwise_xor.reduce(data))]


def crc_xmodem(bits):
    """Bit by bit, from the definition: remainder of the message times x^16 by x^16 + x^12 + x^5 + 1."""
    register = 0
    for bit in bits:
        top = (register >> 15) ^ int(bit)
        register = (register << 1) & 0xFFFF
        if top:
            register ^= 0x1021
    return register


def crc_checks(n):
    """Parity-check matrix (16, n) of words that leave remainder 0."""
    columns = [crc_xmodem(np.eye(1, n, i, dtype=int)[0]) for i in range(n)]
    return np.array([[c >> (15 - row) & 1 for c in columns] for row in range(16)])


def integer_program(checks, y, w):
    """Cheapest e with checks·(y + e) = 0 (mod 2): e binary, checks·e - 2 s = syndrome."""
    rows, n = checks.shape
    syndrome = checks @ y % 2
    a = np.hstack([checks, -2 * np.eye(rows)])
    bounds = Bounds(np.zeros(n + rows), np.append(np.ones(n), np.full(rows, n)))
    result = milp(np.append(w, np.zeros(rows)), constraints=LinearConstraint(a, syndrome, syndrome),
                  integrality=np.ones(n + rows), bounds=bounds, options={"mip_rel_gap": 0})
    assert result.success, result.message
    return np.round(result.x[:n]) @ w


def ask(cases):
    with tempfile.TemporaryDirectory() as folder:
        asked, answered = pathlib.Path(folder, "cases.json"), pathlib.Path(folder, "results.json")
        asked.write_text(json.dumps(cases))
        subprocess.run(["cargo", "test", "--quiet", "--test", "correction", "--", "--ignored", "--exact",
                        "oracle::oracle_cases"], check=True,
                       cwd=pathlib.Path(__file__).resolve().parents[2],
                       env={**os.environ, "QUORATE_CASES": str(asked), "QUORATE_RESULTS": str(answered)})
        return json.loads(answered.read_text())


def main():
    cases, expected = [], []

    def add(machine, y, w, **truth):
        cases.append({"machine": machine, "llrs": llrs(y, w), "k": 3})
        expected.append(truth)

    for i in range(MATCHED):
        n = 2 if i % 4 == 0 else int(RNG.integers(2, 300))
        y, w = votes(twin_copy(n), .45 if i % 2 else .05)
        costs = [oracle.matching(y, w)[0]]
        if n == 2 or (n <= 64 and i < TRELLIS):
            costs.append(oracle.trellis(y, w))
        if n == 2:
            costs.append(oracle.brute_force(y, w))
        add("parity-xor", y[:, TAPE], w[:, TAPE], costs=costs)
    for i in range(TRELLIS):
        y, w = votes(twin_copy(int(RNG.integers(2, 24))), .3)
        add("parity-xor", y[:, TAPE], w[:, TAPE], costs=[oracle.trellis(y, w)])
    for i in range(PROGRAMS):
        n = int(RNG.integers(1, 7))
        data = np.unpackbits(RNG.integers(0, 256, n, dtype=np.uint8))
        crc = crc_xmodem(data)
        word = np.append(data, [crc >> (15 - bit) & 1 for bit in range(16)]).astype(np.uint8)
        if i % 2:
            y, w = votes(word, .3)
            add("crc-xmodem-msb", y, w, costs=[integer_program(crc_checks(len(word)), y, w)])
        else:
            # Start bit 0, eight bits least significant first, stop bit 1, all of them read with noise.
            framed = np.ones((n + 2, 10), dtype=np.uint8)
            framed[:, 0] = 0
            framed[:, 1:9] = word.reshape(-1, 8)[:, ::-1]
            y, w = votes(framed, .3)
            checks = crc_checks(len(word))
            inner = integer_program(checks, y[:, 8:0:-1].ravel(), w[:, 8:0:-1].ravel())
            known = (y[:, 0] != 0) @ w[:, 0] + (y[:, 9] != 1) @ w[:, 9]
            add("crc-xmodem-framed", y, w, costs=[inner + known])
    a, b = np.divmod(np.arange(65536), 256)
    words = np.concatenate([oracle.BYTES[a], oracle.BYTES[b], oracle.BYTES[a ^ b]], axis=1)
    for i in range(ENUMERATED):
        y, w = votes(twin_copy(2), .4)
        p = 1 / (1 + np.exp(-np.where(y == 1, w, -w).ravel()))
        probability = np.where(words == 1, p, 1 - p).prod(1)
        order = np.concatenate([np.array(TAPE) + 9 * row for row in range(3)])
        best = np.sort(((words != y.ravel()) * w.ravel()).sum(1))[:3]
        add("parity-xor", y[:, TAPE], w[:, TAPE], costs=[best[0]], list=best,
            p_one=(probability @ words / probability.sum())[order], ln_valid=np.log(probability.sum()))

    answers = ask(cases)
    assert len(answers) == len(cases)
    compared = 0
    for case, truth, answer in zip(cases, expected, answers):
        assert answer["obeys"] and len(answer["costs"]) == 3
        for cost in truth["costs"]:
            # PyMatching works with weights in steps of about 1e-7 of the largest.
            assert abs(answer["costs"][0] - cost) < 1e-4, (case["machine"], len(case["llrs"]), answer["costs"], cost)
            compared += 1
        if "p_one" in truth:
            assert np.allclose(answer["costs"], truth["list"], atol=1e-6)
            assert np.allclose(answer["p_one"], truth["p_one"], atol=1e-6)
            assert abs(answer["ln_valid"] - truth["ln_valid"]) < 1e-6
    print(f"{compared} optimal costs and {ENUMERATED} enumerations agree over {len(cases)} blocks")


if __name__ == "__main__":
    main()
