"""Lenses of stated parameters: there and back, slopes, turning, files, and boards filmed through them."""

import pickle

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calibration.errors import CalibrationError
from calibration.lens import (
    Lens,
    bend,
    bend_sensitivity,
    bend_slopes,
    fold_radius,
    require,
    straighten,
    straighten_sensitivity,
    u_straight_px,
)
from calibration.lens_file import read_lens, write_lens
from calibration.lens_fit import CornerSet, calibrate_from_corners, calibrate_lens, cover
from calibration.values import Picture

WIDE = (-0.18, 0.03, 0.0, 0.0, 0.0)
CROOKED = (-0.25, 0.06, 0.0012, -0.0008, 0.002)
PILLOW = (0.08, 0.01, -0.0005, 0.0007, 0.0)


def lens(distortion=WIDE, *, width_px=1280, height_px=720, f=760.0):
    spread = np.diag([0.3, 0.3, 0.3, 0.3, 4e-4, 8e-4, 2e-5, 2e-5, 5e-4])
    return Lens(
        width_px, height_px, f, 1.01 * f, 641.2, 356.8, np.array(distortion), spread**2, "720p", 0.1, 12
    )


def everywhere(a_lens, step=16):
    x, y = np.meshgrid(np.arange(0, a_lens.width_px, step), np.arange(0, a_lens.height_px, step))
    return np.stack([x.ravel(), y.ravel()], axis=1).astype(float)


@pytest.mark.parametrize("distortion", [WIDE, CROOKED, PILLOW, (0, 0, 0, 0, 0)])
def test_there_and_back_everywhere_in_the_picture(distortion):
    a_lens = lens(distortion)
    xy = everywhere(a_lens)
    straight = straighten(a_lens, xy)
    assert np.all(np.isfinite(straight))
    assert np.abs(bend(a_lens, straight) - xy).max() < 1e-9
    assert np.abs(straighten(a_lens, bend(a_lens, xy)) - xy)[np.isfinite(bend(a_lens, xy)[:, 0])].max() < 1e-9


@pytest.mark.parametrize("distortion", [WIDE, CROOKED, PILLOW])
def test_bending_is_what_opencv_projects(distortion):
    """cv2.projectPoints of points on the pinhole's own rays: the reference implementation of the model."""
    a_lens = lens(distortion)
    xy = everywhere(a_lens, 64)
    rays = np.column_stack([(xy - [a_lens.cx, a_lens.cy]) / [a_lens.fx, a_lens.fy], np.ones(len(xy))])
    truth, _ = cv2.projectPoints(rays, np.zeros(3), np.zeros(3), a_lens.camera_matrix, a_lens.distortion)
    np.testing.assert_allclose(bend(a_lens, xy), truth.reshape(-1, 2), atol=1e-9)


def test_beyond_the_fold_there_is_no_straight_point():
    a_lens = lens((-0.35, 0.0, 0.0, 0.0, 0.0))
    fold = fold_radius(a_lens)
    assert fold == pytest.approx(np.sqrt(1 / (3 * 0.35)), rel=1e-12)  # d(r - 0.35 r^3)/dr = 0
    farthest_px = a_lens.fx * (fold - 0.35 * fold**3)
    ring = np.array([[a_lens.cx + farthest_px * k, a_lens.cy] for k in (0.5, 0.98, 1.02, 3.0)])
    straight = straighten(a_lens, ring)
    assert np.all(np.isfinite(straight[:2]))
    assert np.all(np.isnan(straight[2:]))
    assert np.abs(bend(a_lens, straight[:2]) - ring[:2]).max() < 1e-6
    beyond = np.array([[a_lens.cx + 1.05 * fold * a_lens.fx, a_lens.cy]])
    assert np.all(np.isnan(bend(a_lens, beyond)))


@settings(max_examples=60, deadline=None)
@given(
    k1=st.floats(-0.4, 0.3),
    k2=st.floats(-0.1, 0.15),
    p1=st.floats(-0.002, 0.002),
    p2=st.floats(-0.002, 0.002),
    k3=st.floats(-0.02, 0.02),
    x=st.floats(0, 1279),
    y=st.floats(0, 719),
)
def test_straightening_is_exact_or_refuses(k1, k2, p1, p2, k3, x, y):
    a_lens = lens((k1, k2, p1, p2, k3))
    xy = np.array([[x, y]])
    straight = straighten(a_lens, xy)
    if np.all(np.isfinite(straight)):
        assert np.abs(bend(a_lens, straight) - xy).max() < 1e-6


