"""Files that are written against what is read back by the library that players use."""

from __future__ import annotations

import json
import math
import tomllib
from pathlib import Path

import av
import numpy as np
import pytest

from tracker.demo.balls import BallLook, BallPath
from tracker.demo.camera import Camera, sphere_outline
from tracker.demo.colour import Coding, bt709_signal, hlg_signal
from tracker.demo.containers import Container, write_clip
from tracker.demo.paint import flat
from tracker.demo.render import Flyer, Renderer, Room, Shutter
from tracker.demo.scene import upright
from tracker.demo.story import make_demo
from tracker.errors import OutputError

CAMERA = Camera(320, 240, 500.0, (1.0, -4.0, 1.0))


def grey_frames(count: int, bits: int = 8) -> list[tuple[np.ndarray, ...]]:
    top = 1 << (bits - 8)
    ramp = np.tile((np.arange(64, dtype=np.uint16) + 60) * top, (48, 1))
    half = np.full((24, 32), 128 * top, dtype=np.uint16)
    return [(ramp, half, half)] * count


@pytest.mark.parametrize(
    ("times", "ticks"),
    [
        ([0.0, 1 / 240, 2 / 240, 3 / 240], 90_000),
        ([0.0, 0.00431, 0.00807, 0.01702, 0.0208], 90_000),
        ([k / 240 for k in range(7)], 600),
    ],
)
def test_times_come_back(tmp_path: Path, times: list[float], ticks: int) -> None:
    path = tmp_path / "clip.mp4"
    assert write_clip(path, grey_frames(len(times)), times, Container(ticks=ticks)) == len(times)
    with av.open(str(path), format="mp4") as clip:
        stream = clip.streams.video[0]
        assert stream.time_base == pytest.approx(1 / ticks)
        got = [float(frame.pts * stream.time_base) for frame in clip.decode(stream)]
    np.testing.assert_allclose(got, times, atol=0.5 / ticks + 1e-12)


def test_two_frames_on_one_tick_are_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="frame 1 does not come after"):
        write_clip(tmp_path / "clip.mp4", grey_frames(2), [0.0, 0.0001], Container(ticks=600))


@pytest.mark.parametrize("tag", [None, 240.0])
def test_capture_rate_is_there_only_if_asked_for(tmp_path: Path, tag: float | None) -> None:
    path = tmp_path / "clip.mp4"
    write_clip(path, grey_frames(3), [0.0, 1 / 30, 2 / 30], Container(capture_fps_tag=tag))
    with av.open(str(path), format="mp4") as clip:
        read = clip.metadata.get("com.android.capture.fps")
    assert (None if read is None else float(read)) == tag


@pytest.mark.parametrize(("turns", "degrees"), [(0, 0), (1, 90), (2, -180), (3, -90)])
def test_display_matrix_turns_the_picture_upright(tmp_path: Path, turns: int, degrees: int) -> None:
    path = tmp_path / "clip.mp4"
    # A camera rolled clockwise by a quarter stores the room's up toward its left.
    camera = Camera(64, 48, 60.0, (0.0, -2.0, 0.0), roll_rad=-turns * math.pi / 2)
    lamp = upright(-0.1, 0.6, 0.2, 0.2, 0.0, flat(4, 4, "#ffffff"))
    renderer = Renderer(camera, Room((lamp,)), (), Shutter(0.001))
    planes = renderer.planes(np.array([0.0]), Coding(photons=0), 1)
    write_clip(path, planes, [0.0], Container(quarter_turns=turns))
    with av.open(str(path), format="mp4") as clip:
        frame = next(clip.decode(video=0))
    assert frame.rotation == degrees
    shown = np.rot90(frame.to_ndarray()[:48], round(frame.rotation / 90))
    y, x = np.argwhere(shown > 150).mean(axis=0)
    # 0.5 m above the axis at 2 m: 15 px above the middle, in the middle column.
    assert x == pytest.approx((shown.shape[1] - 1) / 2, abs=0.6)
    assert y == pytest.approx((shown.shape[0] - 1) / 2 - 15, abs=0.6)


