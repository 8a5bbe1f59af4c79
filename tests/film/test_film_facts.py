"""Times, turn and capture rate against what the writer of the clip knows."""

from __future__ import annotations

import json
from fractions import Fraction
from pathlib import Path

import cv2
import numpy as np
import pytest
from make_clips import Made, frame_of, patch_capture_tag, patch_edit_list, steady, write_clip

from tracker.film.facts import read_facts
from tracker.film.stills import stills
from tracker.film.survey import capture_fps_tag, turn

REORDERED = {"qp": "-1", "crf": "1", "bf": "2", "b-adapt": "0"}
UNEVEN = [0, 372, 750, 1128, 1500, 2250, 2630, 3000]  # one frame is missing after the fifth
ON_600 = [0, 2, 5, 7, 10, 12, 15, 17, 20]  # 240 frames a second on a 1/600 clock
KEEP_TAGS = {"movflags": "use_metadata_tags"}


def exact(made: Made) -> None:
    """Times are those written, to rounding of the arithmetic."""
    facts = read_facts(made.path)
    np.testing.assert_allclose(facts.file_time_s, made.times_s, rtol=0, atol=1e-12)


@pytest.mark.parametrize("suffix", [".mp4", ".mov", ".m4v", ".MP4"])
def test_steady_rate(tmp_path: Path, suffix: str) -> None:
    made = write_clip(tmp_path / f"clip{suffix.lower()}", steady(20))
    path = made.path.rename(tmp_path / f"named{suffix}")
    exact(Made(path, made.times_s, made.planes))
    facts = read_facts(path)
    assert facts.tick_s == 1 / 90000
    assert (facts.picture.stored_width_px, facts.picture.stored_height_px) == (64, 48)
    assert (facts.codec, facts.pixel_format, facts.bits) == ("h264", "yuv420p", 8)
    assert facts.name == f"named{suffix}"


def test_uneven_times_and_a_gap_are_kept(tmp_path: Path) -> None:
    exact(write_clip(tmp_path / "clip.mp4", UNEVEN))


def test_uneven_times_with_reordered_frames(tmp_path: Path) -> None:
    exact(write_clip(tmp_path / "clip.mp4", UNEVEN, options=REORDERED))


def test_first_frame_is_time_zero(tmp_path: Path) -> None:
    exact(write_clip(tmp_path / "clip.mp4", steady(20, start=9000)))
    exact(write_clip(tmp_path / "reordered.mp4", steady(20, start=9000), options=REORDERED))


def test_clock_of_600(tmp_path: Path) -> None:
    made = write_clip(tmp_path / "clip.mov", ON_600, clock=Fraction(1, 600))
    exact(made)
    assert read_facts(made.path).tick_s == 1 / 600


@pytest.mark.parametrize("shown_from", [5, 8, 10])
@pytest.mark.parametrize("options", [{}, REORDERED])
def test_frames_before_an_edit_are_left_out(tmp_path: Path, shown_from: int, options: dict[str, str]) -> None:
    made = write_clip(tmp_path / "clip.mp4", steady(20), options=options)
    delay = 750 if options else 0  # ticks by which reordering puts the first frame off
    patch_edit_list(made.path, delay, delay + shown_from * 375)
    exact(Made(made.path, made.times_s[: 20 - shown_from], made.planes[shown_from:]))


@pytest.mark.parametrize(
    ("suffix", "codec"), [(".mkv", "libx264"), (".webm", "libvpx-vp9"), (".webm", "libvpx")]
)
@pytest.mark.parametrize("ticks", [steady(20), UNEVEN])
def test_clock_of_milliseconds(tmp_path: Path, suffix: str, codec: str, ticks: list[int]) -> None:
    made = write_clip(tmp_path / f"clip{suffix}", ticks, codec=codec)
    facts = read_facts(made.path)
    assert facts.tick_s == 1 / 1000
    assert len(facts.file_time_s) == len(ticks)
    # Two roundings to the nearest millisecond: the frame's own and the first one's, which is 0 here.
    np.testing.assert_allclose(facts.file_time_s, made.times_s, rtol=0, atol=0.5e-3 + 1e-9)


@pytest.mark.parametrize(
    ("codec", "options", "pixel_format"),
    [
        ("libx264", {}, "yuv420p"),
        ("libx264", REORDERED, "yuv420p"),
        ("mpeg4", {}, "yuv420p"),
        ("mpeg4", {"bf": "2", "b_strategy": "0"}, "yuv420p"),
        ("mjpeg", {}, "yuvj420p"),
    ],
)
def test_avi_without_presentation_times(
    tmp_path: Path, codec: str, options: dict[str, str], pixel_format: str
) -> None:
    exact(
        write_clip(
            tmp_path / "clip.avi",
            list(range(20)),
            clock=Fraction(1, 240),
            codec=codec,
            options=options,
            pixel_format=pixel_format,
        )
    )


