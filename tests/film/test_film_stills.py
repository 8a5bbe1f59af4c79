"""Single pictures: the right frame, upright, in the right colours."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from make_clips import frame_of, steady, write_clip

from tracker.errors import ClipError
from tracker.film.hdr import hlg_light, pq_light_cd_m2
from tracker.film.stills import fingerprint, stills

COLOURS = {"orange": (250, 140, 30), "red": (200, 30, 30), "green": (40, 180, 60), "white": (235, 235, 235)}
BT601, BT709, BT2020 = (0.299, 0.114), (0.2126, 0.0722), (0.2627, 0.0593)  # K_R, K_B of each recommendation


def ycbcr(
    rgb: np.ndarray, weights: tuple[float, float], *, bits: int = 8, full: bool = False
) -> tuple[int, int, int]:
    """Digital Y, C_B, C_R of R'G'B' in 0..1 (ITU-R BT.709-6, 3.2 to 3.4; full range: ITU-T T.871)."""
    k_r, k_b = weights
    y = k_r * rgb[0] + (1 - k_r - k_b) * rgb[1] + k_b * rgb[2]
    c_b, c_r = (rgb[2] - y) / (2 * (1 - k_b)), (rgb[0] - y) / (2 * (1 - k_r))
    if full:
        return round(255 * y), round(255 * c_b + 128), round(255 * c_r + 128)
    unit = 2 ** (bits - 8)
    return tuple(round(v * unit) for v in (219 * y + 16, 224 * c_b + 128, 224 * c_r + 128))


