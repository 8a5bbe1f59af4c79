"""Made rooms filmed by a camera that moves as stated: what was measured, and that it can be taken out."""

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calibration.steady import Steadiness, SteadyWatch, put_back, take_out

W, H = 960, 540
CENTRE = np.array([(W - 1) / 2, (H - 1) / 2])
PROBES = np.array([[W / 2, H / 2], [90.0, 80.0], [870.0, 90.0], [100.0, 460.0], [860.0, 450.0]])


def room(seed=1, contrast=1.0):
    """A wall with mottles, posters and edges, larger than the picture, at twice its resolution."""
    rng = np.random.default_rng(seed)
    wall = cv2.GaussianBlur(rng.normal(0, 1, (2 * H + 400, 2 * W + 400)), (0, 0), 6) * 60
    wall += 110
    for _ in range(60):
        x, y, w, h = rng.integers([0, 0, 40, 40], [2 * W + 300, 2 * H + 300, 200, 160])
        wall[y : y + h, x : x + w] = rng.uniform(50, 190)
    return np.float32(110 + contrast * (cv2.GaussianBlur(wall, (0, 0), 2.0) - 110))


def motion(dx=0.0, dy=0.0, turn_rad=0.0, zoom=1.0):
    """First picture to this one, (3, 3), about the picture's centre."""
    c, s = zoom * np.cos(turn_rad), zoom * np.sin(turn_rad)
    about = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]])
    there, back = np.eye(3), np.eye(3)
    there[:2, 2], back[:2, 2] = -CENTRE, CENTRE + np.array([dx, dy])
    return back @ about @ there


def picture(wall, m, rng=None, noise=2.0):
    """What the camera sees after motion m: from twice the resolution, so that resampling adds no error."""
    to_fine = np.array([[2, 0, 200.5], [0, 2, 200.5], [0, 0, 1.0]])
    fine = np.array([[2, 0, 0.5], [0, 2, 0.5], [0, 0, 1.0]])
    large = cv2.warpPerspective(
        wall, fine @ m @ np.linalg.inv(to_fine), (2 * W, 2 * H), flags=cv2.INTER_CUBIC
    )
    seen = cv2.resize(large, (W, H), interpolation=cv2.INTER_AREA)
    if rng is not None:
        seen = seen + rng.normal(0, noise, seen.shape)
    return np.uint8(np.clip(np.rint(seen), 0, 255))


def watched(wall, motions, spoil=None, avoid=None, noise=2.0):
    rng = np.random.default_rng(7)
    watch = SteadyWatch()
    for k, m in enumerate(motions):
        luma = picture(wall, m, rng, noise)
        if spoil is not None:
            spoil(luma, k)
        watch.see(k, luma, None if avoid is None else avoid(k))
    return watch.result()


def errors(steady, motions):
    """Distance of taken-out probe points from where they were in the first picture, (frames, probes)."""
    out = []
    for k, m in enumerate(motions):
        seen = cv2.perspectiveTransform(PROBES[:, None], m @ np.linalg.inv(motions[0]))[:, 0]
        out.append(np.linalg.norm(take_out(steady, np.full(len(PROBES), k), seen) - PROBES, axis=1))
    return np.array(out)


def shake(k, size=15.0):
    t = k / 120
    return motion(
        size * np.sin(2 * np.pi * 1.1 * t),
        0.7 * size * np.sin(2 * np.pi * 0.7 * t),
        0.006 * np.sin(2 * np.pi * 0.9 * t),
    )


def walker(luma, k):
    """Somebody who crosses the picture and hides a quarter of it."""
    x = 6 * k - 100
    rng = np.random.default_rng(k)
    left, right = max(0, x), max(0, min(W, x + 240))
    luma[60:, left:right] = np.uint8(np.clip(rng.normal(90, 40, (H - 60, right - left)), 0, 255))


def test_a_slow_shake_of_15_px_is_measured_to_a_tenth():
    motions = [shake(k) for k in range(100)]
    steady = watched(room(), motions)
    assert steady.is_moving
    assert steady.jumps == ()
    off = errors(steady, motions)
    assert np.sqrt(np.mean(off[:, 0] ** 2)) < 0.05  # in the middle
    assert np.sqrt(np.mean(off**2)) < 0.1  # corners included
    truth = np.array([(m @ np.linalg.inv(motions[0]) @ [*CENTRE, 1])[:2] - CENTRE for m in motions])
    assert np.abs(truth).max() > 12
    np.testing.assert_allclose(steady.shift_px, truth, atol=0.12)


