"""The fixtures' integrator against closed forms, and the fixtures against their own description."""

from __future__ import annotations

import json
import math
import sys
import tomllib
from pathlib import Path

import av
import numpy as np
import pytest

from tracker.setup_file.read import read_setup

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"
NAMES = sorted(path.name.removesuffix(".truth.json") for path in FIXTURES.glob("*.truth.json"))


@pytest.fixture(name="flight", scope="module")
def flight_module():
    sys.path.insert(0, str(FIXTURES))
    try:
        import flight  # noqa: PLC0415 - a script's neighbour, not a package

        yield flight
    finally:
        sys.path.remove(str(FIXTURES))


def test_without_drag_and_spin_it_is_a_parabola(flight) -> None:
    # Closed form with g' = g (m - m_air)/(m + m_air/2): Archimedes and the added mass of a sphere.
    throw = flight.Throw(0.1, 1.0, 5.0, 60.0, 0.0, drag=0.0)
    path, end = flight.fly(throw, 3.0)
    air = 1.2 * math.pi / 6 * 0.14**3
    g = 9.80665 * (0.088 - air) / (0.088 + air / 2)
    t = np.linspace(0, end - 0.1, 50)
    place = path.at(0.1 + t)[0]
    np.testing.assert_allclose(place[:, 0], 5 * math.cos(math.radians(60)) * t, atol=1e-8)
    np.testing.assert_allclose(place[:, 2], 1 + 5 * math.sin(math.radians(60)) * t - g * t * t / 2, atol=1e-8)
    assert place[-1, 2] == pytest.approx(0.07, abs=1e-8)


def test_falling_ball_follows_the_tanh_law(flight) -> None:
    # Quadratic drag from rest: v = v_t tanh(g' t/v_t), z = z0 - v_t^2/g' ln cosh(g' t/v_t).
    throw = flight.Throw(0.0, 12.0, 1e-9, 0.0, 0.0, drag=0.5)
    path, end = flight.fly(throw, 5.0)
    air = 1.2 * math.pi / 6 * 0.14**3
    inertia = 0.088 + air / 2
    g = 9.80665 * (0.088 - air) / inertia
    terminal = math.sqrt(2 * inertia * g / (1.2 * math.pi * 0.07**2 * 0.5))
    t = np.linspace(0.05, end, 20)
    place, speed, _, _ = path.at(t)
    np.testing.assert_allclose(-speed[:, 2], terminal * np.tanh(g * t / terminal), rtol=1e-6)
    np.testing.assert_allclose(
        place[:, 2], 12 - terminal**2 / g * np.log(np.cosh(g * t / terminal)), atol=1e-6
    )


def test_backspin_lifts_across_the_velocity(flight) -> None:
    # At exit the lift alone: (rho A C_L/2) v^2/(m + m_air/2), square to v and upward; S = r w/v = 0.5.
    air = 1.2 * math.pi / 6 * 0.14**3
    spin = 0.5 * 6.0 / 0.07
    with_spin, without = (
        flight._rates(flight.Throw(0, 1, 6.0, 50.0, w))(
            0.0, np.array([0, 0, 1, 6 * math.cos(0.8), 0, 6 * math.sin(0.8), 0, w])
        )[3:6]
        for w in (spin, 0.0)
    )
    lift = 1.2 * math.pi * 0.07**2 / 2 * (1 / (2 + 1 / 0.5)) * 36 / (0.088 + air / 2)
    np.testing.assert_allclose(
        with_spin - without, lift * np.array([-math.sin(0.8), 0, math.cos(0.8)]), atol=1e-9
    )


def test_every_fixture_is_described_and_small() -> None:
    assert len(NAMES) >= 12
    listed = (FIXTURES / "README.md").read_text(encoding="utf-8")
    assert [name for name in NAMES if f"| `{name}` |" not in listed] == []
    sizes = [(FIXTURES / f"{name}.mp4").stat().st_size for name in NAMES]
    assert max(sizes) < 1_500_000
    assert sum(sizes) < 8_000_000


@pytest.mark.parametrize("name", NAMES)
def test_truth_fits_clip_and_setup(name: str) -> None:
    truth = json.loads((FIXTURES / f"{name}.truth.json").read_text(encoding="utf-8"))
    setup = read_setup(FIXTURES / f"{name}.setup.toml")
    camera = truth["camera"]
    size = [camera["stored_width"], camera["stored_height"]]
    with av.open(str(FIXTURES / f"{name}.mp4"), format="mp4") as clip:
        stream = clip.streams.video[0]
        pts = sorted(p.pts for p in clip.demux(stream) if p.pts is not None)
        base = float(stream.time_base)
        assert [stream.codec_context.width, stream.codec_context.height] == size
    times = np.array(pts) * base / truth["stretch"]
    frames = [frame for frame in truth["frames"] if frame["balls"]]
    assert bool(frames) == bool(truth["shots"])
    told = np.array([[frame["frame"], frame["t_s"]] for frame in frames]).reshape(-1, 2)
    np.testing.assert_allclose(times[told[:, 0].astype(int)], told[:, 1], atol=0.6 * base)
    for frame in frames[:: max(1, len(frames) // 12)]:
        for ball in frame["balls"]:
            check_projection(truth, frame.get("R_room_to_cam", truth["camera"]["R_room_to_cam"]), ball, size)
    if setup.reference is not None and setup.reference.length_m:
        a, b = (np.array(point["world_m"]) for point in truth["reference"])
        assert np.linalg.norm(a - b) == pytest.approx(setup.reference.length_m, abs=1e-3)
        clicks = setup.reference.points_px - [point["px"] for point in truth["reference"]]
        # Clicked with a standard deviation of 0.7 px; beyond 3 px would be a slip.
        assert 0 < np.abs(clicks).max() < 3


def check_projection(truth: dict, turn: list, ball: dict, size: list[int]) -> None:
    """x_px = c + f X/Z in stored pixels, then turned: written out here, apart from the renderer's."""
    camera = truth["camera"]
    x = camera["x_of_room"]["sign"] * ball["x_m"] + camera["x_of_room"]["origin_m"]
    room = np.array([x, ball["y_m"], ball["z_m"]])
    seen = np.array(camera["K"]) @ np.array(turn) @ (room - camera["centre_m"])
    u, v = seen[:2] / seen[2]
    if truth["quarter_turns"] == 3:
        u, v = size[1] - 1 - v, u
    assert np.hypot(u - ball["px"], v - ball["py"]) < 0.01


def test_setups_are_what_a_user_would_type() -> None:
    for name in NAMES:
        table = tomllib.loads((FIXTURES / f"{name}.setup.toml").read_text(encoding="utf-8"))
        assert set(table) <= {"ball", "reference", "camera"}
        assert ("reference" in table) == (name != "no_reference")