@pytest.mark.parametrize(
    ("container", "codec", "pixels", "tags"),
    [
        (Container(), "h264", "yuv420p", (1, 1, 1, 1)),
        (Container(full_range=True), "h264", "yuvj420p", (1, 1, 1, 2)),
        (Container("hevc", 8, preset="ultrafast"), "hevc", "yuv420p", (1, 1, 1, 1)),
        (Container("hevc", 10, "hlg", preset="ultrafast"), "hevc", "yuv420p10le", (9, 18, 9, 1)),
    ],
)
def test_files_carry_their_tags(
    tmp_path: Path, container: Container, codec: str, pixels: str, tags: tuple[int, ...]
) -> None:
    path = tmp_path / "clip.mp4"
    write_clip(path, grey_frames(3, container.bits), [0.0, 0.01, 0.02], container)
    with av.open(str(path), format="mp4") as clip:
        frame = next(clip.decode(video=0))
        context = clip.streams.video[0].codec_context
        assert (context.name, frame.format.name) == (codec, pixels)
    # Code points of ITU-T H.273: primaries, transfer, matrix; range 1 limited, 2 full.
    assert (frame.color_primaries, frame.color_trc, frame.colorspace, frame.color_range) == tags
    read = frame.to_ndarray()[:48].astype(float) / (1 << (container.bits - 8))
    assert np.abs(read - (np.arange(64) + 60)).mean() < 2


def test_curves_meet_the_standards() -> None:
    # BT.709-6: 0.018 -> 0.081, 1 -> 1. BT.2100-2 table 5: E = 1/12 -> 0.5; BT.2408: white (here 1) -> 75 %.
    np.testing.assert_allclose(bt709_signal(np.array([0.018, 1.0])), [0.081, 1.0], atol=3e-4)
    np.testing.assert_allclose(hlg_signal(np.array([1 / 12 / 0.265, 1.0])), [0.5, 0.75], atol=2e-3)


@pytest.mark.parametrize("full_range", [False, True])
def test_colours_come_back_from_the_decoder(tmp_path: Path, full_range: bool) -> None:
    path = tmp_path / "clip.mp4"
    renderer = Renderer(
        CAMERA, Room((upright(-4, 4, 10, 8, 1.0, flat(4, 4, "#f07818")),)), (), Shutter(0.001)
    )
    planes = renderer.planes(np.array([0.0]), Coding(full_range=full_range, photons=0), 1)
    write_clip(path, planes, [0.0], Container(full_range=full_range, quality=10))
    with av.open(str(path), format="mp4") as clip:
        rgb = next(clip.decode(video=0)).to_ndarray(format="rgb24")[100, 100] / 255
    # "#f07818" in linear light by IEC 61966-2-1, then BT.709's curve.
    srgb = np.array([0xF0, 0x78, 0x18]) / 255
    expected = bt709_signal(((srgb + 0.055) / 1.055) ** 2.4)
    np.testing.assert_allclose(rgb, expected, atol=0.02)


def test_noise_is_that_of_photons() -> None:
    # sd(signal) = slope of the curve x sqrt(light/electrons); luma weights of BT.709 for three channels.
    renderer = Renderer(
        CAMERA, Room((upright(-4, 4, 10, 8, 1.0, flat(4, 4, "#808080")),)), (), Shutter(0.001)
    )
    luma = next(renderer.planes(np.array([0.0]), Coding(photons=900.0, read_noise=0.0), 5))[0].astype(float)
    light = ((0x80 / 255 + 0.055) / 1.055) ** 2.4
    slope = 1.099 * 0.45 * light**-0.55
    expected = 219 * slope * math.sqrt(light / 900) * math.sqrt(0.2126**2 + 0.7152**2 + 0.0722**2)
    assert luma.std() == pytest.approx(expected, rel=0.03)


