import tomllib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tracker.errors import OutputError, SetupError
from tracker.setup_file import parse_setup, read_setup, template, write_template
from tracker.setup_file.section import KEYS

WIDTH, HEIGHT = 1280, 720
on_picture = st.tuples(st.floats(0, WIDTH - 1), st.floats(0, HEIGHT - 1)).map(
    lambda p: (round(p[0], 2), round(p[1], 2))
)


@settings(max_examples=60, derandomize=True)
@given(
    points=st.lists(on_picture, min_size=2, max_size=2, unique=True),
    diameter_mm=st.integers(1, 400),
    length_mm=st.integers(1000, 5000),
    frame=st.integers(0, 10_000),
    rate=st.floats(1, 100_000),
)
def test_template_gives_back_what_was_filled_in(points, diameter_mm, length_mm, frame, rate):
    text = template(
        diameter=f"{diameter_mm} mm",
        points_px=points,
        picture=(WIDTH, HEIGHT),
        frame=frame,
        length=f"{length_mm / 1000:.3f} m",
        capture_fps=rate,
    )
    try:
        setup = parse_setup(text, "setup.toml")
    except SetupError as error:
        # Two points almost on one another make a ball wider than the picture.
        assert error.code == "setup_ball_too_large"  # noqa: PT017 - the other branch is the rule
        return
    assert setup.ball.diameter_m == pytest.approx(diameter_mm / 1000)
    assert setup.reference.points_px.tolist() == [list(point) for point in points]
    assert setup.reference.picture_px == (WIDTH, HEIGHT)
    assert setup.reference.frame == frame
    assert setup.reference.length_m == pytest.approx(length_mm / 1000)
    assert setup.camera.capture_fps == pytest.approx(rate, rel=1e-9)
    assert setup.text == text


def test_ball_alone_is_enough():
    setup = parse_setup(template(diameter="5.5 in", mass="88 g", colour="orange"), "setup.toml")
    assert setup.ball.diameter_m == pytest.approx(0.1397)  # 5.5 times 25.4 mm
    assert setup.ball.mass_kg == pytest.approx(0.088)
    assert setup.ball.colour == "orange"
    assert setup.reference is None
    assert setup.target is None


def test_untouched_template_asks_for_the_ball():
    with pytest.raises(SetupError, match=r"\[ball\] diameter is missing") as caught:
        parse_setup(template(), "setup.toml")
    assert caught.value.code == "setup_ball_diameter_missing"


INSTEAD = {"points_m", "board", "sheets", "marker", "ruler"}  # in place of a length


def test_examples_in_the_comments_can_be_used():
    # Taking away every # before an example, but for those that exclude one another.
    wanted = []
    for line in template(diameter="140 mm").splitlines():
        bare = line.removeprefix("# ")
        key = bare.partition(" = ")[0]
        known = any(key in keys for keys in KEYS.values())
        wanted.append(bare if known and key not in INSTEAD else line)
    text = "\n".join(wanted).replace("wheels = 1", "wheels = 2")
    setup = parse_setup(text, "setup.toml")
    table = tomllib.loads(text)
    assert {name: set(part) for name, part in table.items()} == {
        name: set(keys) - INSTEAD for name, keys in KEYS.items()
    }
    assert setup.launcher.second_wheel_speed_rad_s == pytest.approx(314.159265, rel=1e-8)  # 3000 rpm
    assert setup.room.temperature_k == pytest.approx(295.15)


def test_safety_stands_at_the_top():
    head = template().partition("[ball]")[0]
    for words in ("power off", "Eye protection", "in line with the exit", "adult", "rated speed", "rules"):
        assert words in head
    assert "does not certify" in head


@pytest.mark.parametrize("nasty", ['x"\n[camera]\ncapture_fps = 9', "\x7f\\", "µ ° ü", "{safety}"])
def test_given_texts_cannot_break_out(nasty):
    table = tomllib.loads(template(diameter="1 cm", mass=nasty))
    assert table["ball"]["mass"] == nasty
    assert "capture_fps" not in table["camera"]


def test_write_template(tmp_path):
    path = tmp_path / "setup.toml"
    write_template(path, template(diameter="140 mm"))
    assert read_setup(path).ball.diameter_m == pytest.approx(0.14)
    before = path.read_bytes()
    with pytest.raises(OutputError, match="exists already") as caught:
        write_template(path)
    assert caught.value.code == "output_exists"
    assert path.read_bytes() == before


def test_write_template_without_a_folder(tmp_path):
    with pytest.raises(OutputError, match="cannot be written") as caught:
        write_template(tmp_path / "nowhere" / "setup.toml")
    assert caught.value.code == "output_not_writable"
