"""A printed board in the film: found by itself, drawn where it is, and no marks asked for."""

from __future__ import annotations

import json
import shutil
import time
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any
from urllib.request import Request, urlopen

import cv2
import numpy as np
import pytest
from board_films import BOARD, BOARD_M, camera, drawn
from board_pictures import film
from own_clips import FIXTURES, Served, on_screen, save, saved, show, write_dots

from calibration.board_layout import MODULES
from tracker.cli import main
from tracker.finding import find_printed_board
from tracker.pipeline import measure
from tracker.setup_file import read_setup

SEEN_BY = camera(20.0, 0.0)
NEAR_PX = 3.0  # the pen with which the frame is drawn


@pytest.fixture(name="board_film", scope="module")
def board_film_fixture(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return drawn(tmp_path_factory.mktemp("film"), "board", SEEN_BY, board=True)


@pytest.fixture(name="clip")
def board_clip(board_film: Path, tmp_path: Path) -> Path:
    return Path(shutil.copy(board_film, tmp_path / "shot.mp4"))


def true_frame_px() -> np.ndarray:
    """Corners of the frame round all markers in the picture, one module outside of them, (4, 2)."""
    corners = BOARD.corners_m().reshape(-1, 2)
    room = BOARD.marker_mm / MODULES / 1000
    low, high = corners.min(axis=0) - room + BOARD_M, corners.max(axis=0) + room + BOARD_M
    places = [[low[0], 0, high[1]], [high[0], 0, high[1]], [high[0], 0, low[1]], [low[0], 0, low[1]]]
    return np.asarray(SEEN_BY.project(np.array(places)))


def found_board(served: Served) -> dict[str, Any]:
    """What the server says of the board, once it has looked."""
    until_s = time.monotonic() + 60
    while time.monotonic() < until_s:
        asked = Request(served.address.split("#")[0] + "api/clip", headers={"X-Lobscope-Key": served.key})  # noqa: S310 - this machine
        with urlopen(asked, timeout=10) as answer:  # noqa: S310 - likewise
            board = json.load(answer)["board"]
        if board is not None:
            return board
        time.sleep(0.2)
    raise AssertionError("nobody looked for the board")


@pytest.mark.parametrize(("width", "height", "dots_"), [(1280, 800, 1.0), (390, 844, 2.0)])
def test_a_board_is_found_drawn_and_measured_with(
    serve: Callable[..., Served],
    open_page: Callable[..., Any],
    clip: Path,
    width: int,
    height: int,
    dots_: float,
) -> None:
    page = open_page(serve(clip), width=width, height=height, dots=dots_)
    page.wait_for_selector("#board:has-text('No marks are needed')")
    assert "2 x 2 sheets of A4" in page.inner_text("#board")
    assert "all 6 pictures" in page.inner_text("#board")
    assert page.is_checked("input[value=board]")
    worth = page.wait_for_selector("[data-worth=reference]:has-text('sure')").inner_text()
    assert "One pixel along the flight is" in worth
    page.wait_for_selector("#labels .board:has-text('of the speed')")
    shot = cv2.imdecode(np.frombuffer(page.screenshot(), np.uint8), cv2.IMREAD_COLOR).astype(int)
    blue = np.abs(shot - [0xE9, 0xB4, 0x56]).max(axis=2) < 40
    rows, columns = np.nonzero(blue)
    for corner in true_frame_px():
        x, y = on_screen(page, tuple(corner))
        away = np.hypot((columns + 0.5) / dots_ - x, (rows + 0.5) / dots_ - y)
        assert away.min() < NEAR_PX, corner
    show(page, "ball")
    page.fill("[data-place='ball.diameter']", "140 mm")
    page.fill("[data-place='ball.mass']", "88 g")
    save(page)
    table = saved(clip)
    assert table["reference"] == {"board": "A4", "sheets": [2, 2]}
    measured = measure(clip, read_setup(clip.with_name("shot.setup.toml")))
    assert measured.scale is not None
    assert measured.scale.source == "board"
    assert len(measured.shots) == 1


def test_the_foreseen_uncertainty_is_about_that_of_the_measurement(
    clip: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The board alone cannot be surer than the board and gravity together, nor ten times less sure."""
    assert main(["setup", str(clip), "--ball", "140 mm", "--mass", "88 g", "--ruler", "150.0 mm"]) == 0
    said = capsys.readouterr().err
    assert "The printed board (2 x 2 sheets of A4) was found in all 6 pictures looked at. No marks" in said
    share = float(said.split("makes the speed ")[1].split(" %")[0]) / 100
    setup = clip.with_name("shot.setup.toml")
    assert tomllib.loads(setup.read_text(encoding="utf-8"))["reference"] == {
        "board": "A4",
        "sheets": [2, 2],
        "ruler": "150.0 mm",
    }
    (shot,) = measure(clip, read_setup(setup)).shots
    measured = 1.96 * shot.exit_speed_m_s.u / shot.exit_speed_m_s.value
    assert 0.8 * measured < share < 10 * measured


def test_where_no_board_is_nothing_is_said(
    serve: Callable[..., Served], open_page: Callable[..., Any], clip_in: Callable[..., Path]
) -> None:
    served = serve(clip_in("plain_240"))
    page = open_page(served)
    assert found_board(served)["said"] is None
    page.wait_for_timeout(300)
    assert page.inner_text("#board") == ""
    assert page.locator("#board-use").is_hidden()
    assert page.locator("#labels .board").count() == 0
    assert page.is_checked("input[value=length]")
    assert page.is_disabled("#undo")


def test_a_board_that_is_named_and_not_there_is_said(
    serve: Callable[..., Served], open_page: Callable[..., Any], clip_in: Callable[..., Path]
) -> None:
    page = open_page(serve(clip_in("plain_240")))
    page.check("input[value=board]")
    page.wait_for_selector("#board:has-text('was not seen')")
    assert page.inner_text("[data-worth=reference]") == ""


def test_by_keys_alone_the_board_takes_the_place_of_marks_and_gives_it_back(
    serve: Callable[..., Served], open_page: Callable[..., Any], clip: Path
) -> None:
    setup = clip.with_name("shot.setup.toml")
    setup.write_text(
        '[ball]\ndiameter = "140 mm"\n[reference]\npoints_px = [[100.0, 400.0], [500.0, 400.0]]\n'
        'picture = [960, 540]\nlength = "2.000 m"\n',
        encoding="utf-8",
    )
    page = open_page(serve(clip))
    page.wait_for_selector("#board-use:visible")
    assert page.is_checked("input[value=length]"), "marks that are there are left alone"
    assert "needs no marks" in page.inner_text("#board")
    for _ in range(60):
        if page.evaluate("document.activeElement.id") == "board-use":
            break
        page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    page.wait_for_selector("#board:has-text('No marks are needed')")
    assert page.is_checked("input[value=board]")
    page.keyboard.press("Control+z")
    page.wait_for_selector("#board-use:visible")
    assert page.is_checked("input[value=length]")
    page.keyboard.press("Control+y")
    page.wait_for_selector("#board:has-text('No marks are needed')")
    save(page)
    assert saved(clip)["reference"] == {"board": "A4", "sheets": [2, 2]}


def test_another_board_that_is_named_is_looked_for_too(
    serve: Callable[..., Served], open_page: Callable[..., Any], clip: Path
) -> None:
    page = open_page(serve(clip))
    page.wait_for_selector("#board:has-text('No marks are needed')")
    page.fill("[data-place='reference.marker']", "100 mm")
    page.wait_for_selector("#board:has-text('It is not the one that is named here')")
    page.click("#board-use")
    page.wait_for_selector("#board:has-text('No marks are needed')")
    assert page.input_value("[data-place='reference.marker']") == ""


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize(("width", "height"), [(1280, 800), (390, 844)])
def test_axe_finds_nothing_serious_beside_a_board(
    serve: Callable[..., Served],
    open_page: Callable[..., Any],
    clip: Path,
    axe: str,
    scheme: str,
    width: int,
    height: int,
) -> None:
    page = open_page(serve(clip), width=width, height=height, color_scheme=scheme, bypass_csp=True)
    page.wait_for_selector("#labels .board:has-text('of the speed')")
    page.add_script_tag(content=axe)
    page.wait_for_timeout(250)
    found = page.evaluate("axe.run(document)")
    assert [v["id"] for v in found["violations"] if v["impact"] in {"serious", "critical"}] == []
    assert len(found["passes"]) > 10


@pytest.mark.parametrize("turned_deg", [90, 180, 270])
def test_in_a_turned_clip_it_is_where_it_is_seen(tmp_path: Path, turned_deg: int) -> None:
    luma, H = film(BOARD, np.random.default_rng(5), turn_rad=(0.0, 0.3, 0.1), aside_m=(0.3, -0.1))
    clip = write_dots(tmp_path / "shot.mp4", luma, frames=3, turned_deg=turned_deg)
    found = find_printed_board(clip)
    assert found.board == BOARD
    assert found.stands
    middles = cv2.perspectiveTransform(BOARD.corners_mm().mean(axis=1)[:, None], H)[:, 0]
    x, y = middles[found.sightings[0].marker].T
    # Turned counter-clockwise by a quarter, the picture's right column becomes its top row.
    upright = {90: (y, 1279 - x), 180: (1279 - x, 719 - y), 270: (719 - y, x)}[turned_deg]
    assert found.sightings[0].centres_px == pytest.approx(np.stack(upright, axis=1), abs=0.15)


def test_without_a_page_marks_that_are_stated_stay(clip: Path, capsys: pytest.CaptureFixture[str]) -> None:
    marks = ["--points", "100,400 500,400", "--length", "2.000 m"]
    assert main(["setup", str(clip), *marks, "--ball", "140 mm"]) == 0
    assert "printed board" not in capsys.readouterr().err
    assert main(["setup", str(clip), "--find-board"]) == 0
    assert "No marks are needed" in capsys.readouterr().err
    assert saved(clip)["reference"] == {"board": "A4", "sheets": [2, 2]}


def test_without_a_page_a_board_that_is_not_there_is_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    clip = Path(shutil.copy(FIXTURES / "plain_240.mp4", tmp_path / "shot.mp4"))
    assert main(["setup", str(clip), "--ball", "140 mm", "--find-board"]) == 0
    assert "was not seen" in capsys.readouterr().err
    assert main(["setup", str(clip), "--ball", "150 mm"]) == 0
    assert "printed board" not in capsys.readouterr().err
    assert "reference" not in {name for name, part in saved(clip).items() if part}


def test_a_still_of_a_film_with_a_board_says_so(clip: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["setup", str(clip), "--still", str(clip.with_name("grid.png"))]) == 0
    said = capsys.readouterr().err
    assert "The printed board (2 x 2 sheets of A4) was found" in said
    assert "--find-board" in said
