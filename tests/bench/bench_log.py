"""How the launch log grows: 10,000 shots beside 100,000. Run it; it asserts nothing.

python tests/bench/bench_log.py [shots ...]
"""

from __future__ import annotations

import dataclasses
import hashlib
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "store")]

import made_shots  # noqa: E402 - it is found only once the path is set

from tracker.store import Log  # noqa: E402 - the same

SHOTS_A_CLIP = 10
CLIPS_A_SESSION = 20


def fill(log: Log, shots: int) -> float:
    """Log this many shots: all but a fifth in sessions of 200, that fifth in one session."""
    made = made_shots.measured(seed=1, shots=SHOTS_A_CLIP, n=60)
    setup = made_shots.setup()
    begin = time.perf_counter()
    for k in range(shots // SHOTS_A_CLIP):
        clip = dataclasses.replace(made, sha256=hashlib.sha256(f"{k}".encode()).hexdigest(), clip=f"{k}.mp4")
        session = "the large one" if k % 5 == 0 else f"session {k // CLIPS_A_SESSION}"
        log.add(session, clip, setup)
    return time.perf_counter() - begin


def best(task, times: int = 3) -> float:
    taken = []
    for _ in range(times):
        begin = time.perf_counter()
        task()
        taken.append(time.perf_counter() - begin)
    return min(taken)


def measure(shots: int) -> dict[str, float]:
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "log.sqlite"
        with Log.open(file) as log:
            filled = fill(log, shots)
            small = log.sessions()[1].name
            log.exclude(small, int(log.shots(small).id[0]), "bench")

        def opened() -> None:
            Log.open(file).close()

        with Log.open(file) as log:
            again = made_shots.measured(seed=2, shots=SHOTS_A_CLIP, n=60)
            key = int(log.shots(small).id[5])
            return {
                "fill, ms a clip of 10": 1e3 * filled / (shots / SHOTS_A_CLIP),
                "size, kB a shot": file.stat().st_size / shots / 1e3,
                "open, ms": 1e3 * best(opened),
                "list sessions, ms": 1e3 * best(log.sessions),
                f"columns of {len(log.shots(small))} shots, ms": 1e3 * best(lambda: log.shots(small)),
                "columns of a fifth of all shots, ms": 1e3 * best(lambda: log.shots("the large one")),
                "one shot whole, ms": 1e3 * best(lambda: log.shot(small, key)),
                "add one clip more, ms": 1e3 * best(lambda: log.add(small, again, made_shots.setup()), 1),
                "timeline, ms": 1e3 * best(log.timeline, 1),
            }


def main() -> None:
    sizes = [int(word) for word in sys.argv[1:]] or [10_000, 100_000]
    columns = [measure(size) for size in sizes]
    print(f"{'':40}" + "".join(f"{size:>12}" for size in sizes) + f"{'ratio':>10}")
    for names in zip(*columns, strict=True):
        values = [column[name] for column, name in zip(columns, names, strict=True)]
        print(f"{names[0]:40}" + "".join(f"{v:12.2f}" for v in values) + f"{values[-1] / values[0]:10.2f}")


if __name__ == "__main__":
    main()
