"""How long a flight path and a fit take: ``python tests/bench/bench_flight.py``."""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tracker.flight.least_squares import fit
from tracker.physics.path import fly


def best_ms(job, runs=30):
    """Fastest of several runs, in milliseconds."""
    times = []
    for _ in range(runs):
        begin = time.perf_counter()
        job()
        times.append(time.perf_counter() - begin)
    return min(times) * 1e3


def main():
    air = {"radius_m": 0.07, "spin_decay_s": 8.0}
    start = np.array([[4.6, 6.5, 9.8, 0.0434, 0.0924, 100.0]])
    many = start * np.linspace(0.95, 1.05, 16)[:, None]
    t = np.linspace(-0.05, 1.2, 300)
    shot, times = np.repeat(np.arange(16), 300), np.tile(t, 16)

    def one():
        fly(start, t[:1], t[-1:], **air).at(0, t)

    def sixteen():
        fly(many, np.full(16, t[0]), np.full(16, t[-1]), **air).at_many(shot, times)

    rng = np.random.default_rng(1)
    A, truth = rng.normal(size=(5000, 150)), rng.normal(size=150)
    y = A @ np.tanh(truth) + rng.normal(size=5000)

    def model(theta):
        return A @ np.tanh(theta) - y, A / np.cosh(theta) ** 2

    iterations = fit(model, np.zeros(150), tolerance=1e-4).iterations
    print(f"one flight read at 300 times:       {best_ms(one):6.2f} ms")
    print(f"sixteen flights read at 4800 times: {best_ms(sixteen):6.2f} ms")
    whole = best_ms(lambda: fit(model, np.zeros(150), tolerance=1e-4), 5)
    print(f"fit of 150 parameters to 5000 rows: {whole:6.1f} ms, {whole / iterations:.1f} ms a step")


if __name__ == "__main__":
    main()
