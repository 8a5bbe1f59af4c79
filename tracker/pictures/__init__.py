"""A measured shot and pictures of the film -> pictures for people."""

from __future__ import annotations

from tracker.pictures.budget import budget_bars
from tracker.pictures.captions import Captions
from tracker.pictures.composite import frames_to_paste
from tracker.pictures.over_film import flight_over_film
from tracker.pictures.residuals import path_and_residuals
from tracker.pictures.save import png, save

__all__ = [
    "Captions",
    "budget_bars",
    "flight_over_film",
    "frames_to_paste",
    "path_and_residuals",
    "png",
    "save",
]
