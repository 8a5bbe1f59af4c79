import math
from pathlib import Path

import numpy as np
import pytest

from tracker.ball.colour import named_direction
from tracker.errors import SetupError, SetupNotFound
from tracker.setup_file import parse_setup, read_setup
from tracker.setup_file.colours import FAMILIES

BALL = '[ball]\ndiameter = "140 mm"\n'
REFERENCE = '[reference]\npoints_px = [[212, 640], [851, 634]]\npicture = [1280, 720]\nlength = "1.500 m"\n'

WHOLE = """\
[ball]
diameter = "140 mm"
mass = "88 g"
colour = "Orange"
solid = false
diameter_uncertainty = "2 mm"

[reference]
points_px = [[212, 640], [851, 634]]
picture = [1280, 720]
frame = 3
length = "1.500 m"
offset = "-12 cm"
length_uncertainty = "2 mm"
offset_uncertainty = "5 mm"
click_uncertainty_px = 0.7

[camera]
distance = "4.2 m"
distance_uncertainty = "3 cm"
capture_fps = 240
readout = "4 ms"
lens = "lens.toml"
plumb_px = [[640, 40], [642, 690]]

[launcher]
exit_px = [204, 512]
wheels = 2
wheel_diameter = "96 mm"
wheel_speed = "3200 rpm"
second_wheel_speed = "50 rev/s"
gap_entry = "130 mm"
gap_exit = "126 mm"
deflector_angle = "38 deg"

[design]
exit_speed = "7.2 m/s"
exit_angle = "52 deg"
spin = "8 rev/s"
speed_tolerance = "0.72 km/h"
angle_tolerance = "1.5 deg"
spin_tolerance = "60 rpm"

[target]
distance = "3.0 m"
height = "1.10 m"
opening = "0.45 m"

[room]
temperature = "22 degC"
pressure = "1005 hPa"
humidity = "45 %"
latitude = "48 deg"
"""


def test_everything_that_can_be_stated():
    # Expected values by hand: 3200 rpm = 3200 * 2 pi / 60; 0.72 km/h = 0.2 m/s; 60 rpm = 1 rev/s.
    setup = parse_setup(WHOLE, "setup.toml")
    ball, known, camera = setup.ball, setup.reference, setup.camera
    assert (ball.diameter_m, ball.mass_kg, ball.colour, ball.solid) == (
        pytest.approx(0.14),
        pytest.approx(0.088),
        "orange",
        False,
    )
    assert ball.u_diameter_m == pytest.approx(0.002)
    assert ball.u_mass_kg == pytest.approx(0.00088)  # 1 % where nothing is stated
    assert known.points_px.tolist() == [[212.0, 640.0], [851.0, 634.0]]
    assert (known.picture_px, known.frame, known.points_m) == ((1280, 720), 3, None)
    assert (known.length_m, known.offset_m) == (pytest.approx(1.5), pytest.approx(-0.12))
    assert (known.u_length_m, known.u_offset_m, known.u_click_px) == (
        pytest.approx(0.002),
        pytest.approx(0.005),
        0.7,
    )
    assert (camera.distance_m, camera.u_distance_m, camera.capture_fps) == (
        pytest.approx(4.2),
        pytest.approx(0.03),
        240.0,
    )
    assert (camera.readout_s, camera.lens_file) == (pytest.approx(0.004), "lens.toml")
    assert camera.plumb_px.tolist() == [[640.0, 40.0], [642.0, 690.0]]
    launcher, design, room = setup.launcher, setup.design, setup.room
    assert (launcher.exit_px, launcher.wheels) == ((204.0, 512.0), 2)
    assert launcher.wheel_speed_rad_s == pytest.approx(335.1032, abs=1e-4)
    assert launcher.second_wheel_speed_rad_s == pytest.approx(314.1593, abs=1e-4)
    assert (launcher.wheel_diameter_m, launcher.gap_entry_m, launcher.gap_exit_m) == (
        pytest.approx(0.096),
        pytest.approx(0.130),
        pytest.approx(0.126),
    )
    assert launcher.deflector_angle_rad == pytest.approx(0.663225, abs=1e-6)
    assert (design.exit_speed_m_s, design.speed_tolerance_m_s) == (pytest.approx(7.2), pytest.approx(0.2))
    assert (design.exit_angle_rad, design.angle_tolerance_rad) == (
        pytest.approx(0.907571, abs=1e-6),
        pytest.approx(0.0261799, abs=1e-7),
    )
    assert design.spin_rad_s == pytest.approx(50.26548, abs=1e-5)
    assert design.spin_tolerance_rad_s == pytest.approx(6.283185, abs=1e-6)
    assert (setup.target.distance_m, setup.target.height_m, setup.target.opening_m) == (3.0, 1.1, 0.45)
    assert (room.temperature_k, room.pressure_pa, room.humidity) == (
        pytest.approx(295.15),
        pytest.approx(100500.0),
        pytest.approx(0.45),
    )
    assert room.latitude_rad == pytest.approx(0.837758, abs=1e-6)
    assert setup.text == WHOLE


