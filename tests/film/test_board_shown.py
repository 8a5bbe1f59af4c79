"""A film of a board that is waved, and boards in turned and mirrored pictures."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from calibration.board_layout import Board
from calibration.values import Picture
from tracker.demo.containers import Container, write_clip
from tracker.errors import ClipError
from tracker.film.decode import Frame
from tracker.showing import PICTURES, Showing, files_in, read_picture
from tracker.values import ClipFacts
from tracker.viewing import BOARD_LOOKS, BoardWatch

SIZE = (640, 360)
F_PX = 520.0


def page(board: Board) -> tuple[np.ndarray, np.ndarray]:
    """The board by another's drawing, and its millimetres -> pixels: OpenCV's own markers on white."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    corners = board.corners_mm()
    low, high = corners.reshape(-1, 2).min(axis=0) - 20, corners.reshape(-1, 2).max(axis=0) + 20
    r = 3.0
    sheet = np.full((round((high[1] - low[1]) * r), round((high[0] - low[0]) * r)), 255, np.uint8)
    side = round(board.marker_mm * r)
    for number in range(board.markers):
        x, z = corners[number, 0]
        left, top = round((x - low[0]) * r), round((high[1] - z) * r)
        sheet[top : top + side, left : left + side] = cv2.aruco.generateImageMarker(dictionary, number, side)
    return sheet, np.array([[r, 0, -low[0] * r - 0.5], [0, -r, high[1] * r - 0.5], [0, 0, 1]])


def shown(board: Board, turn, shift_m) -> np.ndarray:
    """A board before a pinhole without distortion; lengths in metres."""
    sheet, to_px = page(board)
    K = np.array([[F_PX, 0, (SIZE[0] - 1) / 2], [0, F_PX, (SIZE[1] - 1) / 2], [0, 0, 1.0]])
    middle = board.corners_mm().reshape(-1, 2).mean(axis=0)
    place = np.array([[1, 0, -middle[0]], [0, -1, middle[1]], [0, 0, 0]]) / 1000
    P = cv2.Rodrigues(np.array(turn, dtype=float))[0] @ place
    P[:, 2] += shift_m
    H = K @ P @ np.linalg.inv(to_px)
    luma = cv2.warpPerspective(sheet, H, SIZE, flags=cv2.INTER_AREA, borderValue=120)
    return np.uint8(np.clip(cv2.GaussianBlur(luma, (0, 0), 0.8) * 0.8 + 15, 0, 255))


def waved(path, board: Board, frames: int = 45):
    """A clip in which the board goes round through the picture, leaning this way and that."""

    def planes():
        for k in range(frames):
            a = 2 * np.pi * k / frames
            spot = [0.11 * np.cos(a) * (k % 3), 0.06 * np.sin(a) * (k % 3), 0.45 + 0.05 * np.sin(3 * a)]
            luma = shown(board, [0.5 * np.sin(2 * a), 0.5 * np.cos(3 * a), 0.1 * np.sin(a)], spot)
            grey = np.full((SIZE[1] // 2, SIZE[0] // 2), 128, np.uint8)
            yield luma, grey, grey

    write_clip(path, planes(), [k / 30 for k in range(frames)], Container())


def test_a_waved_board_gives_the_lens(tmp_path):
    board = Board(marker_mm=40)
    waved(tmp_path / "waved.mp4", board)
    told = []
    job = Showing((tmp_path / "waved.mp4",), board=board, mode="30 fps")
    found = job(lambda done, total: told.append((done, total)))
    assert found.lens.fx == pytest.approx(F_PX, rel=0.02)
    assert found.lens.fy == pytest.approx(F_PX, rel=0.02)
    assert abs(found.lens.distortion[0]) < 0.05  # the drawn lens has none
    assert found.lens.views <= 20
    assert found.looked_at == 45
    assert told
    assert told[-1][1] == 45


def test_folders_stand_for_their_pictures(tmp_path):
    for name in ("b.png", "a.JPG", "notes.txt"):
        (tmp_path / name).write_bytes(b"")
    assert [path.name for path in files_in([tmp_path])] == ["a.JPG", "b.png"]
    assert files_in([tmp_path / "a.mp4"]) == (tmp_path / "a.mp4",)
    assert ".png" in PICTURES


def test_what_is_no_picture_is_none(tmp_path):
    (tmp_path / "a.png").write_bytes(b"\x89PNG\r\n\x1a\n but not really")
    (tmp_path / "b.png").write_bytes(b"")
    assert read_picture(tmp_path / "a.png") is None
    assert read_picture(tmp_path / "b.png") is None
    with pytest.raises(ClipError, match=r"There is no picture c\.png"):
        read_picture(tmp_path / "c.png")


def facts(picture: Picture, frames: int) -> ClipFacts:
    return ClipFacts("made.mp4", picture, np.arange(frames) / 30, 1e-5, None, "h264", "yuv420p", 8)


def frame(index: int, luma: np.ndarray) -> Frame:
    nothing = np.zeros((1, 1), np.uint8)
    return Frame(index, index / 30, luma, nothing, nothing)


def test_only_a_few_pictures_are_looked_at(monkeypatch):
    board, looks = Board(), list[np.ndarray]()
    watch = BoardWatch(board, facts(Picture(*SIZE), 300), None, None)
    monkeypatch.setattr("tracker.viewing.look_for_board", lambda luma, *_: looks.append(luma))
    for k in range(300):
        watch.see(frame(k, np.zeros((4, 4), np.uint8)))
    assert len(looks) == BOARD_LOOKS


@pytest.mark.parametrize("turns", [0, 1, 2, 3])
def test_a_board_in_a_turned_picture(turns):
    """Whichever way the sensor lies, the board is found in stored pixels, where the turned picture has it."""
    board = Board()
    luma = shown(board, [0.1, 0.2, 0.0], [0.01, 0.0, 0.6])
    stored = np.ascontiguousarray(np.rot90(luma, -turns))
    height, width = stored.shape
    picture = Picture(width, height, turns)
    watch = BoardWatch(board, facts(picture, 1), None, None)
    watch.see(frame(0, stored))
    upright = BoardWatch(board, facts(Picture(*SIZE), 1), None, None)
    upright.see(frame(0, luma))
    ((_, there),), ((_, here),) = watch.result(), upright.result()
    assert there.marker.tolist() == here.marker.tolist()
    assert picture.to_upright(there.centres_px) == pytest.approx(np.asarray(here.centres_px), abs=0.05)


def test_a_board_in_a_mirrored_picture():
    board = Board()
    luma = shown(board, [0.1, 0.2, 0.0], [0.01, 0.0, 0.6])
    picture = replace(Picture(*SIZE), mirrored=True)
    watch = BoardWatch(board, facts(picture, 1), None, None)
    watch.see(frame(0, np.ascontiguousarray(luma[:, ::-1])))
    straight = BoardWatch(board, facts(Picture(*SIZE), 1), None, None)
    straight.see(frame(0, luma))
    ((_, there),), ((_, here),) = watch.result(), straight.result()
    assert picture.to_upright(there.centres_px) == pytest.approx(np.asarray(here.centres_px), abs=0.02)
