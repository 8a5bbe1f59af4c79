"""Files that are no clip, or a damaged one: each ends in its own plain sentence, or in what can be saved."""

from __future__ import annotations

import os
import re
import struct
import sys
import zlib
from fractions import Fraction
from functools import cache
from pathlib import Path

import av
import cv2
import numpy as np
import pytest
from make_clips import Made, find_box, patch, steady, write_clip, write_sound

from tracker.errors import ClipError, ClipNotFound
from tracker.film.decode import frames
from tracker.film.digest import fingerprint
from tracker.film.facts import read_facts
from tracker.film.place import check_path
from tracker.film.stills import stills

COUNT = 40
COPY_AGAIN = "Copy the clip from the phone again."


def refused(path: Path) -> ClipError:
    """The error that every reader of a clip gives for this file."""
    with pytest.raises(ClipError, match=re.escape(path.name)) as caught:
        read_facts(path)
    error = caught.value
    for reader in (frames, lambda p: stills(p, [0])):
        with pytest.raises(ClipError, match=re.escape(path.name)) as again:
            reader(path)
        assert (again.value.code, again.value.message) == (error.code, error.message)
    assert error.advice.endswith(".")
    assert error.message.endswith(".")
    return error


def says(path: Path, code: str, message: str, advice: str = COPY_AGAIN) -> None:
    """Check code, message and advice, the file's name standing for NAME."""
    error = refused(path)
    assert (error.code, error.message, error.advice) == (code, message.replace("NAME", path.name), advice)


def file(path: Path, data: bytes) -> Path:
    path.write_bytes(data)
    return path


@cache
def _bytes_of(folder: Path, movflags: str) -> bytes:
    container = {"movflags": movflags} if movflags else None
    return write_clip(
        folder / "whole.mp4", steady(COUNT), size=(160, 120), container=container
    ).path.read_bytes()