def test_avi_keeps_a_gap(tmp_path: Path) -> None:
    exact(write_clip(tmp_path / "clip.avi", [0, 1, 2, 5, 6, 7], clock=Fraction(1, 240)))


# -- capture rate -------------------------------------------------------------------------------


def test_capture_rate_as_text(tmp_path: Path) -> None:
    made = write_clip(
        tmp_path / "clip.mp4",
        steady(8, 3000),
        metadata={"com.android.capture.fps": "240.000000"},
        container=KEEP_TAGS,
    )
    assert read_facts(made.path).capture_fps_tag == 240.0
    exact(made)  # stretched times stay as the file has them


def test_capture_rate_as_float(tmp_path: Path) -> None:
    # A phone writes it so: a 32-bit float, well-known type 23.
    made = write_clip(
        tmp_path / "clip.mp4",
        steady(8, 3000),
        metadata={"com.android.capture.fps": "120."},
        container=KEEP_TAGS,
    )
    patch_capture_tag(made.path, b"120.", 239.5)
    assert read_facts(made.path).capture_fps_tag == 239.5


def test_no_capture_rate(tmp_path: Path) -> None:
    assert read_facts(write_clip(tmp_path / "clip.mp4", steady(8, 3000)).path).capture_fps_tag is None


@pytest.mark.parametrize("text", ["", "fast", "nan", "inf", "-240", "0", "1e9", "240 fps"])
def test_nonsense_capture_rate_is_none(text: str) -> None:
    assert capture_fps_tag({"com.android.capture.fps": text}) is None


@pytest.mark.parametrize("key", ["com.android.capture.fps", "COM.Vendor.Capture.FPS", "capture.fps"])
def test_capture_rate_of_any_maker(key: str) -> None:
    assert capture_fps_tag({"title": "120", key: " 240.0 "}) == 240.0
    assert capture_fps_tag({f"{key}.note": "240"}) is None


# -- turn and mirror ----------------------------------------------------------------------------


