"""Two clips of eight shots each, drawn by another program, whose true speeds lie beside them.

They are larger than what belongs into this project; where they are kept in ``shared/clips`` beside it,
they are measured into a launch log and compared.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from tracker.cli import main

CLIPS = Path(__file__).resolve().parents[3] / "shared" / "clips"
SESSIONS = ("before", "after")


def clip(name):
    return CLIPS / f"session_{name}.mp4"


pytestmark = pytest.mark.skipif(
    not all(clip(name).is_file() for name in SESSIONS),
    reason="session_before.mp4 and session_after.mp4 are not kept beside this project",
)


def true_speeds(name):
    truth = json.loads(clip(name).with_suffix(".truth.json").read_text(encoding="utf-8"))
    return np.array([shot["speed_mps"] for shot in truth["shots"]])


@pytest.fixture(name="log", scope="module")
def logged(tmp_path_factory):
    log = tmp_path_factory.mktemp("log") / "log.sqlite"
    for name in SESSIONS:
        setup = clip(name).with_suffix(".setup.toml")
        words = ["measure", str(clip(name)), "--setup", str(setup), "--session", name, "--log", str(log)]
        assert main(words) == 0
    return log


def judged(log, capsys, expect, within):
    words = ["compare", *SESSIONS, "--expect", expect, "--within", within, "--json", "--log", str(log)]
    assert main(words) == 0
    return json.loads(capsys.readouterr().out, parse_constant=pytest.fail)


def test_all_shots_and_the_true_difference(log, capsys):
    made = judged(log, capsys, "+0.45 m/s", "0.20 m/s")
    assert (made["before"]["n"], made["after"]["n"]) == (8, 8)
    true = true_speeds("after").mean() - true_speeds("before").mean()
    low, high = made["difference"]["low95"], made["difference"]["high95"]
    assert low <= true <= high
    assert high - low <= 0.40
    # The reference was pointed at anew in the second clip, so that nothing cancels.
    assert made["shared_calibration"] is False


def test_the_scatter_is_the_true_one(log, capsys):
    made = judged(log, capsys, "+0.45 m/s", "0.20 m/s")
    for name in SESSIONS:
        # Shots are measured to 0.02 m/s each, a sixth of what they scatter.
        assert made[name]["sd"] == pytest.approx(true_speeds(name).std(ddof=1), abs=0.02)


@pytest.mark.parametrize(
    ("expect", "within", "verdict"),
    [("+0.45 m/s", "0.20 m/s", "as_designed"), ("+0.10 m/s", "0.05 m/s", "changed_not_as_designed")],
)
def test_the_change_is_judged_rightly(log, capsys, expect, within, verdict):
    assert judged(log, capsys, expect, within)["verdict"] == verdict