def test_a_wall_fainter_than_the_noise_is_no_ground_to_stand_on():
    motions = [motion()] * 60
    steady = watched(room(contrast=0.3), motions, noise=4.0)
    assert not steady.is_moving
    assert errors(steady, motions).max() < 0.03


@pytest.mark.parametrize(("contrast", "noise"), [(1.0, 4.0), (0.5, 2.0)])
def test_a_still_picture_is_left_alone(contrast, noise):
    motions = [motion()] * 60
    steady = watched(room(contrast=contrast), motions, noise=noise)
    assert not steady.is_moving
    assert errors(steady, motions).max() < 0.03
    assert steady.measured


def test_people_and_balls_do_not_move_the_room():
    motions = [motion()] * 120

    def spoil(luma, k):
        walker(luma, k)
        cv2.circle(luma, (40 + 7 * k, 300 - 4 * (k % 60)), 25, 200, -1)

    steady = watched(room(), motions, spoil=spoil)
    assert errors(steady, motions).max() < 0.03
    assert not steady.is_moving


def test_a_shake_is_measured_past_a_walker():
    motions = [shake(k, size=6.0) for k in range(120)]
    off = errors(watched(room(), motions, spoil=walker), motions)
    assert np.sqrt(np.mean(off**2)) < 0.1


def test_a_flickering_lamp_is_no_motion():
    def lamp(luma, k):
        luma[:] = np.uint8(np.clip(luma * (1 + 0.25 * np.sin(k)) + 8 * np.cos(k), 0, 255))

    motions = [motion()] * 60
    assert errors(watched(room(), motions, spoil=lamp), motions).max() < 0.03


def test_a_slow_drift_does_not_hide():
    motions = [motion(0.01 * k, -0.004 * k) for k in range(120)]
    steady = watched(room(), motions)
    assert steady.is_moving
    off = errors(steady, motions)
    assert off.max() < 0.1
    assert np.sqrt(np.mean(off**2)) < 0.05


def test_a_knock_is_followed_and_reported():
    motions = [motion(*(12.5, -9.3) if k >= 40 else (0, 0)) for k in range(70)]
    steady = watched(room(), motions)
    assert len(steady.jumps) == 1
    assert 40 <= steady.jumps[0] <= 45  # a still picture is looked at every sixth frame
    off = errors(steady, motions)
    assert off[:40].max() < 0.1
    assert off[45:].max() < 0.1
    assert np.all(steady.u_px[40 : steady.jumps[0]] > 9)  # when in between is not known, and it says so


def test_a_far_knock_is_found_again():
    motions = [motion(*(31.0, 22.0) if k >= 20 else (0, 0)) for k in range(60)]
    off = errors(watched(room(), motions), motions)
    assert off[40:].max() < 0.15


def test_a_change_of_zoom_is_noticed():
    motions = [motion(zoom=1.006 if k >= 30 else 1.0) for k in range(60)]
    steady = watched(room(), motions)
    assert any(30 <= jump <= 35 for jump in steady.jumps)
    np.testing.assert_allclose(steady.log_scale[36:], np.log(1.006), atol=2e-4)


def test_turning_the_camera_moves_the_edges_more_than_the_middle():
    """x' = K R inv(K) x with f = 700 px: Hartley & Zisserman, Multiple View Geometry (2004), 8.4.2."""
    f = 700.0
    K = np.array([[f, 0, CENTRE[0]], [0, f, CENTRE[1]], [0, 0, 1]])
    motions = [
        K
        @ cv2.Rodrigues(np.array([0.010 * np.sin(k / 15), 0.016 * np.sin(k / 20), 0.0]))[0]
        @ np.linalg.inv(K)
        for k in range(100)
    ]
    steady = watched(room(), motions)
    assert steady.lean_per_px2 == pytest.approx(1 / f**2, rel=0.15)
    off = errors(steady, motions)
    assert np.sqrt(np.mean(off**2)) < 0.1
    flat = Steadiness(
        steady.frame,
        steady.shift_px,
        steady.rotation_rad,
        steady.log_scale,
        steady.u_px,
        steady.residual_px,
        steady.jumps,
        steady.centre_px,
        0.0,
        steady.arm_px,
        steady.patches,
    )
    assert errors(flat, motions).max() > 1.0  # what leaving it out would cost


