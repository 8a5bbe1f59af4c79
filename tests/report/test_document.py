import json
import math

import numpy as np
import pytest
from examples import (
    failed,
    in_doubt,
    make_clip,
    make_path,
    make_shot,
    with_everything,
    without_shot,
)
from golden import golden

from calibration.values import Picture
from tracker import __version__
from tracker.report import as_json, document
from tracker.values import DesignCheck, Number

# The contract, key by key and in order. A type or a tuple of types is a leaf.
REAL = (float, type(None))
NUMBER = {"value": REAL, "u_random": REAL, "u_common": REAL, "u": REAL, "low95": REAL, "high95": REAL}
CHECK = {"designed": REAL, "difference": NUMBER, "verdict": {"within", "outside", "undecided"}}
SHOT = {
    "shot": int,
    "exit_time_s": NUMBER,
    "exit_x_m": NUMBER,
    "exit_z_m": NUMBER,
    "exit_x_px": REAL,
    "exit_y_px": REAL,
    "direction": {"right", "left"},
    "exit_speed_m_s": NUMBER,
    "exit_angle_deg": NUMBER,
    "spin_rev_s": (NUMBER, None),
    "spin_source": {"marks", "lift", "none"},
    "drag_coefficient": NUMBER,
    "lift_coefficient": NUMBER,
    "second_opinions": {"free_g_m_s2": NUMBER, "ball_diameter_m": (NUMBER, None)},
    "budget": [
        {"source": str, "speed_share_m_s": REAL, "angle_share_deg": REAL, "kind": {"common", "random"}},
    ],
    "wheel_budget": (
        {
            "wheel_speed_m_s": NUMBER,
            "exit_m_s": NUMBER,
            "spin_loss_m_s": NUMBER,
            "slip_m_s": NUMBER,
            "backing_slip_m_s": NUMBER,
            "spin_loss_share": NUMBER,
        },
        None,
    ),
    "design": (
        {"exit_speed_m_s": (CHECK, None), "exit_angle_deg": (CHECK, None), "spin_rev_s": (CHECK, None)},
        None,
    ),
    "sightings": int,
    "chi2_per_dof": REAL,
    "flags": [str],
    "path": [{"frame": int, "t_s": REAL, "x_px": REAL, "y_px": REAL, "x_m": REAL, "z_m": REAL, "used": bool}],
}
CLIP = {
    "clip": str,
    "sha256": str,
    "frames": int,
    "width_px": int,
    "height_px": int,
    "rotation_deg": int,
    "clock": {"capture_fps": REAL, "stretch": REAL, "source": {"stated", "metadata", "fall", "container"}},
    "scale": (
        {"m_per_px": NUMBER, "source": {"length", "plane", "board", "ball", "fall"}, "tilt_deg": NUMBER},
        None,
    ),
    "warnings": [{"code": str, "message": str, "advice": str}],
    "shots": [SHOT],
}
ERROR = {"clip": str, "error": {"code": str, "message": str, "advice": str}}


def follows(value, contract, place="document"):
    """Say where a value leaves the contract; an empty list is agreement."""
    if isinstance(contract, tuple) and isinstance(contract[0], dict):
        contract = type(None) if value is None else contract[0]
    if isinstance(contract, dict):
        if not isinstance(value, dict) or list(value) != list(contract):
            return [f"{place} is {value!r:.80}"]
        return [f for key in contract for f in follows(value[key], contract[key], f"{place}.{key}")]
    if isinstance(contract, list):
        if not isinstance(value, list):
            return [f"{place} is no list"]
        return [f for i, each in enumerate(value) for f in follows(each, contract[0], f"{place}[{i}]")]
    if isinstance(contract, set):
        agrees = value in contract
    else:
        agrees = type(value) in (contract if isinstance(contract, tuple) else (contract,))
    return [] if agrees else [f"{place} is {value!r:.80}"]


@pytest.mark.parametrize("make", [with_everything, in_doubt, without_shot, make_clip])
def test_every_key_in_order(make):
    found = document([make()])
    assert list(found) == ["lobscope", "clips"]
    assert found["lobscope"] == __version__
    assert [problem for clip in found["clips"] for problem in follows(clip, CLIP)] == []


def test_failed_clip_among_others():
    found = document([make_clip(), failed(), without_shot()])["clips"]
    assert follows(found[1], ERROR) == []
    assert found[1]["error"]["code"] == "clip_not_video"
    assert [clip["clip"] for clip in found] == ["lantern_run_07.mp4", "holiday.txt", "empty_room.mp4"]


def test_no_clip():
    assert document([]) == {"lobscope": __version__, "clips": []}


def test_the_check_itself_can_fail():
    clip = document([with_everything()])["clips"][0]
    clip["shots"][0]["spin_rev_s"].pop("u")
    clip["shots"][0]["direction"] = "up"
    clip["frames"] = 240.0
    assert len(follows(clip, CLIP)) == 3