def test_what_is_not_stated():
    setup = parse_setup(BALL + REFERENCE + '[camera]\ndistance = "3 m"\n', "setup.toml")
    assert setup.ball.u_diameter_m == pytest.approx(0.0014)
    assert (setup.ball.mass_kg, setup.ball.u_mass_kg, setup.ball.colour) == (None, None, None)
    assert (setup.reference.frame, setup.reference.offset_m) == (0, 0.0)
    assert setup.reference.u_click_px == 1.0
    assert setup.reference.u_offset_m == pytest.approx(0.010)
    assert 0.0005 < setup.reference.u_length_m < 0.0015
    assert setup.camera.u_distance_m == pytest.approx(math.hypot(0.02, 0.06))
    assert (setup.camera.capture_fps, setup.camera.readout_s, setup.camera.plumb_px) == (None, None, None)
    assert (setup.launcher.wheels, setup.launcher.exit_px) == (1, None)
    assert (setup.target, setup.room.humidity) == (None, None)


def test_points_of_known_place():
    text = BALL + (
        "[reference]\npicture = [1280, 720]\n"
        "points_px = [[200, 600], [800, 600], [790, 210], [210, 205]]\n"
        "points_m = [[0, 0], [1.2, 0], [1.2, 0.8], [0, 0.8]]\n"
    )
    known = parse_setup(text, "setup.toml").reference
    assert known.length_m is None
    assert known.points_m.tolist() == [[0.0, 0.0], [1.2, 0.0], [1.2, 0.8], [0.0, 0.8]]
    assert not known.points_m.flags.writeable
    assert np.isfinite(known.u_length_m)


def test_gap_in_front_and_zero_readout_are_fine():
    text = BALL + REFERENCE + 'offset = "-0.5 m"\n[camera]\nreadout = "0 ms"\n'
    setup = parse_setup(text, "setup.toml")
    assert setup.reference.offset_m == -0.5
    assert setup.camera.readout_s == 0.0


@pytest.mark.parametrize(
    ("written", "family"),
    [
        ("ORANGE", "orange"),
        ("teal", "turquoise"),
        ("gray", "grey"),
        (" violet ", "violet"),
        ("#FF7f00", "#ff7f00"),
    ],
)
def test_colours_are_families_of_hue(written, family):
    assert parse_setup(BALL + f'colour = "{written}"', "setup.toml").ball.colour == family


def test_every_colour_that_can_be_named_is_known_where_it_is_looked_for():
    known = set(FAMILIES) - {"white", "grey", "black"}
    assert [name for name in sorted(known) if named_direction(name) is None] == []
    assert [named_direction(name) for name in ("white", "grey", "black", None)] == [None] * 4


# -- files and what one call gives --------------------------------------------------------------


