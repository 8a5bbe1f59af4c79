"""The planes of each frame against those that were written."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest
from make_clips import Made, frame_of, picture_planes, steady, write_clip

from tracker.errors import ClipError
from tracker.film.decode import Frame, frames, planes

REORDERED = {"qp": "-1", "crf": "1", "bf": "2", "b-adapt": "0"}
FULL = {"color_range": 2}


def shown(made: Made, **window: float) -> list[int]:
    """Numbers of the frames read, each proved to be the frame of that number by its own planes."""
    numbers = []
    for frame in frames(made.path, **window):
        for plane, truth in zip((frame.y, frame.u, frame.v), made.planes[frame.index], strict=True):
            np.testing.assert_array_equal(plane, truth)
        numbers.append(frame.index)
    return numbers


@pytest.mark.parametrize(
    ("name", "codec"),
    [
        ("clip.mp4", "libx264"),
        ("clip.mov", "libx265"),
        ("clip.mkv", "ffv1"),
        ("clip.webm", "libvpx-vp9"),
        ("clip.avi", "rawvideo"),
    ],
)
@pytest.mark.parametrize("threads", [1, 2])
def test_planes_are_those_written(tmp_path: Path, name: str, codec: str, threads: int) -> None:
    step = 1 if name.endswith("avi") else 375
    clock = Fraction(1, 240) if step == 1 else Fraction(1, 90000)
    made = write_clip(tmp_path / name, steady(20, step), clock=clock, codec=codec, size=(70, 50))
    assert shown(made, threads=threads) == list(range(20))


def test_full_range_is_left_as_it_is(tmp_path: Path) -> None:
    pictures = [picture_planes(k, 64, 48) for k in range(4)]
    for picture in pictures:
        picture[0][:8] = 0
        picture[0][8:16] = 255
    made = write_clip(
        tmp_path / "clip.mp4", steady(4), pixel_format="yuvj420p", pictures=pictures, color=FULL
    )
    assert shown(made) == [0, 1, 2, 3]


def test_stored_orientation_is_kept(tmp_path: Path) -> None:
    made = write_clip(tmp_path / "clip.mp4", steady(4), turned_deg=90, size=(64, 32))
    assert shown(made) == [0, 1, 2, 3]


def test_ten_bits_become_eight(tmp_path: Path) -> None:
    made = write_clip(
        tmp_path / "clip.mp4", steady(6), codec="libx265", pixel_format="yuv420p10le", size=(72, 48)
    )
    count = 0
    for frame in frames(made.path):
        for plane, truth in zip((frame.y, frame.u, frame.v), made.planes[frame.index], strict=True):
            assert plane.dtype == np.uint8
            # A quarter of the ten-bit value, rounded; 1023 would be 255.75, which does not fit.
            assert np.abs(plane - np.minimum(truth / 4, 255)).max() <= 0.5
        count += 1
    assert count == 6


@pytest.mark.parametrize(
    ("pixel_format", "shape_uv", "tolerance"),
    [("yuv422p", (48, 32), 1), ("yuv444p", (48, 64), 1), ("gray", None, 0), ("nv12", None, 0)],
)
def test_other_layouts_are_brought_to_quarter_chroma(
    pixel_format: str, shape_uv: tuple[int, int] | None, tolerance: int
) -> None:
    luma, u, v = picture_planes(0, 64, 48)
    if shape_uv is not None:
        given = [luma, np.full(shape_uv, 90, np.uint8), np.full(shape_uv, 170, np.uint8)]
        u, v = np.full((24, 32), 90), np.full((24, 32), 170)
    elif pixel_format == "gray":
        given = [luma]
        u = v = np.full((24, 32), 128)
    else:
        given = [luma, np.dstack([u, v]).reshape(24, 64)]
    frame = frame_of(given, pixel_format)
    frame.color_range = 1
    for plane, truth in zip(planes(frame), (luma, u, v), strict=True):
        assert plane.shape == truth.shape
        assert np.abs(plane.astype(int) - truth).max() <= tolerance


def test_colours_of_a_picture_of_rgb() -> None:
    # ITU-R BT.601-7, 2.5.1 and 2.5.3 for R = 200, G = 30, B = 30 in 8 bits, limited range.
    frame = av.VideoFrame.from_ndarray(np.full((48, 64, 3), (200, 30, 30), np.uint8), format="rgb24")
    y, u, v = (float(np.mean(plane)) for plane in planes(frame))
    luma = (0.299 * 200 + 0.587 * 30 + 0.114 * 30) / 255
    assert y == pytest.approx(16 + 219 * luma, abs=1)
    assert u == pytest.approx(128 + 224 * (30 / 255 - luma) / 1.772, abs=1)
    assert v == pytest.approx(128 + 224 * (200 / 255 - luma) / 1.402, abs=1)


def nearest(made: Made, frame: Frame) -> int:
    """The number of the written picture that a lossy one resembles most."""
    return int(np.argmin([np.abs(p[0].astype(int) - frame.y).mean() for p in made.planes]))


@pytest.mark.parametrize("name", ["clip.mp4", "clip.mov", "clip.mkv", "clip.avi"])
def test_reordered_frames_come_in_order(tmp_path: Path, name: str) -> None:
    avi = name.endswith("avi")
    made = write_clip(
        tmp_path / name,
        steady(20, 1 if avi else 375),
        clock=Fraction(1, 240) if avi else Fraction(1, 90000),
        options=REORDERED,
    )
    reel = frames(made.path)
    read = [(frame.index, nearest(made, frame)) for frame in reel]
    assert read == [(k, k) for k in range(20)]
    assert reel.lost == 0
    window = frames(made.path, start_s=made.times_s[11] - 1e-3, end_s=made.times_s[14] + 1e-3)
    assert [(frame.index, nearest(made, frame)) for frame in window] == [(k, k) for k in range(11, 15)]


def test_a_window_holds_both_its_ends(tmp_path: Path) -> None:
    made = write_clip(tmp_path / "clip.mp4", steady(40, start=900))
    for first, last in [(0, 0), (0, 39), (3, 5), (8, 8), (13, 30), (39, 39)]:
        numbers = shown(made, start_s=made.times_s[first], end_s=made.times_s[last])
        assert numbers == list(range(first, last + 1))
    assert shown(made, start_s=made.times_s[20]) == list(range(20, 40))
    assert shown(made, end_s=made.times_s[20] - 1e-3) == list(range(20))


def test_a_window_decodes_from_a_keyframe_near_it(tmp_path: Path) -> None:
    made = write_clip(tmp_path / "clip.mp4", steady(40))
    # Spoil the very first frame's data: a window that begins later must not need it.
    data = bytearray(made.path.read_bytes())
    at = data.index(b"mdat") + 1000
    data[at : at + 600] = np.random.default_rng(5).bytes(600)
    made.path.write_bytes(bytes(data))
    reel = frames(made.path, start_s=made.times_s[20], end_s=made.times_s[30])
    assert [frame.index for frame in reel] == list(range(20, 31))
    assert reel.lost == 0


def test_a_seek_that_goes_too_far_is_made_good(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    made = write_clip(tmp_path / "clip.mp4", steady(40))
    monkeypatch.setattr("tracker.film.decode._key_before", lambda *_: 32 * 375)  # a keyframe after the window
    assert shown(made, start_s=made.times_s[20], end_s=made.times_s[35]) == list(range(20, 36))


OPEN = {"x265-params": "crf=2:bframes=3:b-adapt=0:keyint=8:open-gop=1:scenecut=0:log-level=none"}


@pytest.mark.parametrize("first", [0, 7, 8, 9, 15, 16, 17, 39])
def test_windows_of_groups_that_lean_on_their_neighbours(tmp_path: Path, first: int) -> None:
    made = write_clip(tmp_path / "clip.mp4", steady(40), codec="libx265", options=OPEN)
    with av.open(str(made.path)) as clip:
        assert any(packet.pts != packet.dts for packet in clip.demux(video=0))
    reel = frames(made.path, start_s=made.times_s[first])
    assert [(frame.index, nearest(made, frame)) for frame in reel] == [(k, k) for k in range(first, 40)]
    assert reel.lost == 0


def test_times_come_with_the_frames(tmp_path: Path) -> None:
    ticks = [900, 1272, 1650, 2028, 3150, 3530]
    made = write_clip(tmp_path / "clip.mp4", ticks)
    read = [(frame.index, frame.file_time_s) for frame in frames(made.path)]
    assert read == [(k, pytest.approx(t, abs=1e-12)) for k, t in enumerate(made.times_s)]
    read = [(frame.index, frame.file_time_s) for frame in frames(made.path, start_s=made.times_s[4])]
    assert read == [(k, pytest.approx(made.times_s[k], abs=1e-12)) for k in (4, 5)]


@pytest.mark.parametrize(("start_s", "end_s"), [(5.0, None), (0.02, 0.01), (None, -1.0), (0.0011, 0.0012)])
def test_an_empty_window_is_told(tmp_path: Path, start_s: float | None, end_s: float | None) -> None:
    path = write_clip(tmp_path / "clip.mp4", steady(10)).path
    with pytest.raises(ClipError, match=r"no frame in the time asked for") as caught:
        frames(path, start_s=start_s, end_s=end_s)
    assert caught.value.code == "clip_window_empty"


def test_planes_cannot_be_written_to(tmp_path: Path) -> None:
    frame = next(frames(write_clip(tmp_path / "clip.mp4", steady(4)).path))
    for plane in (frame.y, frame.u, frame.v):
        with pytest.raises(ValueError, match="read-only"):
            plane[0, 0] = 1


def test_closing_lets_go_of_the_file(tmp_path: Path) -> None:
    path = write_clip(tmp_path / "clip.mp4", steady(20)).path
    with frames(path) as reel:
        assert next(reel).index == 0
    assert next(reel, None) is None
    path.unlink()
    assert not path.exists()


def test_a_frame_of_another_size_is_lost(tmp_path: Path) -> None:
    # Two recordings with their own sizes joined packet by packet, as a camera that switches would.
    small = write_clip(tmp_path / "small.mkv", steady(4), size=(64, 48))
    large = write_clip(tmp_path / "large.mkv", steady(4), size=(96, 48))
    joined = tmp_path / "joined.mkv"
    with (
        av.open(str(joined), "w") as out,
        av.open(str(small.path)) as first,
        av.open(str(large.path)) as second,
    ):
        stream = out.add_stream_from_template(first.streams.video[0])
        for source, shift in ((first, 0), (second, 40)):
            headers = bytes(source.streams.video[0].codec_context.extradata)
            for number, packet in enumerate(source.demux(video=0)):
                if not packet.size:
                    continue
                copy = av.Packet(_with_headers(headers, bytes(packet)) if number == 0 else bytes(packet))
                copy.pts = copy.dts = packet.pts + shift
                copy.time_base, copy.is_keyframe, copy.stream = packet.time_base, packet.is_keyframe, stream
                out.mux(copy)
    reel = frames(joined)
    assert [frame.index for frame in reel] == [0, 1, 2, 3]
    assert reel.lost == 4


def _with_headers(avcc: bytes, packet: bytes) -> bytes:
    """Put the parameter sets of an avcC record (ISO/IEC 14496-15, 5.3.3) before a packet's units."""
    out, at = b"", 5
    for mask in (0x1F, 0xFF):
        count, at = avcc[at] & mask, at + 1
        for _ in range(count):
            length = int.from_bytes(avcc[at : at + 2], "big")
            out += length.to_bytes(4, "big") + avcc[at + 2 : at + 2 + length]
            at += 2 + length
    return out + packet
