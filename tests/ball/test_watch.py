"""The ball room from frames to sightings, on short made films."""

from __future__ import annotations

import math
from dataclasses import replace

import made_frames as made
import numpy as np
import pytest

from tracker.ball.watch import BallHint, BallWatch, common_radius, needs_survey
from tracker.values import STRIP_ANGLES, STRIP_ROWS, Sightings

H, W = 240, 400
RADIUS = 11.0


def watch(frames: list[made.Frame], hint: BallHint) -> Sightings:
    room = BallWatch(hint)
    for frame in frames:
        room.see(frame)
    return room.result()


def flown(count: int = 40, radius: float = RADIUS, **look: object) -> list[made.Disc]:
    return [replace(b, **look) for b in made.thrown(count, radius, y=200.0, vx=7.5, vy=-8.0)]


def matched(seen: Sightings, balls: list[made.Disc], first: int = 1) -> tuple[np.ndarray, np.ndarray]:
    """Rows of the sightings that are these balls and whole in the picture, and their errors (n, 2)."""
    rows, errors = [], []
    for row in range(len(seen)):
        k = int(seen.frame[row]) - first
        if not 0 <= k < len(balls) or seen.at_border[row]:
            continue
        off = np.array([seen.x_px[row] - balls[k].x, seen.y_px[row] - balls[k].y])
        if np.hypot(*off) < balls[k].radius:
            rows.append(row)
            errors.append(off)
    return np.array(rows, dtype=int), np.array(errors).reshape(-1, 2)


def inside(balls: list[made.Disc]) -> int:
    return sum(b.radius + 3 < b.x < W - b.radius - 3 and b.radius + 3 < b.y < H - b.radius - 3 for b in balls)


def test_a_thrown_ball_from_frames_to_sightings() -> None:
    balls = flown()
    seen = watch(made.film(made.textured(H, W, 2), [[], *([b] for b in balls)]), BallHint("orange", RADIUS))
    rows, errors = matched(seen, balls)
    assert len(rows) >= inside(balls) - 1
    assert len(seen) == len(rows) + seen.at_border.sum(), "something else was taken for the ball"
    assert np.sqrt((errors**2).mean()) < 0.1
    assert np.median(np.abs(seen.radius_px[rows] - RADIUS)) < 0.3
    assert np.all(np.diff(seen.frame) >= 0)
    assert seen.strips.shape == (len(seen), STRIP_ROWS, STRIP_ANGLES)
    orange = math.atan2(190 - 128, 90 - 128)
    assert np.abs(np.angle(np.exp(1j * (seen.hue_rad[rows] - orange)))).max() < 0.3


def test_without_a_hint_of_its_size() -> None:
    balls = flown()
    seen = watch(made.film(made.textured(H, W, 2), [[], *([b] for b in balls)]), BallHint("orange"))
    rows, errors = matched(seen, balls)
    assert len(rows) >= inside(balls) - 2
    assert np.sqrt((errors**2).mean()) < 0.1


def test_a_wrong_size_from_a_reference_behind_the_flight_does_no_harm() -> None:
    # The reference stands behind the plane of flight, so that the ball looks an eighth larger than told.
    balls = flown()
    seen = watch(
        made.film(made.textured(H, W, 2), [[], *([b] for b in balls)]), BallHint("orange", RADIUS / 1.12)
    )
    rows, errors = matched(seen, balls)
    assert len(rows) >= inside(balls) - 1
    assert np.median(seen.radius_px[rows]) == pytest.approx(RADIUS, rel=0.03)
    assert np.sqrt((errors**2).mean()) < 0.12


@pytest.mark.parametrize(
    ("colour", "yuv"),
    [("white", (225.0, 128.0, 128.0)), ("black", (25.0, 128.0, 128.0)), (None, (225.0, 128.0, 128.0))],
)
def test_a_ball_without_colour(colour: str | None, yuv) -> None:
    balls = flown(yuv=yuv)
    seen = watch(made.film(made.textured(H, W, 2), [[], *([b] for b in balls)]), BallHint(colour, RADIUS))
    rows, errors = matched(seen, balls)
    assert len(rows) >= inside(balls) - 4
    assert np.sqrt((errors**2).mean()) < 0.15


def test_two_balls_in_the_air_are_two_sightings_a_frame() -> None:
    first = flown()
    second = [replace(b, x=b.x + 60.0, y=b.y + 15.0) for b in first]
    frames = made.film(made.plain(H, W), [[], *([a, b] for a, b in zip(first, second, strict=True))])
    seen = watch(frames, BallHint("orange", RADIUS))
    for balls in (first, second):
        rows, errors = matched(seen, balls)
        assert len(rows) >= inside(balls) - 1
        assert np.sqrt((errors**2).mean()) < 0.1


def test_a_ball_behind_a_plate_is_not_pulled() -> None:
    # A plate covers the left of the picture up to x = 90: what shows of the ball grows from frame to frame.
    ground = made.plain(H, W)
    plate = np.zeros((H, W), dtype=bool)
    plate[:, :90] = True
    balls = flown(50)
    rng = np.random.default_rng(4)
    frames = []
    for k, discs in enumerate([[], *([b] for b in balls)]):
        full = np.where(plate[None], 70.0, made.drawn(ground, discs))
        frames.append(made.Frame(k, *made.planes(full, rng, 1.0)))
    seen = watch(frames, BallHint("orange", RADIUS))
    rows, errors = matched(seen, balls)
    hidden = np.array([balls[int(seen.frame[r]) - 1].x - RADIUS < 90 for r in rows])
    off = np.hypot(*errors.T)
    assert hidden.any()
    # A centroid of what shows is off by up to 0.4 radii = 4 px.
    assert np.all((off < 0.5) | (seen.visible[rows] < 0.75))
    assert np.sqrt((errors[~hidden] ** 2).mean()) < 0.1
    assert np.median(seen.visible[rows][hidden]) < np.median(seen.visible[rows][~hidden])


