import csv
import io

import numpy as np
from examples import make_path, make_shot
from golden import golden

from tracker.report import path_csv

HEAD = [
    "shot",
    "frame",
    "t_s",
    "x_px",
    "y_px",
    "x_m",
    "z_m",
    "fit_x_m",
    "fit_z_m",
    "fit_x_px",
    "fit_y_px",
    "u_m",
    "radius_px",
    "used",
]


def test_numbers_come_back_exactly():
    shots = [make_shot(1), make_shot(2)]
    rows = list(csv.reader(io.StringIO(path_csv(shots))))
    assert rows[0] == HEAD
    assert [row[0] for row in rows[1:]] == ["1"] * 5 + ["2"] * 5
    for column, name in enumerate(HEAD[1:], start=1):
        expected = np.concatenate([getattr(shot.path, name) for shot in shots])
        assert np.array_equal(
            np.array([row[column] for row in rows[1:]], dtype=float), expected.astype(float)
        )


def test_not_known_is_empty():
    path = make_path()
    spoilt = path.fit_x_m.copy()
    spoilt[0] = np.nan
    changed = type(path)(**{name: getattr(path, name) for name in path.__slots__} | {"fit_x_m": spoilt})
    rows = list(csv.DictReader(io.StringIO(path_csv([make_shot(path=changed)]))))
    assert rows[0]["fit_x_m"] == ""
    assert rows[1]["fit_x_m"] != ""
    assert [row["used"] for row in rows] == ["1", "1", "1", "1", "0"]


def test_no_shot_is_a_head_alone():
    assert path_csv([]) == ",".join(HEAD) + "\n"


def test_golden_path():
    text = path_csv([make_shot()])
    assert text == golden("path.csv", text)