@pytest.fixture(scope="module")
def index_first(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    return _bytes_of(tmp_path_factory.mktemp("first"), "faststart")


@pytest.fixture(scope="module")
def index_last(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    return _bytes_of(tmp_path_factory.mktemp("last"), "")


# -- nothing there ------------------------------------------------------------------------------


def test_missing(tmp_path: Path) -> None:
    path = tmp_path / "none.mp4"
    with pytest.raises(ClipNotFound, match=r"^There is no clip none\.mp4 in ") as caught:
        read_facts(path)
    assert isinstance(caught.value, FileNotFoundError)
    assert (caught.value.code, caught.value.advice) == ("clip_missing", "Check the name and the folder.")
    with pytest.raises(ClipNotFound, match=r"^There is no clip none\.mp4"):
        fingerprint(path)


@pytest.mark.parametrize("name", ["a\0b.mp4", "x" * 400 + ".mp4"])
def test_a_name_that_cannot_be(tmp_path: Path, name: str) -> None:
    with pytest.raises(ClipNotFound, match=r"^There is no clip "):
        read_facts(tmp_path / name)


def test_folder(tmp_path: Path) -> None:
    (tmp_path / "clips.mp4").mkdir()
    says(
        tmp_path / "clips.mp4",
        "clip_is_folder",
        "NAME is a folder, not a clip.",
        "Name the clips inside it.",
    )


def test_empty(tmp_path: Path) -> None:
    says(file(tmp_path / "a.mp4", b""), "clip_empty", "NAME is empty.")


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="the platform has no named pipes")
def test_pipe(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.mp4")
    says(
        tmp_path / "pipe.mp4",
        "clip_not_a_file",
        "NAME is not an ordinary file.",
        "Copy the clip to an ordinary file and name that.",
    )


@pytest.mark.skipif(sys.platform == "win32", reason="the platform has no such device")
def test_device() -> None:
    with pytest.raises(ClipError, match=r"^zero is not an ordinary file\.$"):
        check_path(Path("/dev/zero"))


@pytest.mark.skipif(sys.platform == "win32" or os.getuid() == 0, reason="permissions do not bind here")
def test_not_allowed(tmp_path: Path, index_first: bytes) -> None:
    path = file(tmp_path / "a.mp4", index_first)
    path.chmod(0)
    error = refused(path)
    assert (error.code, error.message) == ("clip_not_allowed", "a.mp4 may not be read by you.")


def test_not_allowed_is_told_whoever_runs_this(
    tmp_path: Path, index_first: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = file(tmp_path / "a.mp4", index_first)

    def forbid(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", forbid)
    says(
        path,
        "clip_not_allowed",
        "NAME may not be read by you.",
        "Change the file's permissions, or copy it to a folder of your own.",
    )


def test_suffix_of_no_clip(tmp_path: Path, index_first: bytes) -> None:
    error = refused(file(tmp_path / "a.doc", index_first))
    assert error.code == "clip_suffix_unknown"
    assert error.message == "a.doc does not end like a clip (.avi, .m4v, .mkv, .mov, .mp4, .webm)."


# -- something else -----------------------------------------------------------------------------


def test_zeros(tmp_path: Path) -> None:
    says(file(tmp_path / "a.mp4", bytes(10_000)), "clip_not_video", "NAME holds nothing but zeros.")


@pytest.mark.parametrize("suffix", [".mp4", ".mov", ".mkv", ".webm", ".avi"])
def test_random_bytes(tmp_path: Path, suffix: str) -> None:
    path = file(tmp_path / f"a{suffix}", np.random.default_rng(0).bytes(10_000))
    says(path, "clip_not_video", "NAME is not a video file.", "Name a clip as the phone wrote it.")


HLS = "#EXTM3U\n#EXT-X-TARGETDURATION:10\n#EXTINF:9,\nother.mp4\n#EXT-X-ENDLIST\n"


@pytest.mark.parametrize("text", ["Shot 1: 7.2 m/s\n" * 300, "kurz, mit Umlauten: äöü\n" * 400, HLS])
@pytest.mark.parametrize("suffix", [".mp4", ".mkv", ".avi"])
def test_text(tmp_path: Path, text: str, suffix: str) -> None:
    path = file(tmp_path / f"a{suffix}", text.encode())
    says(path, "clip_not_video", "NAME holds text, not a video.", "Name a clip as the phone wrote it.")


@pytest.mark.parametrize("suffix", [".mp4", ".mkv", ".avi"])
def test_a_list_of_files_does_not_open_them(tmp_path: Path, index_first: bytes, suffix: str) -> None:
    file(tmp_path / "other.mp4", index_first)
    path = file(tmp_path / f"list{suffix}", b"ffconcat version 1.0\nfile other.mp4\n")
    with av.open(str(path)) as trap:  # left to guess, the reader opens the other file
        assert next(trap.decode(video=0)).width == 160
    says(path, "clip_not_video", "NAME holds text, not a video.", "Name a clip as the phone wrote it.")


@pytest.mark.parametrize(("kind", "ending"), [("JPEG", ".jpg"), ("PNG", ".png")])
def test_a_picture(tmp_path: Path, kind: str, ending: str) -> None:
    data = cv2.imencode(ending, np.full((64, 64, 3), 99, np.uint8))[1].tobytes()
    path = file(tmp_path / "a.mp4", data)
    with av.open(str(path)) as trap:  # left to guess, the reader takes it for a clip of one frame
        assert next(trap.decode(video=0)).width == 64
    says(
        path,
        "clip_not_video",
        f"NAME is a single picture ({kind}), not a video.",
        "Name a clip as the phone wrote it.",
    )


@pytest.mark.parametrize("side_px", [16_000, 60_000])
def test_a_picture_that_claims_to_be_huge(tmp_path: Path, side_px: int) -> None:
    def chunk(kind: bytes, data: bytes) -> bytes:  # PNG, ISO/IEC 15948, 5.3
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head = chunk(b"IHDR", struct.pack(">IIBBBBB", side_px, side_px, 8, 2, 0, 0, 0))
    body = chunk(b"IDAT", zlib.compress(bytes(1000))) + chunk(b"IEND", b"")
    path = file(tmp_path / "a.mp4", b"\x89PNG\r\n\x1a\n" + head + body)
    message = "NAME is a single picture (PNG), not a video."
    says(path, "clip_not_video", message, "Name a clip as the phone wrote it.")


@pytest.mark.parametrize(("right", "wrong", "kind"), [(".mkv", ".mp4", "Matroska"), (".mp4", ".avi", "MP4")])
def test_a_clip_under_another_suffix(tmp_path: Path, right: str, wrong: str, kind: str) -> None:
    made = write_clip(tmp_path / f"a{right}", steady(4))
    path = made.path.rename(tmp_path / f"a{wrong}")
    says(
        path,
        "clip_not_video",
        f"The content of NAME is of another kind, {kind}.",
        f"Rename it to end in {right}.",
    )


def test_sound_only(tmp_path: Path) -> None:
    path = write_sound(tmp_path / "a.mp4")
    says(path, "clip_sound_only", "NAME holds only sound.", "Name the clip that has the picture.")


def test_unknown_codec(tmp_path: Path, index_first: bytes) -> None:
    path = file(tmp_path / "a.mp4", index_first)
    patch(path, index_first.index(b"avc1", index_first.index(b"stsd")), b"zzzz")
    error = refused(path)
    assert error.code == "clip_codec_unknown"
    assert error.message.startswith("a.mp4 is recorded in a form that this program cannot read")


def test_a_codec_of_pictures_is_not_opened(tmp_path: Path) -> None:
    path = tmp_path / "a.mov"
    with av.open(str(path), "w") as out:
        stream = out.add_stream("png", rate=30)
        stream.width, stream.height, stream.pix_fmt = 64, 48, "rgb24"
        for _ in range(3):
            out.mux(
                stream.encode(av.VideoFrame.from_ndarray(np.zeros((48, 64, 3), np.uint8), format="rgb24"))
            )
        out.mux(stream.encode(None))
    error = refused(path)
    assert (error.code, "(png)" in error.message) == ("clip_codec_unknown", True)


# -- cut ----------------------------------------------------------------------------------------


def test_only_the_file_type_box(tmp_path: Path, index_last: bytes) -> None:
    length = int.from_bytes(index_last[:4], "big")
    path = file(tmp_path / "a.mp4", index_last[:length])
    says(path, "clip_cut_short", "NAME holds a file header and no pictures.")


def test_cut_before_the_index(tmp_path: Path, index_last: bytes) -> None:
    path = file(tmp_path / "a.mp4", index_last[: len(index_last) // 2])
    advice = "Copy the clip from the phone again; if it does not play there either, film it again."
    says(path, "clip_cut_short", "NAME breaks off before its index.", advice)


@pytest.mark.parametrize("kept", [9, 100, 300, 500])
def test_cut_inside_the_index(tmp_path: Path, index_last: bytes, kept: int) -> None:
    path = file(tmp_path / "a.mp4", index_last[: find_box(index_last, b"moov") + kept])
    says(path, "clip_cut_short", "NAME breaks off inside its index.")


@pytest.mark.parametrize("kept", [8, 100, 1000])
def test_cut_inside_the_first_frame(tmp_path: Path, index_first: bytes, kept: int) -> None:
    path = file(tmp_path / "a.mp4", index_first[: find_box(index_first, b"mdat") + kept])
    says(path, "clip_no_picture", "Not one picture of NAME can be decoded.")


def saved(path: Path, truth: Made) -> tuple[list[int], int]:
    """Numbers of the frames that could be saved, each proved by its luma, and how many were lost."""
    reel = frames(path)
    numbers = []
    for frame in reel:
        np.testing.assert_array_equal(frame.y, truth.planes[frame.index][0])
        numbers.append(frame.index)
    return numbers, reel.lost


@pytest.mark.parametrize(
    ("name", "container"),
    [("a.mp4", {"movflags": "faststart"}), ("a.mkv", None), ("a.avi", None)],
)
def test_cut_in_half(tmp_path: Path, name: str, container: dict[str, str] | None) -> None:
    avi = name.endswith("avi")
    made = write_clip(
        tmp_path / name,
        steady(COUNT, 1 if avi else 375),
        clock=Fraction(1, 240 if avi else 90000),
        size=(160, 120),
        container=container,
    )
    whole = made.path.read_bytes()
    made.path.write_bytes(whole[: len(whole) // 2])
    numbers, lost = saved(made.path, made)
    assert numbers == list(range(len(numbers)))
    assert COUNT // 2 - 3 <= len(numbers) <= COUNT // 2 + 1
    # A Matroska file tells its length in milliseconds, from which the frames lost are reckoned.
    assert abs(len(numbers) + lost - COUNT) <= (1 if name.endswith("mkv") else 0)


# -- damaged ------------------------------------------------------------------------------------


def test_random_bytes_among_the_pictures(tmp_path: Path, index_first: bytes) -> None:
    path = file(tmp_path / "a.mp4", index_first)
    begin = find_box(index_first, b"mdat")
    patch(path, begin + (len(index_first) - begin) // 2, np.random.default_rng(1).bytes(4000))
    reel = frames(path)
    numbers = [frame.index for frame in reel]
    assert 1 <= reel.lost <= 3
    assert len(numbers) + reel.lost == COUNT
    # Decoding went on, and the frames behind the damage kept their numbers.
    assert numbers[0] == 0
    assert numbers[-1] == COUNT - 1


def test_stated_size_too_large(tmp_path: Path, index_first: bytes) -> None:
    # The pictures themselves say that they are small, and they are right.
    path = file(tmp_path / "a.mp4", index_first)
    entry = index_first.index(b"avc1", index_first.index(b"stsd")) - 4
    patch(path, entry + 32, b"\xff" * 4)  # width and height, ISO/IEC 14496-12, 12.1.3
    picture = read_facts(path).picture
    assert (picture.stored_width_px, picture.stored_height_px) == (160, 120)
    assert len(list(frames(path))) == COUNT


def test_really_too_large(tmp_path: Path) -> None:
    path = tmp_path / "a.mp4"
    flat = [np.full(s, 99, np.uint8) for s in ((8192, 8192), (4096, 4096), (4096, 4096))]
    write_clip(path, steady(1), size=(8192, 8192), options={"preset": "ultrafast"}, pictures=[flat])
    message = "The pictures of NAME are too large (8192 x 8192)."
    says(path, "clip_too_large", message, "Film at 3840 x 2160 or less.")


@pytest.mark.parametrize("size", [(3840, 2160), (2160, 3840)])
def test_not_too_large(tmp_path: Path, size: tuple[int, int]) -> None:
    w, h = size
    flat = [np.full(s, 99, np.uint8) for s in ((h, w), (h // 2, w // 2), (h // 2, w // 2))]
    made = write_clip(
        tmp_path / "a.mp4", steady(1), size=size, options={"preset": "ultrafast"}, pictures=[flat]
    )
    assert [frame.y.shape for frame in frames(made.path)] == [(h, w)]


def test_count_of_times_too_large(tmp_path: Path, index_first: bytes) -> None:
    path = file(tmp_path / "a.mp4", index_first)
    patch(path, find_box(index_first, b"stts") + 16, struct.pack(">I", 2**31 - 1))
    assert len(read_facts(path).file_time_s) == COUNT
    assert len(list(frames(path))) == COUNT


def test_count_of_sizes_too_large(tmp_path: Path, index_first: bytes) -> None:
    path = file(tmp_path / "a.mp4", index_first)
    patch(path, find_box(index_first, b"stsz") + 16, struct.pack(">I", 2**31 - 1))
    says(path, "clip_damaged", "NAME is damaged and cannot be read.")


def test_one_size_for_too_many(tmp_path: Path, index_first: bytes) -> None:
    path = file(tmp_path / "a.mp4", index_first)
    patch(path, find_box(index_first, b"stsz") + 12, struct.pack(">II", 2**31 - 1, 2**31 - 1))
    says(path, "clip_no_picture", "Not one picture of NAME can be decoded.")


def test_clock_that_stands_still(tmp_path: Path, index_first: bytes) -> None:
    path = file(tmp_path / "a.mp4", index_first)
    patch(path, find_box(index_first, b"mdhd") + 20, bytes(4))
    says(path, "clip_no_picture", "Not one picture of NAME can be decoded.")


@pytest.mark.parametrize("far_ms", [2**53 + 500, 2**60])
def test_times_that_are_nonsense(tmp_path: Path, far_ms: int) -> None:
    # So many ticks that a double no longer holds each of them: 285,000 years of milliseconds.
    path = write_clip(tmp_path / "a.mkv", [0, 4, 8, far_ms], clock=Fraction(1, 1000)).path
    says(path, "clip_damaged", "The frame times of NAME are nonsense.")


def test_name_like_a_protocol(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    if sys.platform == "win32":
        pytest.skip("a name cannot hold a colon there")
    write_clip(tmp_path / "a.mp4", steady(4)).path.rename(tmp_path / "http:a.mp4")
    monkeypatch.chdir(tmp_path)
    assert len(read_facts(Path("http:a.mp4")).file_time_s) == 4


def test_name_with_other_letters(tmp_path: Path) -> None:
    path = write_clip(tmp_path / "a.mp4", steady(4)).path.rename(tmp_path / "wurf ä 投球.mp4")
    assert len(read_facts(path).file_time_s) == 4