def test_slopes_and_sensitivities_are_the_derivatives():
    a_lens = lens(CROOKED)
    xy = everywhere(a_lens, 160)
    for axis in (0, 1):
        e = np.eye(2)[axis] * 1e-3
        numeric = (bend(a_lens, xy + e) - bend(a_lens, xy - e)) / 2e-3
        np.testing.assert_allclose(bend_slopes(a_lens, xy)[:, :, axis], numeric, atol=1e-6)
    for k, step in enumerate([1e-3] * 4 + [1e-6] * 5):
        e = np.eye(9)[k] * step
        up, down = (
            a_lens.with_parameters(a_lens.parameters + e),
            a_lens.with_parameters(a_lens.parameters - e),
        )
        bent = (bend(up, xy) - bend(down, xy)) / (2 * step)
        np.testing.assert_allclose(bend_sensitivity(a_lens, xy)[:, :, k], bent, rtol=1e-4, atol=1e-4)
        back = (straighten(up, xy) - straighten(down, xy)) / (2 * step)
        np.testing.assert_allclose(straighten_sensitivity(a_lens, xy)[:, :, k], back, rtol=1e-3, atol=1e-3)


def test_uncertainty_is_largest_in_the_corners():
    a_lens = lens()
    u = np.hypot(*u_straight_px(a_lens, [[641.2, 356.8], [960, 360], [0, 0]]).T)
    assert u[0] < 1e-3  # straight and bent are the same in the middle, whatever the lens
    assert u[0] < u[1] < u[2]
    r = a_lens.corner_radius
    assert a_lens.u_k1_corner_px == pytest.approx(4e-4 * r**3 * np.sqrt(760 * 767.6), rel=1e-9)


@pytest.mark.parametrize("turns", [0, 1, 2, 3, 5])
def test_a_turned_picture_has_a_turned_lens(turns):
    a_lens = lens(CROOKED)
    picture = Picture(a_lens.width_px, a_lens.height_px, quarter_turns=turns)
    turned = a_lens.turned(turns)
    assert (turned.width_px, turned.height_px) == (picture.width_px, picture.height_px)
    xy = everywhere(a_lens, 80)
    np.testing.assert_allclose(
        bend(turned, picture.to_upright(xy)), picture.to_upright(bend(a_lens, xy)), atol=1e-9
    )
    u = u_straight_px(turned, picture.to_upright(xy))
    np.testing.assert_allclose(np.hypot(*u.T), np.hypot(*u_straight_px(a_lens, xy).T), rtol=1e-9)


def test_another_picture_size_is_refused():
    require(lens(), 1280, 720)
    with pytest.raises(CalibrationError, match="1280 x 720 px, and the clip's is 1920 x 1080 px"):
        require(lens(), 1920, 1080)
    with pytest.raises(CalibrationError, match="stored turned") as caught:
        require(lens(), 720, 1280)
    assert caught.value.code == "lens_size"


def test_a_lens_survives_its_file(tmp_path):
    a_lens = Lens(
        1280,
        720,
        760.1,
        759.9,
        639.3,
        359.9,
        lens(CROOKED).distortion,
        lens().covariance,
        'high "speed" \\ é',
        0.08,
        12,
    )
    write_lens(tmp_path / "lens.toml", a_lens)
    again = read_lens(tmp_path / "lens.toml")
    np.testing.assert_array_equal(again.parameters, a_lens.parameters)
    np.testing.assert_array_equal(again.covariance, a_lens.covariance)
    assert (again.mode, again.rms_px, again.views) == (a_lens.mode, 0.08, 12)
    assert (again.width_px, again.height_px) == (1280, 720)


def test_a_file_that_is_there_is_kept(tmp_path):
    path = tmp_path / "lens.toml"
    path.write_text("mine", encoding="utf-8")
    with pytest.raises(CalibrationError, match=r"already a file lens\.toml"):
        write_lens(path, lens())
    assert path.read_text(encoding="utf-8") == "mine"
    write_lens(path, lens(), replace=True)
    assert read_lens(path).fx == 760.0
    with pytest.raises(CalibrationError, match="could not be written"):
        write_lens(tmp_path / "nowhere" / "lens.toml", lens())