def lettered(width: int, height: int) -> list[np.ndarray]:
    """Luma that falls from the top left, so that no turn and no flip maps it on itself."""
    y = np.full((height, width), 60, np.uint8)
    y[: height // 2, : width // 2] = 220
    y[: height // 2, width // 2 :] = 140
    return [
        y,
        np.full((height // 2, width // 2), 128, np.uint8),
        np.full((height // 2, width // 2), 128, np.uint8),
    ]


@pytest.mark.parametrize("turned_deg", [0, 90, 180, -90])
def test_upright_is_what_another_reader_shows(tmp_path: Path, turned_deg: int) -> None:
    made = write_clip(
        tmp_path / "clip.mp4", steady(3), turned_deg=turned_deg, pictures=[lettered(64, 48)] * 3
    )
    # Outside check: OpenCV's own reader, told to turn the picture.
    reader = cv2.VideoCapture(str(made.path), cv2.CAP_FFMPEG)
    assert reader.set(cv2.CAP_PROP_ORIENTATION_AUTO, 1)
    shown = reader.read()[1]
    reader.release()
    facts = read_facts(made.path)
    assert (facts.picture.height_px, facts.picture.width_px) == shown.shape[:2]
    ours = stills(made.path, [0])[0]
    assert ours.shape == shown.shape
    assert np.abs(ours.astype(int) - shown.astype(int)).max() <= 3  # another conversion to colours
    assert not facts.picture.mirrored


def shown_by_matrix(stored: np.ndarray, matrix: list[int]) -> np.ndarray:
    """The picture as ISO/IEC 14496-12, 6.2.2 has it: (p, q, 1) times the matrix, pixel by pixel."""
    a, b, _, c, d, *_ = matrix
    height, width = stored.shape
    q, p = np.mgrid[0:height, 0:width]
    x, y = a * p + c * q, b * p + d * q
    shown = np.zeros((np.ptp(y) + 1, np.ptp(x) + 1), stored.dtype)
    shown[y - y.min(), x - x.min()] = stored
    return shown


@pytest.mark.parametrize(
    "matrix",
    [
        [1, 0, 0, 0, 1, 0, 0, 0, 1],
        [0, -1, 0, 1, 0, 0, 0, 0, 1],
        [-1, 0, 0, 0, -1, 0, 0, 0, 1],
        [0, 1, 0, -1, 0, 0, 0, 0, 1],
        [-1, 0, 0, 0, 1, 0, 0, 0, 1],
        [1, 0, 0, 0, -1, 0, 0, 0, 1],
        [0, 1, 0, 1, 0, 0, 0, 0, 1],
        [0, -1, 0, -1, 0, 0, 0, 0, 1],
    ],
)
def test_turn_and_mirror_follow_the_matrix(matrix: list[int]) -> None:
    stored = lettered(64, 48)[0]
    turns, mirrored = turn(np.array([[matrix[0], matrix[3]], [matrix[1], matrix[4]]], dtype=float))
    flipped = stored[:, ::-1] if mirrored else stored
    np.testing.assert_array_equal(np.rot90(flipped, turns), shown_by_matrix(stored, matrix))


@pytest.mark.parametrize("turned_deg", [0, 90, 180, -90])
def test_mirrored_clip_is_shown_by_its_matrix(tmp_path: Path, turned_deg: int) -> None:
    made = write_clip(
        tmp_path / "clip.mp4",
        steady(3),
        turned_deg=turned_deg,
        mirrored=True,
        pictures=[lettered(64, 48)] * 3,
    )
    data = made.path.read_bytes()
    box = data.index(b"tkhd") - 4  # version 0: the matrix follows 48 bytes after the box's begin
    fixed = np.frombuffer(data[box + 48 : box + 84], ">i4")
    matrix = [round(int(v) / 65536) for v in fixed[:6]] + [0, 0, 1]
    picture = read_facts(made.path).picture
    assert picture.mirrored
    ours = stills(made.path, [0])[0][..., 1]
    shown = shown_by_matrix(frame_of(made.planes[0], "yuv420p").to_ndarray(format="bgr24")[..., 1], matrix)
    assert ours.shape == shown.shape == (picture.height_px, picture.width_px)
    assert np.abs(ours.astype(int) - shown.astype(int)).max() <= 3


def test_places_turn_as_pictures_do(tmp_path: Path) -> None:
    for turned_deg, mirrored in [(90, False), (-90, True), (180, True)]:
        pictures = [[p.copy() for p in lettered(64, 48)] for _ in range(3)]
        for planes in pictures:
            planes[0][10:14, 40:44] = 255  # centre at (41.5, 11.5)
        made = write_clip(
            tmp_path / f"{turned_deg}.mp4",
            steady(3),
            turned_deg=turned_deg,
            mirrored=mirrored,
            pictures=pictures,
        )
        shown = stills(made.path, [1])[1][..., 1].astype(int)
        y, x = np.nonzero(shown > 250)
        np.testing.assert_allclose(
            read_facts(made.path).picture.to_upright([41.5, 11.5]), [x.mean(), y.mean()], atol=1e-9
        )


# -- kinds --------------------------------------------------------------------------------------


def test_ten_bits_are_named(tmp_path: Path) -> None:
    made = write_clip(tmp_path / "clip.mov", steady(4), codec="libx265", pixel_format="yuv420p10le")
    facts = read_facts(made.path)
    assert (facts.codec, facts.pixel_format, facts.bits) == ("hevc", "yuv420p10le", 10)


def test_times_are_read_only(tmp_path: Path) -> None:
    facts = read_facts(write_clip(tmp_path / "clip.mp4", steady(4)).path)
    with pytest.raises(ValueError, match="read-only"):
        facts.file_time_s[0] = 1.0


def test_a_changed_file_is_read_again(tmp_path: Path) -> None:
    path = write_clip(tmp_path / "clip.mp4", steady(4)).path
    assert len(read_facts(path).file_time_s) == 4
    write_clip(path, steady(9))
    assert len(read_facts(path).file_time_s) == 9


CLIPS = Path(__file__).parents[3] / "shared" / "clips"


@pytest.mark.skipif(not CLIPS.is_dir(), reason="the path-traced clips are not here")
@pytest.mark.parametrize(("name", "stretch"), [("plain", 1), ("clutter", 1), ("retimed", 8), ("burst", 1)])
def test_path_traced_clips(name: str, stretch: int) -> None:
    truth = json.loads((CLIPS / f"{name}.truth.json").read_text(encoding="utf-8"))
    facts = read_facts(CLIPS / f"{name}.mp4")
    frame = [row["frame"] for row in truth["frames"]]
    real_s = np.array([row["t_s"] for row in truth["frames"]])
    assert len(frame) > 100
    # The stamps were rounded to the file's clock, the truth to a tenth of a microsecond.
    np.testing.assert_allclose(
        facts.file_time_s[frame], real_s * stretch, rtol=0, atol=facts.tick_s + stretch * 1e-7
    )
    assert facts.capture_fps_tag == (240.0 if name == "retimed" else None)
