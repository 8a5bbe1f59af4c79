"""Balls of several moments in one picture: how many, where, and of which colour."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import cv2
import numpy as np
import pytest

from tracker.pictures import frames_to_paste
from tracker.pictures.composite import paste_balls
from tracker.values import Path, Shot

ORANGE_BGR = (20, 120, 240)
GREY = 105


def still(path: Path, frame: int, size: tuple[int, int] = (720, 1280)) -> np.ndarray:
    """A grey wall with the ball of one moment, drawn by OpenCV."""
    picture = np.full((*size, 3), GREY, np.uint8)
    i = int(np.flatnonzero(path.frame == frame)[0])
    centre = (round(path.x_px[i] * 16), round(path.y_px[i] * 16))
    radius = round(path.radius_px[i] * 16)
    return cv2.circle(picture, centre, radius, ORANGE_BGR, -1, cv2.LINE_AA, 4)


def orange_blobs(picture: np.ndarray) -> np.ndarray:
    """Centres (n, 2) of what is strongly orange, by OpenCV's connected components."""
    mask = (picture[..., 2].astype(int) - picture[..., 0] > 110).astype(np.uint8)
    count, _, stats, centres = cv2.connectedComponentsWithStats(mask)
    return np.array([centres[k] for k in range(1, count) if stats[k, cv2.CC_STAT_AREA] > 60])


def test_every_chosen_ball_is_in_the_picture_once_and_in_its_place(made_shot: Callable[..., Shot]) -> None:
    path = made_shot().path
    frames = frames_to_paste(path)
    made = paste_balls(path, {frame: still(path, frame) for frame in frames})
    found = orange_blobs(made)
    assert len(found) == len(frames)
    wanted = np.column_stack([path.x_px, path.y_px])[np.isin(path.frame, frames)]
    nearest = np.linalg.norm(found[:, None] - wanted[None], axis=-1).min(axis=0)
    assert nearest.max() < 0.5  # half a pixel: what drawing in whole pixels can lose


def test_the_ball_keeps_its_colour_and_the_room_fades(made_shot: Callable[..., Shot]) -> None:
    path = made_shot().path
    frames = frames_to_paste(path)
    red = {frame: still(path, frame) for frame in frames}
    for picture in red.values():
        picture[600:, :] = (0, 0, 200)
    made = paste_balls(path, red)
    i = int(np.flatnonzero(path.frame == frames[3])[0])
    assert tuple(made[round(path.y_px[i]), round(path.x_px[i])]) == ORANGE_BGR
    room = made[700, 640].astype(int)
    assert room[2] - room[0] < 0.5 * 200


def test_the_rim_is_soft(made_shot: Callable[..., Shot]) -> None:
    path = replace(made_shot().path, radius_px=np.full(120, 30.0))
    frames = frames_to_paste(path)
    stills = {frame: still(path, frame) for frame in frames}
    stills[frames[4]][:] = 250  # all of this moment is bright: what is pasted of it shows its own rim
    made = paste_balls(path, stills).astype(int)
    i = int(np.flatnonzero(path.frame == frames[4])[0])
    row = made[round(path.y_px[i]) - 60 : round(path.y_px[i]) + 1, round(path.x_px[i]), 0]
    assert row[-1] == 250
    assert np.abs(np.diff(row)).max() < 0.25 * (row[-1] - row[0])


@pytest.mark.parametrize(("radius_px", "most"), [(17.5, 12), (6.0, 12), (17.5, 4)])
def test_chosen_balls_stand_apart_and_are_not_too_many(
    made_shot: Callable[..., Shot], radius_px: float, most: int
) -> None:
    path = made_shot(radius_px=radius_px).path
    frames = frames_to_paste(path, most)
    assert 3 <= len(frames) <= most
    assert frames[0] == path.frame[0]
    at = np.flatnonzero(np.isin(path.frame, frames))
    assert path.used[at].all()
    apart = np.hypot(np.diff(path.x_px[at]), np.diff(path.y_px[at]))
    assert apart.min() >= 2.4 * radius_px  # a fifth of a ball's width of wall between two balls
    assert apart.max() < 2 * apart.min()


def test_a_ball_half_outside_is_cut_by_the_edge(made_shot: Callable[..., Shot]) -> None:
    path = made_shot().path
    edge = replace(path, x_px=path.x_px - path.x_px[0], y_px=path.y_px - path.y_px[0] + 719)
    made = paste_balls(edge, {int(edge.frame[0]): still(edge, int(edge.frame[0]))})
    assert tuple(made[719, 0]) == ORANGE_BGR


def test_no_film_and_unlike_films_are_refused(made_shot: Callable[..., Shot]) -> None:
    path = made_shot().path
    with pytest.raises(ValueError, match="at least one picture"):
        paste_balls(path, {})
    with pytest.raises(ValueError, match="differ in size"):
        paste_balls(path, {31: still(path, 31), 32: still(path, 32, (360, 640))})