def test_units_leave_as_the_contract_says():
    clip = document([with_everything()])["clips"][0]
    shot = clip["shots"][0]
    # By hand from the example: 53.4 degrees, 17.5 turns a second between 8.3 and 31, tilt 0.3 degrees.
    assert shot["exit_angle_deg"]["value"] == pytest.approx(53.4)
    assert shot["exit_angle_deg"]["u"] == pytest.approx(math.hypot(0.14, 0.17))
    assert (shot["spin_rev_s"]["value"], shot["spin_rev_s"]["low95"], shot["spin_rev_s"]["high95"]) == (
        pytest.approx(17.5),
        pytest.approx(8.3),
        pytest.approx(31.0),
    )
    assert shot["spin_rev_s"]["u_common"] == pytest.approx(27.0 / 6.283185307, rel=1e-9)
    assert clip["scale"]["tilt_deg"]["value"] == pytest.approx(0.3)
    assert [line["angle_share_deg"] for line in shot["budget"]] == pytest.approx([0.0, 0.15, 0.14, 0.08])
    assert shot["design"]["exit_angle_deg"]["designed"] == pytest.approx(52.0)
    assert shot["design"]["exit_angle_deg"]["difference"]["value"] == pytest.approx(1.4)
    assert shot["design"]["spin_rev_s"]["designed"] == pytest.approx(8.0)
    assert shot["design"]["exit_speed_m_s"]["designed"] == 7.2
    assert (shot["exit_x_px"], shot["exit_y_px"]) == (204.0, 512.0)
    first, last = shot["path"][0], shot["path"][-1]
    assert (first["frame"], first["used"], last["used"]) == (31, True, False)
    assert first["t_s"] == pytest.approx(31 / 240)


@pytest.mark.parametrize(
    ("turns", "size", "rotation"),
    [(0, (1280, 720), 0), (1, (720, 1280), 90), (2, (1280, 720), 180), (3, (720, 1280), 270)],
)
def test_size_is_that_of_the_upright_picture(turns, size, rotation):
    clip = document([make_clip(picture=Picture(1280, 720, quarter_turns=turns))])["clips"][0]
    assert (clip["width_px"], clip["height_px"]) == size
    assert clip["rotation_deg"] == rotation


def test_what_is_not_finite_is_null():
    path = make_path()
    spoilt = path.x_m.copy()
    spoilt[1] = np.nan
    shot = make_shot(
        exit_x_px=math.nan,
        chi2_per_dof=math.inf,
        spin_rad_s=Number(math.nan, math.nan, math.inf, None, -math.inf),
        spin_source="lift",
        ball_diameter_m=None,
        path=type(path)(**{name: getattr(path, name) for name in path.__slots__} | {"x_m": spoilt}),
    )
    found = document([make_clip([shot])])["clips"][0]["shots"][0]
    assert (found["exit_x_px"], found["chi2_per_dof"]) == (None, None)
    assert set(found["spin_rev_s"].values()) == {None}
    assert found["second_opinions"]["ball_diameter_m"] is None
    assert [row["x_m"] is None for row in found["path"]] == [False, True, False, False, False]
    text = as_json([make_clip([shot])])
    assert "NaN" not in text
    assert "Infinity" not in text


def test_unbounded_spin_and_missing_parts():
    shots = document([in_doubt()])["clips"][0]["shots"]
    assert shots[2]["spin_rev_s"]["high95"] is None
    assert shots[2]["spin_rev_s"]["low95"] == pytest.approx(9.1)
    assert (shots[0]["design"], shots[0]["wheel_budget"]) == (None, None)
    bare = document([make_clip([make_shot(spin_rad_s=None, spin_source="none")])])["clips"][0]["shots"][0]
    assert bare["spin_rev_s"] is None
    empty = document([without_shot()])["clips"][0]
    assert (empty["shots"], empty["scale"], empty["warnings"][0]["code"]) == ([], None, "no_shot_found")


def test_only_what_was_designed_is_compared():
    only = {"exit_speed_m_s": DesignCheck(7.2, Number.of(0.0, 0.1, 0.1), "within")}
    design = document([make_clip([make_shot(design=only)])])["clips"][0]["shots"][0]["design"]
    assert (design["exit_angle_deg"], design["spin_rev_s"]) == (None, None)
    assert design["exit_speed_m_s"]["verdict"] == "within"


def test_numpy_numbers_do_not_leak():
    shot = make_shot(
        shot=np.int64(3), exit_x_px=np.float32(1.5), sightings=np.int64(9), chi2_per_dof=np.float64(1.0)
    )
    found = json.loads(as_json([make_clip([shot], frames=np.int64(240))]))["clips"][0]
    assert follows(found, CLIP) == []
    assert (found["shots"][0]["shot"], found["shots"][0]["exit_x_px"]) == (3, 1.5)


def test_text_survives_any_pipe():
    text = as_json([make_clip(clip="Wurf \N{GREEK SMALL LETTER MU}\N{SNOWMAN}.mp4")])
    assert text.isascii()
    assert json.loads(text)["clips"][0]["clip"] == "Wurf \N{GREEK SMALL LETTER MU}\N{SNOWMAN}.mp4"


def test_budget_squares_add_up_to_the_uncertainty():
    shot = document([make_clip()])["clips"][0]["shots"][0]
    total = math.hypot(*(line["speed_share_m_s"] for line in shot["budget"]))
    assert total == pytest.approx(shot["exit_speed_m_s"]["u"], rel=1e-3)


def test_golden_document():
    results = [with_everything(), in_doubt(), without_shot(), failed()]
    text = as_json(results).replace(f'"{__version__}"', '"VERSION"', 1)
    assert approximately(json.loads(golden("measure.json", text + "\n")), json.loads(text))


def approximately(one, other):
    """Whether two documents agree, floats to 12 digits: the last may differ between machines."""
    if isinstance(one, float) and isinstance(other, float):
        return math.isclose(one, other, rel_tol=1e-12, abs_tol=1e-300)
    if isinstance(one, dict) and isinstance(other, dict):
        return list(one) == list(other) and all(approximately(one[key], other[key]) for key in one)
    if isinstance(one, list) and isinstance(other, list):
        return len(one) == len(other) and all(map(approximately, one, other))
    return type(one) is type(other) and one == other
