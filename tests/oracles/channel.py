"""The channel model against SciPy: makes takes with `quorate simulate` and measures them by independent means. Speed: phase of
the analytic signal (scipy.signal.hilbert). Noise: Welch spectra. Losses: the published formulas (Wallace 1951, Eargle 1994,
azimuth from memory) and scipy.signal.butter, against the harmonics of a leader.

    QUORATE=target/release/quorate .venv/bin/python tests/oracles/channel.py
"""

import json
import math
import os
import pathlib
import subprocess
import sys
import tempfile

import numpy as np
import scipy.signal
import soundfile

QUORATE = os.environ.get("QUORATE", "target/release/quorate")
RATE = 44_100
STEADY = {"record_wow_rms": 0, "drift_rms": 0, "wow_rms": 0, "flutter_rms": 0, "write_jitter_us": 0, "snr_db": None}
OPEN = {"record_lowpass_hz": 0, "playback_lowpass_hz": 0, "highpass_hz": 0, "droop_hz": 0, "spacing_um": 0, "gap_um": 0}
failures = 0


def check(what, found, expected, tolerance):
    global failures
    good = abs(found - expected) <= tolerance
    failures += not good
    print(f"{'ok  ' if good else 'FAIL'} {what}: {found:.6g}, expected {expected:.6g} ± {tolerance:.2g}")


def simulate(recipe, seed=1986):
    """Samples of every take, by name."""
    with tempfile.TemporaryDirectory() as folder:
        folder = pathlib.Path(folder)
        (folder / "recipe.json").write_text(json.dumps({"seed": seed} | recipe))
        subprocess.run([QUORATE, "simulate", folder / "recipe.json", "--out", folder / "out", "--quiet"], check=True)
        truth = json.loads((folder / "out" / "truth" / "truth.json").read_text())
        return {take["name"]: soundfile.read(folder / "out" / take["file"])[0] for take in truth["takes"]}


def leader(seconds):
    """A tape that begins with a long leader: a square wave of 1/390 µs."""
    return [{"name": "LEADER", "kind": "code", "load_address": 4096, "hex": "60", "header_leader_s": seconds}]


def speed(x, hz):
    """Tape speed over time from a tone: slope of the analytic signal's phase, band-passed to 400 Hz around it."""
    band = scipy.signal.firwin(801, [hz - 400, hz + 400], pass_zero=False, fs=RATE)
    phase = np.unwrap(np.angle(scipy.signal.hilbert(scipy.signal.fftconvolve(x, band, "valid"))))
    return np.diff(phase)[RATE:-RATE] * RATE / (2 * math.pi * hz)


# Flutter on a tone of 3150 Hz (the frequency is AES6's), 60 s.
takes = simulate({"tone": {"hz": 3150, "seconds": 60}, "deck": STEADY, "takes": [
    {"name": "error", "knobs": {"speed_error": -0.037}},
    {"name": "wow", "knobs": {"wow_rms": 0.00849, "wow_hz": 1.1, "wow_random_share": 0}},
    {"name": "mixed", "knobs": {"wow_rms": 0.004, "wow_hz": 1.5, "flutter_rms": 0.002, "flutter_hz": 11}},
    {"name": "flutter", "knobs": {"flutter_rms": 0.001, "flutter_hz": 20, "wow_random_share": 0, "snr_db": 40}},
]})
check("speed with an error of -3.7 %", speed(takes["error"], 3150).mean(), 0.963, 1e-5)
wow = speed(takes["wow"], 3150) - 1
check("rms of a pure wow", wow.std(), 0.00849, 0.00849 * 0.01)
check("peak of a pure wow of 1.2 %", np.abs(wow).max(), 0.012, 0.012 * 0.01)
f, p = scipy.signal.periodogram(wow, RATE, window="hann")
check("frequency of the wow", f[p.argmax()], 1.1, 0.02)
mixed = speed(takes["mixed"], 3150) - 1
check("rms of wow and flutter together", mixed.std(), math.hypot(0.004, 0.002), 0.05 * 0.0045)
slow = scipy.signal.sosfiltfilt(scipy.signal.butter(4, 4, fs=RATE, output="sos"), mixed)
check("rms below 4 Hz: the wow", slow[RATE:-RATE].std(), 0.004, 0.05 * 0.004)
check("rms above 4 Hz: the flutter", (mixed - slow)[RATE:-RATE].std(), 0.002, 0.05 * 0.002)
f, p = scipy.signal.periodogram(speed(takes["flutter"], 3150) - 1, RATE)
near = (f > 19) & (f < 21)
check("rms of a flutter of 20 Hz under noise", math.sqrt(p[near].sum() * f[1]), 0.001, 0.001 * 0.02)

# The same on a written tape: the machine's leader, played with wow by a deck and by the recorder before it.
takes = simulate({"files": leader(40), "deck": STEADY, "takes": [
    {"name": "play", "knobs": {"wow_rms": 0.003, "wow_hz": 1}},
    {"name": "record", "knobs": {"record_wow_rms": 0.003, "record_wow_hz": 1, "record_speed_error": 0.02}},
]})
for name, mean in [("play", 1), ("record", 1 / 1.02)]:
    found = speed(takes[name][: 39 * RATE], 1 / 390e-6)
    check(f"rms of wow ({name}) in a leader", found.std() / mean, 0.003, 0.003 * 0.06)
    check(f"mean speed ({name})", found.mean(), mean, 3e-4)

