"""A measured shot, pictures of the film, an evaluated session -> pictures for people."""

from __future__ import annotations

from tracker.pictures.budget import budget_bars
from tracker.pictures.captions import Captions
from tracker.pictures.change import before_after
from tracker.pictures.composite import frames_to_paste
from tracker.pictures.control import control_chart_picture
from tracker.pictures.grid import still_with_grid
from tracker.pictures.over_film import flight_over_film
from tracker.pictures.residuals import path_and_residuals
from tracker.pictures.save import png, save
from tracker.pictures.wheel import wheel_speed_picture

__all__ = [
    "Captions",
    "before_after",
    "budget_bars",
    "control_chart_picture",
    "flight_over_film",
    "frames_to_paste",
    "path_and_residuals",
    "png",
    "save",
    "still_with_grid",
    "wheel_speed_picture",
]