@pytest.mark.parametrize(
    ("change", "code", "message"),
    [
        (
            lambda text: text.replace("lens_file = 1", "lens_file = 2"),
            "lens_unreadable",
            "not a lens file of this",
        ),
        (lambda text: text.replace("fx = ", "fz = "), "lens_incomplete", "lacks fx"),
        (lambda text: "colour = 3\n" + text, "lens_incomplete", "unknown entry colour"),
        (lambda text: text.replace("k1 = -0.18", "k1 = nan"), "lens_incomplete", "k1 is not a number"),
        (
            lambda text: text.replace("width_px = 1280", "width_px = 12.5"),
            "lens_incomplete",
            "not a whole number",
        ),
        (lambda text: text.replace("fx = 760.0", "fx = -1.0"), "lens_impossible", "focal lengths above zero"),
        (lambda text: text.replace("    [", "    [1.0, "), "lens_incomplete", "symmetric 9 by 9"),
        (lambda text: text.replace('mode = "720p"', "mode = 7"), "lens_incomplete", "mode is not a text"),
        (lambda text: text + "= = =", "lens_unreadable", "cannot be read"),
    ],
)
def test_a_spoilt_file_is_one_sentence(tmp_path, change, code, message):
    write_lens(tmp_path / "good.toml", lens())
    spoilt = change((tmp_path / "good.toml").read_text(encoding="utf-8"))
    (tmp_path / "bad.toml").write_text(spoilt, encoding="utf-8")
    with pytest.raises(CalibrationError, match=message) as caught:
        read_lens(tmp_path / "bad.toml")
    assert caught.value.code == code
    assert pickle.loads(pickle.dumps(caught.value)).advice == caught.value.advice  # noqa: S301 - our own