# Noise: the same take with and without it. The level is low so that nothing clips.
quiet = STEADY | {"droop_hz": 0, "level_dbfs": -30}
for snr, low in [(6, 0.5), (-4, 0.5), (12, 0), (12, 1)]:
    takes = simulate({"files": leader(20), "deck": quiet, "takes": [
        {"name": "clean", "seed": 5}, {"name": "noisy", "seed": 5, "knobs": {"snr_db": snr, "noise_low_share": low}}]})
    data = slice(RATE, 20 * RATE)
    wave, noise = takes["clean"][data], (takes["noisy"] - takes["clean"])[data]
    check(f"ratio of {snr} dB, {low} low", 20 * math.log10(wave.std() / noise.std()), snr, 0.25)
    f, p = scipy.signal.welch(noise, RATE, nperseg=8192)
    power = noise.var()
    # A first-order low-pass at 300 Hz passes 2/π·atan(f/300) of its power below f.
    below = p[f < 1000].sum() * f[1] / power
    expected = low * 2 / math.pi * math.atan(1000 / 300) + (1 - low) * 1000 / (RATE / 2)
    check(f"share of noise below 1 kHz, {low} low", below, expected, 0.03)


# Losses and band limits: harmonics of the leader's square wave, whose series goes as 1/k.
def harmonics(x):
    """Fourier coefficients at exactly 1, 3 and 5 times the leader's frequency, 6 s with a taper."""
    at = np.arange(2 * RATE, 8 * RATE)
    part = x[at] * scipy.signal.windows.blackmanharris(len(at))
    return [abs(part @ np.exp(-2j * math.pi * k / 390e-6 * at / RATE)) for k in (1, 3, 5)]


def formula_db(hz, spacing=0.0, gap=0.0, arcmin=0.0, track=1.5):
    wavelength = 47_600 / hz
    sinc = lambda x: 20 * math.log10(abs(math.sin(x) / x)) if x else 0.0
    return (-40 * math.pi / math.log(10) * spacing / wavelength + sinc(1.11 * math.pi * gap / wavelength)
            + sinc(math.pi * track * 1000 * math.tan(math.radians(arcmin / 60)) / wavelength))


def filter_db(hz, order, corner, kind):
    _, h = scipy.signal.freqz(*scipy.signal.butter(order, corner, kind, fs=RATE), worN=[hz], fs=RATE)
    return 20 * math.log10(abs(h[0]))


cases = {
    "open": ({}, lambda f: 0),
    "spacing": ({"spacing_um": 2}, lambda f: formula_db(f, spacing=2)),
    "gap": ({"gap_um": 3}, lambda f: formula_db(f, gap=3)),
    "azimuth-mono": ({"azimuth_arcmin": 10}, lambda f: formula_db(f, arcmin=10)),
    "azimuth-stereo": ({"azimuth_arcmin": 20, "track_mm": 0.6}, lambda f: formula_db(f, arcmin=20, track=0.6)),
    "record": ({"record_lowpass_hz": 5000}, lambda f: filter_db(f, 1, 5000, "low")),
    "playback": ({"playback_lowpass_hz": 6000}, lambda f: filter_db(f, 2, 6000, "low")),
    "highpass": ({"highpass_hz": 3000}, lambda f: filter_db(f, 2, 3000, "high")),
    "droop": ({"droop_hz": 2000}, lambda f: filter_db(f, 1, 2000, "high")),
}
takes = simulate({"files": leader(10), "deck": STEADY | OPEN,
                  "takes": [{"name": name, "knobs": knobs} for name, (knobs, _) in cases.items()]})
for name, (_, loss) in cases.items():
    first, *others = harmonics(takes[name])
    for k, other in zip((3, 5), others):
        found = 20 * math.log10(other / first * k)
        f0 = 1 / 390e-6
        check(f"{name}: harmonic {k} against the first, dB", found, loss(k * f0) - loss(f0), 0.01)

# Hum, and a take turned over.
takes = simulate({"files": leader(10), "deck": quiet, "takes": [
    {"name": "clean", "seed": 5}, {"name": "hum", "seed": 5, "knobs": {"hum_level": 0.5, "hum_hz": 60}},
    {"name": "over", "seed": 5, "knobs": {"inverted": True}}]})
data = slice(RATE, 10 * RATE)
hum = (takes["hum"] - takes["clean"])[data]
check("hum over data, rms", hum.std() / takes["clean"][data].std(), 0.5, 0.01)
f, p = scipy.signal.periodogram(hum, RATE)
check("hum, frequency", f[p.argmax()], 60, 0.1)
check("turned over: correlation", np.corrcoef(takes["over"], takes["clean"])[0, 1], -1, 1e-6)

print(f"{failures} failures")
sys.exit(failures > 0)
