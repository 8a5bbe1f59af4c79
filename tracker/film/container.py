"""Opening a clip: everything that can be wrong with a file before its first picture."""

from __future__ import annotations

import stat
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import av
from av.container import InputContainer
from av.video.frame import VideoFrame
from av.video.stream import VideoStream

from tracker.errors import ClipError, ClipNotFound
from tracker.film.sniff import COPY_AGAIN, complaint, cut_short

# One reader a suffix: left to guess, the reader also opens pictures and playlists that name other files.
FORMATS = {
    ".mp4": "mov",
    ".m4v": "mov",
    ".mov": "mov",
    ".mkv": "matroska",
    ".webm": "matroska",
    ".avi": "avi",
}
CODECS = frozenset(
    {"h264", "hevc", "av1", "vp8", "vp9", "mpeg4", "h263", "mjpeg", "prores", "dnxhd", "ffv1", "rawvideo"}
)
MAX_PIXELS = 4096 * 2304


def check_path(path: Path) -> None:
    """Make sure that there is a regular, readable, non-empty file with a clip's suffix.

    Raises
    ------
    ClipError
        If not; ``ClipNotFound`` if there is nothing of that name.
    """
    try:
        status = path.stat()
    except PermissionError as error:
        raise _not_allowed(path) from error
    except (OSError, ValueError) as error:
        raise ClipNotFound(
            "clip_missing",
            f"There is no clip {path.name} in {path.parent}.",
            "Check the name and the folder.",
        ) from error
    if stat.S_ISDIR(status.st_mode):
        raise ClipError(
            "clip_is_folder", f"{path.name} is a folder, not a clip.", "Name the clips inside it."
        )
    # Opening a pipe or a device can wait for ever.
    if not stat.S_ISREG(status.st_mode):
        raise ClipError(
            "clip_not_a_file",
            f"{path.name} is not an ordinary file.",
            "Copy the clip to an ordinary file and name that.",
        )
    if status.st_size == 0:
        raise ClipError("clip_empty", f"{path.name} is empty.", COPY_AGAIN)
    if path.suffix.lower() not in FORMATS:
        known = ", ".join(sorted(FORMATS))
        raise ClipError(
            "clip_suffix_unknown",
            f"{path.name} does not end like a clip ({known}).",
            "Name a clip as the phone wrote it, or convert it to .mp4.",
        )
    try:
        with path.open("rb"):
            pass
    except PermissionError as error:
        raise _not_allowed(path) from error
    except OSError as error:
        raise ClipError("clip_unreadable", f"{path.name} cannot be read.", COPY_AGAIN) from error


def _not_allowed(path: Path) -> ClipError:
    return ClipError(
        "clip_not_allowed",
        f"{path.name} may not be read by you.",
        "Change the file's permissions, or copy it to a folder of your own.",
    )


@contextmanager
def opened(path: Path, *, threads: int = 1) -> Iterator[tuple[InputContainer, VideoStream]]:
    """Open a clip: its container and its video stream, the decoder limited and ready.

    Raises
    ------
    ClipError
        With the reason in plain words.
    """
    check_path(path)
    with translated(path):
        # Absolute, because a relative name with a colon would be taken for the name of a protocol.
        container = av.open(
            str(path.absolute()),
            format=FORMATS[path.suffix.lower()],
            options={"protocol_whitelist": "file"},
            metadata_errors="replace",
        )
        with container:
            yield container, _video(container, path, threads)


def decoded(packet: av.Packet[VideoStream]) -> list[VideoFrame]:
    """Decode what a packet completes; a damaged packet completes nothing, and the next may be whole."""
    try:
        return [frame for frame in packet.decode() if isinstance(frame, VideoFrame)]
    except MemoryError:
        raise
    except av.error.FFmpegError:
        return []


@contextmanager
def translated(path: Path) -> Iterator[None]:
    """Turn the reader's exceptions into plain ones."""
    try:
        yield
    except MemoryError as error:
        raise ClipError(
            "clip_memory", f"{path.name} needs more memory than it may have.", "Film at a smaller size."
        ) from error
    except (av.error.FFmpegError, UnicodeDecodeError) as error:
        raise complaint(path) from error


def _video(container: InputContainer, path: Path, threads: int) -> VideoStream:
    streams = [s for s in container.streams.video if not s.disposition & av.stream.Disposition.attached_pic]
    if not streams:
        raise _cut_short(path) or _without_pictures(path, sound=bool(container.streams.audio))
    best = container.streams.best("video")
    stream = best if best in streams and isinstance(best, VideoStream) else streams[0]
    context = stream.codec_context
    if context is None or context.name not in CODECS:
        raise _cut_short(path) or _codec_unknown(path, "unknown" if context is None else context.name)
    check_size(path, context.width, context.height)
    context.options = {"max_pixels": str(MAX_PIXELS)}
    context.thread_count = threads
    context.thread_type = "AUTO" if threads > 1 else "NONE"
    return stream


def _cut_short(path: Path) -> ClipError | None:
    return cut_short(path) if FORMATS[path.suffix.lower()] == "mov" else None


def _without_pictures(path: Path, *, sound: bool) -> ClipError:
    if sound:
        advice = "Name the clip that has the picture."
        return ClipError("clip_sound_only", f"{path.name} holds only sound.", advice)
    return ClipError("clip_no_picture", f"{path.name} holds no pictures.", COPY_AGAIN)


def _codec_unknown(path: Path, name: str) -> ClipError:
    return ClipError(
        "clip_codec_unknown",
        f"{path.name} is recorded in a form that this program cannot read ({name}).",
        "Set the phone's camera to its most compatible format, or convert the clip to H.264.",
    )


def check_size(path: Path, width_px: int, height_px: int) -> None:
    """Refuse pictures larger than any that a phone films at a high rate.

    Raises
    ------
    ClipError
    """
    if width_px * height_px > MAX_PIXELS:
        raise ClipError(
            "clip_too_large",
            f"The pictures of {path.name} are too large ({width_px} x {height_px}).",
            "Film at 3840 x 2160 or less.",
        )