def test_no_file_is_one_sentence(tmp_path):
    with pytest.raises(CalibrationError, match="no lens file nothing"):
        read_lens(tmp_path / "nothing.toml")
    (tmp_path / "binary.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(CalibrationError, match="cannot be read"):
        read_lens(tmp_path / "binary.toml")


# -- fitting: corners projected by OpenCV through a stated lens -----------------------------------

PLACES = np.stack(np.meshgrid(np.arange(9), np.arange(6)), axis=-1).reshape(-1, 2) * 0.03


def views(a_lens, number, *, tilt=0.5, spread=1.0, noise_px=0.05, seed=3):
    """Boards at random places and tilts that are wholly in the picture."""
    rng = np.random.default_rng(seed)
    sets = []
    while len(sets) < number:
        turn = rng.uniform(-1, 1, 3) * [tilt, tilt, 0.4]
        distance = rng.uniform(0.25, 0.5)
        shift = np.array([rng.uniform(-0.8, 0.8) * spread, rng.uniform(-0.5, 0.5) * spread, 1.0]) * distance
        place = np.column_stack([PLACES - PLACES.mean(axis=0), np.zeros(54)])
        px, _ = cv2.projectPoints(place, turn, shift, a_lens.camera_matrix, a_lens.distortion)
        px = px.reshape(-1, 2)
        if np.all((px > 5) & (px < [a_lens.width_px - 6, a_lens.height_px - 6])):
            sets.append(CornerSet(px + rng.normal(0, noise_px, px.shape), PLACES))
    return sets


def test_a_stated_lens_is_found_within_its_own_uncertainty():
    truth = lens((-0.18, 0.03, 0.0005, -0.0003, 0.0))
    a_lens = calibrate_from_corners(views(truth, 14), 1280, 720, mode="here")
    u = np.sqrt(np.diag(a_lens.covariance))
    assert np.all(np.abs(a_lens.parameters - truth.parameters)[:8] < 4 * u[:8])
    assert a_lens.distortion[4] == 0.0  # k3 is not there, and nothing is made of noise
    assert u[8] > 0
    assert a_lens.rms_px == pytest.approx(0.05 * np.sqrt(2), rel=0.1)
    assert (a_lens.views, a_lens.mode) == (14, "here")


def test_the_covariance_is_the_scatter():
    """40 boards' worth of noise: spread of all nine against the stated one, within 4 sd of a sample sd."""
    truth = lens((-0.18, 0.03, 0.0005, -0.0003, 0.01))
    exact = views(truth, 10, noise_px=0.0)
    rng = np.random.default_rng(4)
    fits = []
    for _ in range(40):
        noisy = [CornerSet(v.points_px + rng.normal(0, 0.05, v.points_px.shape), v.points_m) for v in exact]
        fits.append(calibrate_from_corners(noisy, 1280, 720, third=True))
    scatter = np.std([fit.parameters for fit in fits], axis=0, ddof=1)
    stated = np.sqrt(np.mean([np.diag(fit.covariance) for fit in fits], axis=0))
    assert np.all(np.abs(scatter / stated - 1) < 4 / np.sqrt(2 * 39))


def test_a_third_coefficient_that_is_there_is_kept():
    truth = lens((-0.18, 0.03, 0.0, 0.0, 0.05))
    assert calibrate_from_corners(views(truth, 14), 1280, 720).distortion[4] == pytest.approx(0.05, abs=0.02)


@pytest.mark.parametrize(
    ("sets", "code", "message"),
    [
        (lambda: views(lens(), 5), "lens_views_few", "found in 5 of 5 pictures; at least 6"),
        (lambda: views(lens(), 8, tilt=0.05), "lens_views_alike", "nearly the same way in all pictures"),
        (lambda: views(lens(), 8, spread=0.02), "lens_views_alike", "% of the picture only"),
        (
            lambda: [CornerSet(v.points_px, PLACES[::-1] ** 2) for v in views(lens(), 8)],
            "lens_poor",
            "give no lens",
        ),
    ],
)
def test_views_that_cannot_carry_a_lens_are_refused(sets, code, message):
    with pytest.raises(CalibrationError, match=message) as caught:
        calibrate_from_corners(sets(), 1280, 720)
    assert caught.value.code == code


def test_cover_counts_cells():
    square = np.array([[0.0, 0], [639, 0], [639, 719], [0, 719]])
    assert cover([CornerSet(square, square)], 1280, 720) == pytest.approx(0.5)


def drawn(a_lens, turn, shift):
    """A chessboard filmed through a lens: each pixel's ray is met with the board, 2 x 2 a pixel."""
    n = 2
    x, y = np.meshgrid((np.arange(640 * n) - 0.5) / n, (np.arange(360 * n) - 0.5) / n)
    straight = straighten(a_lens, np.stack([x.ravel(), y.ravel()], axis=1))
    rays = np.column_stack(
        [(straight - [a_lens.cx, a_lens.cy]) / [a_lens.fx, a_lens.fy], np.ones(len(straight))]
    )
    R = cv2.Rodrigues(np.array(turn))[0]
    on_board = (rays * (R[:, 2] @ shift / (rays @ R[:, 2]))[:, None] - shift) @ R
    i, j = (np.floor(on_board[:, k] / 0.03 + half).astype(int) for k, half in ((0, 5), (1, 3.5)))
    inside = (i >= 0) & (i < 10) & (j >= 0) & (j < 7)
    dark = inside & ((i + j) % 2 == 0)
    big = np.where(dark, 40.0, 190.0).reshape(360 * n, 640 * n)
    small = cv2.GaussianBlur(cv2.resize(big, (640, 360), interpolation=cv2.INTER_AREA), (0, 0), 0.7)
    return np.uint8(np.rint(small + np.random.default_rng(1).normal(0, 2, small.shape)))


def test_pictures_of_a_chessboard_give_the_lens():
    truth = Lens(640, 360, 400, 400, 321, 178, np.array([-0.12, 0.02, 0, 0, 0]), np.zeros((9, 9)))
    poses = [
        ((0.4, 0, 0), (-0.14, -0.05, 0.4)),
        ((-0.4, 0.1, 0.1), (0.14, -0.04, 0.4)),
        ((0, 0.5, 0), (-0.12, 0.04, 0.38)),
        ((0, -0.5, 0.1), (0.13, 0.05, 0.42)),
        ((0.3, 0.3, -0.1), (0.0, 0.0, 0.35)),
        ((-0.3, -0.3, 0.0), (0.02, -0.03, 0.3)),
        ((0.0, 0.0, 0.1), (0.0, 0.02, 0.27)),
    ]
    pictures = [drawn(truth, turn, np.array(shift)) for turn, shift in poses]
    a_lens = calibrate_lens(pictures, corners=(9, 6), square_m=0.03, mode="small")
    assert a_lens.views == 7
    assert a_lens.fx == pytest.approx(400, rel=0.01)
    assert abs(a_lens.distortion[0] + 0.12) < 0.01
    middle = np.array([[x, y] for x in range(60, 600, 60) for y in range(40, 340, 40)], dtype=float)
    assert np.abs(straighten(a_lens, middle) - straighten(truth, middle)).max() < 1.0


def test_pictures_without_a_board_are_refused():
    blank = np.full((360, 640), 128, np.uint8)
    with pytest.raises(CalibrationError, match="found in 0 of 7 pictures"):
        calibrate_lens([blank] * 7)
    with pytest.raises(CalibrationError, match="not all of one size"):
        calibrate_lens([blank, blank[:, :320]])
    with pytest.raises(CalibrationError, match="found in 0 of 0 pictures"):
        calibrate_lens([])
