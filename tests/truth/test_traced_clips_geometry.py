"""Lens and steadiness against path-traced pictures by a renderer that is not ours, with exactly known truth.

LOBSCOPE_CLIPS names the folder with ``wide_boards``, ``handheld.mp4`` and their ``*.truth.json``.
"""

import json
import os
from pathlib import Path

import av
import cv2
import numpy as np
import pytest

from calibration.lens import Lens, straighten
from calibration.lens_fit import calibrate_lens
from calibration.steady import SteadyWatch, take_out

CLIPS = Path(os.environ.get("LOBSCOPE_CLIPS", "clips-with-truth"))


def needs(name):
    return pytest.mark.skipif(
        not (CLIPS / name).exists(), reason=f"needs {name} in the folder LOBSCOPE_CLIPS"
    )


def truth(name):
    return json.loads((CLIPS / f"{name}.truth.json").read_text(encoding="utf-8"))


def watched(name):
    watch = SteadyWatch()
    with av.open(str(CLIPS / f"{name}.mp4"), format="mp4") as film:
        for k, frame in enumerate(film.decode(video=0)):
            plane = frame.planes[0]
            luma = np.frombuffer(plane, np.uint8).reshape(plane.height, plane.line_size)
            watch.see(k, luma[:, : plane.width])
    return watch.result()


@needs("wide_boards")
def test_the_lens_of_the_wide_clip():
    known = truth("wide")["camera"]
    d = known["distortion"]
    real = Lens(
        known["width"],
        known["height"],
        known["K"][0][0],
        known["K"][1][1],
        known["K"][0][2],
        known["K"][1][2],
        np.array([d[k] for k in ("k1", "k2", "p1", "p2", "k3")]),
        np.zeros((9, 9)),
    )
    files = sorted((CLIPS / "wide_boards").glob("board_*.jpg"))
    boards = [cv2.imread(str(file), cv2.IMREAD_GRAYSCALE) for file in files]
    lens = calibrate_lens(boards, corners=(9, 6), square_m=0.03, mode="wide")
    assert lens.views == 12
    assert lens.fx == pytest.approx(real.fx, rel=0.01)
    assert abs(lens.distortion[0] - real.distortion[0]) < 0.002
    x, y = np.meshgrid(np.linspace(0, 1279, 33), np.linspace(0, 719, 19))
    xy = np.stack([x.ravel(), y.ravel()], axis=1)
    ours, theirs = straighten(lens, xy), straighten(real, xy)
    # A homography between the two is no error: focal length and aim go into the plane's own homography.
    H, _ = cv2.findHomography(ours, theirs, 0)
    off = np.linalg.norm(cv2.perspectiveTransform(ours[:, None], H)[:, 0] - theirs, axis=1)
    assert off.max() < 0.3
    assert np.percentile(np.linalg.norm(ours - theirs, axis=1), 95) < 0.3


@needs("handheld.mp4")
def test_a_hand_that_shakes_is_taken_out_to_a_tenth():
    """The truth: where the ball was seen, against where its place projects without the shake."""
    known = truth("handheld")
    camera = known["camera"]
    K, R, t = (np.array(camera[k]) for k in ("K", "R_world_to_cam", "t_world_to_cam"))

    def unshaken(places):
        h = (np.asarray(places) @ R.T + t) @ K.T
        return h[:, :2] / h[:, 2:]

    balls = [(frame["frame"], ball) for frame in known["frames"] for ball in frame["balls"]]
    frames = np.array([frame for frame, _ in balls])
    seen = np.array([[ball["px"], ball["py"]] for _, ball in balls])
    still = unshaken([[ball["x_m"], 0.0, ball["z_m"]] for _, ball in balls])
    # The first picture is shaken too: its shift and turn are those of the two reference points in it.
    (a, b), (c, d) = (
        (p[:, 0] + 1j * p[:, 1]).tolist()
        for p in (
            unshaken([r["world_m"] for r in known["reference"]]),
            np.array([r["px"] for r in known["reference"]]),
        )
    )
    turn = (d - c) / (b - a)
    first = c + turn * (still[:, 0] + 1j * still[:, 1] - a)
    steady = watched("handheld")
    assert steady.is_moving
    off = take_out(steady, frames, seen) - np.stack([first.real, first.imag], axis=1)
    assert np.abs(seen - still).max() > 5  # there is something to take out
    assert np.sqrt(np.mean(off**2)) < 0.06
    assert np.abs(off).max() < 0.2


@pytest.mark.parametrize(
    "name", ["plain", "nothing", "clutter", "burst", "session_before", "wide", "rolling"]
)
def test_clips_from_a_tripod_are_left_alone(name):
    if not (CLIPS / f"{name}.mp4").is_file():
        pytest.skip(f"needs {name}.mp4 in the folder LOBSCOPE_CLIPS")
    steady = watched(name)
    assert steady.measured
    assert not steady.is_moving
    assert np.abs(steady.shift_px).max() < 0.03
    assert steady.jumps == ()