def test_something_larger_of_the_same_colour_that_moves_along_does_no_harm() -> None:
    # A bag is carried through the picture all the time: its size is not taken for the ball's.
    balls = flown()
    bags = [made.Disc(20.0 + 1.5 * k, 205.0, 2.2 * RADIUS) for k in range(len(balls))]
    frames = made.film(made.plain(H, W), [[], *([a, b] for a, b in zip(bags, balls, strict=True))])
    seen = watch(frames, BallHint("orange", RADIUS))
    rows, errors = matched(seen, balls)
    apart = np.array(
        [np.hypot(bags[f - 1].x - balls[f - 1].x, bags[f - 1].y - balls[f - 1].y) for f in seen.frame[rows]]
    )
    clear = apart > 3.6 * RADIUS
    assert clear.sum() >= 25
    assert np.sqrt((errors[clear] ** 2).mean()) < 0.1


def test_the_edge_of_the_picture_is_told() -> None:
    balls = [made.Disc(300.0 + 6.0 * k, 100.0, RADIUS) for k in range(18)]
    seen = watch(made.film(made.plain(H, W), [[], *([b] for b in balls)]), BallHint("orange", RADIUS))
    cut = np.array([balls[int(f) - 1].x + RADIUS > W - 1 for f in seen.frame])
    assert cut.any()
    assert np.all(seen.at_border[cut])
    assert not seen.at_border[seen.x_px < W - 2 * RADIUS].any()


def test_streaks_are_measured_and_their_centres_are_those_of_mid_exposure() -> None:
    # The shutter is open for 0.8 of a frame: the ball is drawn out by nearly its diameter.
    way = (18.0, 0.0)
    balls = [
        made.Disc(
            30.0 + way[0] * k, 150.0 - 4.0 * k + 0.2 * k * k, 11.0, streak=(0.8 * way[0], -3.2 + 0.32 * k)
        )
        for k in range(20)
    ]
    seen = watch(made.film(made.plain(H, W), [[], *([b] for b in balls)]), BallHint("orange", 11.0))
    rows, errors = matched(seen, balls)
    assert len(rows) >= inside(balls) - 2
    assert np.sqrt((errors**2).mean()) < 0.25
    assert np.median(seen.streak_px[rows]) == pytest.approx(0.8 * 18.2, rel=0.15)


def test_streaks_of_three_diameters() -> None:
    way = 30.0
    balls = [made.Disc(30.0 + way * k, 150.0 - 2.0 * k, 5.0, streak=(way, -2.0)) for k in range(12)]
    seen = watch(made.film(made.plain(H, W), [[], *([b] for b in balls)]), BallHint("orange", 5.0))
    rows, errors = matched(seen, balls)
    assert len(rows) >= 9
    assert np.sqrt((errors**2).mean()) < 0.6
    assert np.median(seen.streak_px[rows]) > 20.0


def test_an_empty_hall_shows_nothing() -> None:
    seen = watch(
        made.film(made.textured(H, W, 9), [[] for _ in range(30)], noise=2.0), BallHint("orange", RADIUS)
    )
    assert len(seen) == 0
    assert seen.strips.shape == (0, STRIP_ROWS, STRIP_ANGLES)
    assert len(BallWatch(BallHint("orange")).result()) == 0


def test_a_second_look_at_the_same_film_is_the_same() -> None:
    frames = made.film(made.textured(H, W, 2), [[], *([b] for b in flown(25))])
    one, two = (watch(frames, BallHint("orange", RADIUS)) for _ in range(2))
    np.testing.assert_array_equal(one.x_px, two.x_px)
    np.testing.assert_array_equal(one.strips, two.strips)


def test_memory_does_not_grow_with_the_film() -> None:
    room = BallWatch(BallHint("orange", RADIUS))
    frames = made.film(made.plain(H, W), [[], *([b] for b in flown(30))])
    kept = []
    for lap in range(6):
        for frame in frames:
            room.see(made.Frame(frame.index + lap * len(frames), frame.y, frame.u, frame.v))
        kept.append(sum(len(cuts) for cuts in room._cuts.values()) + len(room._recent))
    assert max(kept) < 48 * 4 + 2 * len(frames)


# -- what is learnt before the ball is looked for -----------------------------------------------


def test_which_films_need_a_survey() -> None:
    assert needs_survey(BallHint("white"))
    assert needs_survey(BallHint(None))
    assert not needs_survey(BallHint("orange"))
    assert not needs_survey(BallHint("white", 12.0))


def test_the_radius_that_most_round_things_share() -> None:
    balls = flown(yuv=(225.0, 128.0, 128.0))
    frames = made.film(made.textured(H, W, 2), [[], *([b] for b in balls)])
    found = common_radius(watch(frames, BallHint("white")))
    assert found == pytest.approx(RADIUS, rel=0.06)


def test_too_few_clear_things_share_no_radius() -> None:
    frames = made.film(made.textured(H, W, 2), [[], *([b] for b in flown(6, yuv=(225.0, 128.0, 128.0)))])
    assert common_radius(watch(frames, BallHint("white"))) is None