def written(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "setup.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_lens_is_looked_for_beside_the_setup(tmp_path):
    path = written(tmp_path, WHOLE)
    assert Path(read_setup(path).camera.lens_file) == tmp_path / "lens.toml"


def test_byte_order_mark_and_crlf(tmp_path):
    path = tmp_path / "setup.toml"
    path.write_bytes(b"\xef\xbb\xbf" + WHOLE.replace("\n", "\r\n").encode())
    assert read_setup(path).target.opening_m == 0.45


def test_one_call_stands_above_the_file(tmp_path):
    path = written(tmp_path, WHOLE)
    setup = read_setup(path, capture_fps=120.0, wheel_speed="50 rev/s", gap="120 mm")
    assert setup.camera.capture_fps == 120.0
    assert setup.launcher.wheel_speed_rad_s == pytest.approx(100 * math.pi)
    assert setup.launcher.gap_exit_m == pytest.approx(0.120)
    assert setup.launcher.gap_entry_m == pytest.approx(0.124)  # 130 mm, moved by 120 - 126 mm
    assert setup.launcher.gap_exit_m != read_setup(path).launcher.gap_exit_m
    assert setup.text == WHOLE


def test_gap_alone(tmp_path):
    launcher = read_setup(written(tmp_path, BALL), gap="5 in").launcher
    assert (launcher.gap_exit_m, launcher.gap_entry_m) == (pytest.approx(0.127), None)


@pytest.mark.parametrize(
    ("given", "code", "message"),
    [
        ({"capture_fps": 0.0}, "setup_capture_fps", "^--capture-fps is 0 frames"),
        ({"capture_fps": math.nan}, "setup_capture_fps", "^--capture-fps is nan"),
        ({"capture_fps": math.inf}, "setup_capture_fps", "^--capture-fps is inf"),
        ({"wheel_speed": "3200"}, "setup_unit_missing", "^--wheel-speed is .*no unit"),
        ({"wheel_speed": "-3200 rpm"}, "setup_not_positive", "^--wheel-speed is zero or less"),
        ({"gap": "12 kg"}, "setup_unit_wrong", "^--gap is .*a mass"),
        ({"gap": "0 mm"}, "setup_not_positive", "^--gap is zero or less"),
    ],
)
def test_one_call_is_checked_too(tmp_path, given, code, message):
    with pytest.raises(SetupError, match=message) as caught:
        read_setup(written(tmp_path, WHOLE), **given)
    assert caught.value.code == code


def test_gap_that_leaves_no_entry(tmp_path):
    text = BALL + '[launcher]\ngap_entry = "2 cm"\ngap_exit = "12 cm"\n'
    with pytest.raises(SetupError, match="no gap at the entry"):
        read_setup(written(tmp_path, text), gap="9 cm")


def test_missing_file(tmp_path):
    with pytest.raises(SetupNotFound, match=r"no setup file none\.toml") as caught:
        read_setup(tmp_path / "none.toml")
    assert isinstance(caught.value, FileNotFoundError)
    assert "lobscope setup" in caught.value.advice


@pytest.mark.parametrize(
    ("content", "code"),
    [
        (b"\xff\xfe[\x00b\x00", "setup_not_utf8"),
        (b"# " + b"x" * 1_000_000, "setup_too_big"),
        (b"\x00\x00\x00\x18ftypmp42", "setup_not_toml"),
    ],
)
def test_files_that_are_no_setup(tmp_path, content, code):
    path = tmp_path / "setup.toml"
    path.write_bytes(content)
    with pytest.raises(SetupError, match=r"setup\.toml") as caught:
        read_setup(path)
    assert caught.value.code == code


def test_folder(tmp_path):
    with pytest.raises(SetupError, match="is a folder") as caught:
        read_setup(tmp_path)
    assert caught.value.code == "setup_is_folder"


def test_name_no_system_has(tmp_path):
    with pytest.raises(SetupError, match="cannot be opened") as caught:
        read_setup(tmp_path / "a\0b")
    assert caught.value.code == "setup_unreadable"