def test_the_stated_uncertainty_is_the_size_of_the_errors():
    motions = [shake(k, size=8.0) for k in range(100)]
    steady = watched(room(), motions)
    seen = [cv2.perspectiveTransform(PROBES[:, None], m @ np.linalg.inv(motions[0]))[:, 0] for m in motions]
    ratio = [
        np.linalg.norm(take_out(steady, np.full(5, k), seen[k]) - PROBES, axis=1)
        / np.sqrt(2)
        / steady.u_at(np.full(5, k), PROBES)
        for k in range(1, 100)
    ]
    assert 0.4 < np.sqrt(np.mean(np.square(ratio))) < 2.5


def test_boxes_to_avoid_are_not_looked_at():
    """Two thirds of the picture slide together; only the stated boxes say that this is not the room."""
    motions = [motion()] * 40
    scenery = room(seed=5)

    def spoil(luma, k):
        luma[:, : 2 * W // 3] = picture(scenery, motion(3.0 * min(k, 12)))[:, : 2 * W // 3]

    def boxes(_k):
        return [[0, 0, 2 * W // 3, H]]

    assert errors(watched(room(), motions, spoil=spoil, avoid=boxes), motions).max() < 0.03
    assert errors(watched(room(), motions, spoil=spoil), motions).max() > 1.0


def test_a_blank_wall_says_nothing():
    watch = SteadyWatch()
    for k in range(10):
        watch.see(k, np.full((H, W), 128, np.uint8))
    steady = watch.result()
    assert not steady.measured
    assert not steady.is_moving
    assert np.all(np.isinf(steady.u_px))
    xy = np.array([[3.0, 4.0]])
    np.testing.assert_array_equal(take_out(steady, [5], xy), xy)


def test_no_picture_is_no_motion():
    steady = SteadyWatch().result()
    assert len(steady.frame) == 0
    assert not steady.is_moving
    np.testing.assert_array_equal(take_out(steady, [0], [[3.0, 4.0]]), [[3.0, 4.0]])


def test_padded_rows_do_not_matter():
    wide = np.zeros((H, W + 64), np.uint8)
    wide[:, :W] = picture(room(), motion())
    watch, plain = SteadyWatch(), SteadyWatch()
    for k in range(3):
        watch.see(k, wide[:, :W])
        plain.see(k, wide[:, :W].copy())
    np.testing.assert_array_equal(watch.result().shift_px, plain.result().shift_px)


@settings(max_examples=50, deadline=None)
@given(
    x=st.floats(0, W),
    y=st.floats(0, H),
    dx=st.floats(-15, 15),
    dy=st.floats(-15, 15),
    turn=st.floats(-0.02, 0.02),
    growth=st.floats(-0.02, 0.02),
)
def test_taking_out_and_putting_back_is_the_identity(x, y, dx, dy, turn, growth):
    one = np.ones(1)
    steady = Steadiness(
        np.array([4]),
        np.array([[dx, dy]]),
        one * turn,
        one * growth,
        one,
        one,
        (),
        CENTRE,
        1 / 700**2,
        300.0,
        20,
    )
    xy = np.array([[x, y]])
    assert np.abs(put_back(steady, [4], take_out(steady, [4], xy)) - xy).max() < 1e-6


@pytest.mark.parametrize("seed", range(6))
def test_pictures_that_share_nothing_are_not_compared(seed):
    watch = SteadyWatch()
    for k in range(2):
        noise = np.random.default_rng(10 * seed + k).normal(0, 1, (H, W))
        seen = cv2.normalize(cv2.GaussianBlur(noise, (0, 0), 3), None, 0, 255, cv2.NORM_MINMAX)
        watch.see(k, np.uint8(seen))
    found = watch.result()
    assert not found.measured
    assert found.shift_px.tolist() == [[0.0, 0.0]] * 2
