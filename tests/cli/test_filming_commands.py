"""plan, board and lens as they are typed."""

from __future__ import annotations

import re
from pathlib import Path

import cv2
import numpy as np
import pytest

from calibration.lens_file import read_lens
from tracker.cli import main
from tracker.setup_file import parse_setup
from tracker.setup_file.template import SAFETY

PLAN = ["plan", "--distance", "4.2 m", "--speed", "7 m/s", "--angle", "52 deg", "--ball", "140 mm"]


def test_a_plan_says_what_is_asked_for(capsys):
    assert main(PLAN) == 0
    out, err = capsys.readouterr()
    assert err == ""
    for words in ("in view", "streak", "shutter", "exit speed", "comes from", "Where to stand"):
        assert words in out
    assert all(line in out for line in SAFETY)
    assert re.search(r"exit speed +\d\.\d\d ± 0\.\d+ m/s", out)


def test_a_test_picture_takes_the_place_of_an_angle(capsys):
    """1.5 m on 640 px at 4.2 m is a focal length of 1792 px, so that 1280 px see 39.3 degrees."""
    assert main([*PLAN, "--known", "1.5 m", "--known-px", "640"]) == 0
    by_picture = capsys.readouterr().out
    assert main([*PLAN, "--view", "39.307 deg"]) == 0
    assert capsys.readouterr().out == by_picture


@pytest.mark.parametrize(
    ("more", "words"),
    [
        (["--distance", "4.2"], "with no unit to it"),
        (["--speed", "-3 m/s"], "zero or less"),
        (["--fps", "0"], "no rate"),
        (["--picture", "big"], "two whole numbers"),
        (["--picture", "10x10"], "too small"),
        (["--view", "170 deg"], "5 to 150"),
        (["--known", "1.5 m"], "belong together"),
    ],
)
def test_a_plan_that_cannot_be_meant(capsys, more, words):
    assert main([*PLAN, *more]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert words in err
    assert len(err.splitlines()) == 2


def test_a_plan_needs_a_ball(capsys):
    assert main(PLAN[:-2]) == 2
    assert "ball" in capsys.readouterr().err


def test_what_the_board_prints_is_read_by_the_setup(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert main(["board", "board.pdf", "--paper", "letter", "--sheets", "2x1", "--marker", "60 mm"]) == 0
    out, err = capsys.readouterr()
    assert (tmp_path / "board.pdf").read_bytes().startswith(b"%PDF-")
    setup = parse_setup('[ball]\ndiameter = "140 mm"\n' + out, "setup.toml")
    assert setup.board.board.paper == "Letter"
    assert (setup.board.board.sheets_across, setup.board.board.sheets_up) == (2, 1)
    assert setup.board.board.marker_mm == pytest.approx(60)
    assert "power off" in err


def test_a_board_that_is_there_is_kept(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    Path("board.pdf").write_bytes(b"mine")
    assert main(["board", "board.pdf"]) == 1
    assert "already" in capsys.readouterr().err
    assert Path("board.pdf").read_bytes() == b"mine"
    assert main(["board", "board.pdf", "--replace"]) == 0
    assert Path("board.pdf").read_bytes().startswith(b"%PDF-")


@pytest.mark.parametrize(
    ("words", "status", "said"),
    [
        (["--paper", "napkin"], 1, "no paper"),
        (["--sheets", "two"], 2, "two whole numbers"),
        (["--marker", "3 mm"], 1, "do not fit"),
        (["--sheets", "9x9"], 1, "different markers"),
    ],
)
def test_boards_that_cannot_be(tmp_path, capsys, monkeypatch, words, status, said):
    monkeypatch.chdir(tmp_path)
    assert main(["board", "board.pdf", *words]) == status
    assert said in capsys.readouterr().err
    assert not Path("board.pdf").exists()


F_PX, K1 = 760.0, -0.18  # of the drawn lens


def drawn_view(turn, shift, size=(640, 360), f_px=F_PX / 2):
    """A 7 x 5 chessboard of 30 mm squares through a bent lens, by going back from each pixel."""
    w, h = size
    x, y = np.meshgrid((np.arange(w) - (w - 1) / 2) / f_px, (np.arange(h) - (h - 1) / 2) / f_px)
    ux, uy = x.copy(), y.copy()
    for _ in range(60):  # bent = straight (1 + k1 r^2), by fixed point
        r2 = ux * ux + uy * uy
        ux, uy = x / (1 + K1 * r2), y / (1 + K1 * r2)
    R = cv2.Rodrigues(np.array(turn, dtype=float))[0]
    t = np.array(shift, dtype=float)
    rays = np.stack([ux, uy, np.ones_like(ux)], axis=-1)
    far = (R[:, 2] @ t) / (rays @ R[:, 2])
    at = (rays * far[..., None] - t) @ R[:, :2]
    i, j = np.floor(at[..., 0] / 0.03) + 4, np.floor(at[..., 1] / 0.03) + 3
    on_board = (i >= 0) & (i < 8) & (j >= 0) & (j < 6)
    luma = np.where(on_board, np.where((i + j) % 2 == 0, 30.0, 210.0), 225.0)
    return np.uint8(cv2.GaussianBlur(luma, (0, 0), 0.8))


def views():
    rng = np.random.default_rng(8)
    for k in range(12):
        spot = [(-0.16, -0.07), (0.16, -0.07), (-0.16, 0.07), (0.16, 0.07), (0, 0), (0, 0.05)][k % 6]
        turn = rng.uniform(-0.5, 0.5, 3) * [1, 1, 0.3]
        yield drawn_view(turn, [*spot, rng.uniform(0.36, 0.5)])


def test_pictures_of_a_chessboard_give_a_lens_file(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    Path("shown").mkdir()
    for k, luma in enumerate(views()):
        cv2.imwrite(f"shown/{k:02}.png", luma)
    Path("shown/99.png").write_bytes(b"no picture")
    call = [
        "lens",
        "shown",
        "--square",
        "30 mm",
        "--corners",
        "7x5",
        "--out",
        "lens.toml",
        "--mode",
        "120 fps",
    ]
    assert main(call) == 0, capsys.readouterr().err
    out, err = capsys.readouterr()
    assert "px" in out
    assert "99.png could not be read" in err
    lens = read_lens("lens.toml")
    assert lens.fx == pytest.approx(F_PX / 2, rel=0.01)
    assert lens.distortion[0] == pytest.approx(K1, abs=0.02)
    assert (lens.width_px, lens.height_px, lens.mode) == (640, 360, "120 fps")
    assert main(call) == 2  # never over one that is there
    assert "already" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "status", "said"),
    [
        (["shown"], 2, "How large a square is"),
        (["shown", "--square", "30 mm", "--corners", "2x6"], 2, "three inner corners"),
        (["missing.png", "--square", "30 mm"], 1, "no picture missing.png"),
        (["shown", "--square", "30 mm", "--corners", "7x5"], 1, "at least 6 are needed"),
    ],
)
def test_lenses_that_cannot_be_made(tmp_path, capsys, monkeypatch, words, status, said):
    monkeypatch.chdir(tmp_path)
    Path("shown").mkdir()
    for k, luma in zip(range(3), views(), strict=False):
        cv2.imwrite(f"shown/{k}.png", luma)
    assert main(["lens", *words]) == status
    out, err = capsys.readouterr()
    assert out == ""
    assert said in err
    assert "Traceback" not in err
    assert not Path("lens.toml").exists()