def test_decoded_ball_is_where_it_was_put(tmp_path: Path) -> None:
    """The whole way through H.264: centroid of the light above the wall's, against the outline."""
    look = BallLook(0.07, (0.7, 0.7, 0.7), ambient=1.0, diffuse=0.0, highlight=0.0)
    t = np.array([0.0, 0.2])
    velocity = np.array([4.0, 0.0, 2.5])
    path = BallPath(t, [0.6, 0.0, 0.8] + t[:, None] * velocity, np.tile(velocity, (2, 1)), 0 * t, 0 * t)
    wall = upright(-4, 4, 10, 8, 1.5, flat(4, 4, "#505050"))
    renderer = Renderer(CAMERA, Room((wall,), shadow=0.0), (Flyer(look, path),), Shutter(0.002))
    times = np.arange(2, 44) / 240
    write_clip(
        tmp_path / "clip.mp4", renderer.planes(times, Coding(photons=9000), 3), times.tolist(), Container()
    )
    errors = []
    with av.open(str(tmp_path / "clip.mp4"), format="mp4") as clip:
        for time_s, frame in zip(times, clip.decode(video=0), strict=True):
            signal = (frame.to_ndarray()[:240].astype(float) - 16) / 219
            light = np.where(signal < 0.081, signal / 4.5, (np.maximum(signal, 0.081) + 0.099) / 1.099)
            light = np.where(signal < 0.081, light, light ** (1 / 0.45))
            outline = sphere_outline(CAMERA, path.at(time_s)[0], 0.07)
            x0, y0 = round(outline.x_px) - 16, round(outline.y_px) - 16
            window = light[y0 : y0 + 33, x0 : x0 + 33] - np.median(light)
            y, x = np.mgrid[y0 : y0 + 33, x0 : x0 + 33]
            errors.append(
                [
                    (window * x).sum() / window.sum() - outline.x_px,
                    (window * y).sum() / window.sum() - outline.y_px,
                ]
            )
    assert np.abs(np.mean(errors, axis=0)).max() < 0.02
    assert np.abs(errors).max() < 0.05


def test_the_same_frames_give_the_same_file(tmp_path: Path) -> None:
    for name in ("a.mp4", "b.mp4"):
        renderer = Renderer(
            CAMERA, Room((upright(-4, 4, 10, 8, 1.0, flat(4, 4, "#808080")),)), (), Shutter(0.001)
        )
        write_clip(
            tmp_path / name,
            renderer.planes(np.arange(3) / 240, Coding(), 5),
            [0, 1 / 240, 2 / 240],
            Container(),
        )
    assert (tmp_path / "a.mp4").read_bytes() == (tmp_path / "b.mp4").read_bytes()


def test_demo_is_written_and_what_was_changed_is_left_alone(tmp_path: Path) -> None:
    files = make_demo(tmp_path / "new" / "folder")
    again = make_demo(tmp_path / "new" / "folder")
    assert files == again
    setup = tomllib.loads(files.setup.read_text(encoding="utf-8"))
    truth = json.loads(files.truth.read_text(encoding="utf-8"))
    assert (setup["ball"]["diameter"], setup["ball"]["mass"]) == ("140 mm", "88 g")
    assert len(truth["shots"]) == 3
    clicks = np.array(setup["reference"]["points_px"])
    true = np.array([point["px"] for point in truth["reference"]])
    # Four coordinates clicked with a standard deviation of 0.7 px: beyond 3 px would be a slip.
    assert 0.05 < np.abs(clicks - true).max() < 3
    with av.open(str(files.clip), format="mp4") as clip:
        frame = next(clip.decode(video=0))
        assert [frame.width, frame.height] == setup["reference"]["picture"]
    assert files.clip.stat().st_size < 1_500_000
    files.setup.write_text("mine\n", encoding="utf-8")
    with pytest.raises(OutputError, match="left as it is"):
        make_demo(tmp_path / "new" / "folder")
    assert files.setup.read_text(encoding="utf-8") == "mine\n"


def test_demo_says_where_it_cannot_be_written(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x", encoding="utf-8")
    with pytest.raises(OutputError, match="cannot be written"):
        make_demo(tmp_path / "file" / "folder")