def patch_clip(
    path: Path, values: list[tuple[int, int, int]], size: tuple[int, int], **settings: object
) -> Path:
    """A clip with one upright stripe for each colour."""
    kind = np.uint16 if "10" in str(settings.get("pixel_format", "")) else np.uint8
    planes = []
    for k, halved in enumerate((1, 2, 2)):
        stripe = np.repeat([v[k] for v in values], size[0] // halved // len(values))
        planes.append(np.tile(stripe.astype(kind), (size[1] // halved, 1)))
    return write_clip(path, steady(2), size=size, pictures=[planes, planes], **settings).path


def seen_rgb(path: Path, count: int) -> np.ndarray:
    """What the middle of each stripe looks like, shape (count, 3)."""
    picture = stills(path, [0])[0]
    assert picture.dtype == np.uint8
    height, width = picture.shape[:2]
    middles = (np.arange(count) * 2 + 1) * width // (2 * count)
    return picture[height // 2, middles, ::-1].astype(int)


@pytest.mark.parametrize(
    ("size", "weights", "tags"),
    [
        ((64, 48), BT709, {"colorspace": 1, "color_range": 1}),
        ((64, 48), BT601, {"colorspace": 5, "color_range": 1}),
        ((1280, 720), BT601, {"colorspace": 5, "color_range": 1}),
        ((64, 48), BT601, {}),
        ((1280, 720), BT709, {}),
        ((720, 1280), BT709, {}),
        ((1280, 720), BT709, {"color_range": 1}),
    ],
)
def test_colours(
    tmp_path: Path, size: tuple[int, int], weights: tuple[float, float], tags: dict[str, int]
) -> None:
    wanted = list(COLOURS.values())
    values = [ycbcr(np.array(rgb) / 255, weights) for rgb in wanted]
    path = patch_clip(tmp_path / "a.mp4", values, size, color=tags)
    # Eight bits of limited range round by up to half of 255/219 for luma and of 1.8 * 255/224 for chroma.
    assert np.abs(seen_rgb(path, len(wanted)) - wanted).max() <= 3


def test_full_range(tmp_path: Path) -> None:
    wanted = list(COLOURS.values())
    values = [ycbcr(np.array(rgb) / 255, BT709, full=True) for rgb in wanted]
    tags = {"colorspace": 1, "color_range": 2}
    path = patch_clip(tmp_path / "a.mp4", values, (64, 48), color=tags, pixel_format="yuvj420p")
    assert np.abs(seen_rgb(path, len(wanted)) - wanted).max() <= 3


def light_2020(rgb: tuple[int, int, int]) -> np.ndarray:
    """Linear BT.2020 light of an sRGB colour, diffuse white 1.

    Sources: curve, IEC 61966-2-1; primaries, ITU-R BT.2087-0, annex 2.
    """
    c = np.array(rgb) / 255
    light = np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)
    to_2020 = np.array([[0.6274, 0.3293, 0.0433], [0.0691, 0.9195, 0.0114], [0.0164, 0.0880, 0.8956]])
    return to_2020 @ light


def hlg(rgb: tuple[int, int, int]) -> np.ndarray:
    """Hybrid log-gamma signal with diffuse white at 75 % (ITU-R BT.2100-2, table 5; BT.2408-7, table 1)."""
    a, b, c = 0.17883277, 0.28466892, 0.55991073
    e = light_2020(rgb) * (np.exp((0.75 - c) / a) + b) / 12
    return np.where(e <= 1 / 12, np.sqrt(3 * e), a * np.log(np.maximum(12 * e - b, 1e-9)) + c)


def pq(rgb: tuple[int, int, int]) -> np.ndarray:
    """Perceptual quantizer signal, diffuse white at 203 cd/m2 (ITU-R BT.2100-2, table 4; BT.2408-7)."""
    y = (light_2020(rgb) * 203 / 10_000) ** 0.1593017578125
    return ((0.8359375 + 18.8515625 * y) / (1 + 18.6875 * y)) ** 78.84375


@pytest.mark.parametrize(("curve", "number"), [(hlg, 18), (pq, 16)])
def test_high_dynamic_range_is_not_washed_out(
    tmp_path: Path, curve: Callable[[tuple[int, int, int]], np.ndarray], number: int
) -> None:
    wanted = list(COLOURS.values())
    path = patch_clip(
        tmp_path / "a.mov",
        [ycbcr(curve(rgb), BT2020, bits=10) for rgb in wanted],
        (64, 48),
        codec="libx265",
        pixel_format="yuv420p10le",
        color={"colorspace": 9, "color_primaries": 9, "color_trc": number, "color_range": 1},
    )
    # Left unconverted, the orange would read (171, 124, 51). Codes of the dark channels are steep:
    # one step of ten bits is worth up to four levels of a screen there.
    assert np.abs(seen_rgb(path, len(wanted)) - wanted).max() <= 4


def test_diffuse_white_is_white() -> None:
    # ITU-R BT.2408-7, table 1: diffuse white, 203 cd/m2, stands at 75 % of HLG and 58 % of PQ.
    assert pq_light_cd_m2(np.array(0.58)) == pytest.approx(203, rel=0.02)
    # ITU-R BT.2100-2, table 5: reference levels 1/2 and 1 of the signal are light 1/12 and 1.
    np.testing.assert_allclose(hlg_light(np.array([0.0, 0.5, 1.0])), [0.0, 1 / 12, 1.0], atol=1e-6)


def test_the_right_frames_wherever_they_lie(tmp_path: Path) -> None:
    made = write_clip(tmp_path / "a.mp4", steady(90))
    wanted = [70, 3, 4, 88, 70, 0]
    found = stills(made.path, wanted)
    assert sorted(found) == [0, 3, 4, 70, 88]
    truth = [frame_of(planes, "yuv420p").to_ndarray(format="bgr24").astype(int) for planes in made.planes]
    for index, picture in found.items():
        assert int(np.argmin([np.abs(picture - t).mean() for t in truth])) == index
        assert np.abs(picture - truth[index]).max() <= 2


@pytest.mark.parametrize("index", [-1, 10])
def test_no_such_frame(tmp_path: Path, index: int) -> None:
    path = write_clip(tmp_path / "a.mp4", steady(10)).path
    with pytest.raises(ClipError, match=rf"^a\.mp4 has no frame {index}\.$") as caught:
        stills(path, [2, index])
    assert (caught.value.code, caught.value.advice) == ("clip_no_such_frame", "Name a frame from 0 to 9.")


def test_no_frames_asked_for(tmp_path: Path) -> None:
    assert stills(write_clip(tmp_path / "a.mp4", steady(3)).path, []) == {}


def test_fingerprint_is_sha256(tmp_path: Path) -> None:
    path = write_clip(tmp_path / "a.mp4", steady(3)).path
    assert fingerprint(path) == hashlib.sha256(path.read_bytes()).hexdigest()
    # FIPS 180-4 example, one block: "abc".
    (tmp_path / "b.mp4").write_bytes(b"abc")
    assert (
        fingerprint(tmp_path / "b.mp4") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    )
