"""Another program at the log: logs clips and says so after each one, so that it can be killed in between.

python log_worker.py WHERE SESSION FIRST COUNT [SHOTS]
"""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import made_shots

from tracker.errors import LogError
from tracker.store import Log


def main(where: str, session: str, first: int, count: int, shots: int) -> None:
    with Log.open(where, wait_s=30) as log:
        for seed in range(first, first + count):
            clip = made_shots.measured(seed, shots)
            try:
                kind = log.add(session, clip, made_shots.setup()).kind
            except LogError as problem:
                print("failed", problem.code, flush=True)
                return
            print(kind, clip.sha256, flush=True)


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2], int(sys.argv[3]), int(sys.argv[4]), int((sys.argv[5:] or ["2"])[0]))
