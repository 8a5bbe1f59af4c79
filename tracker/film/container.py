"""Opening a clip: everything that can be wrong with a file before its first picture."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import av
from av.container import InputContainer
from av.video.frame import VideoFrame
from av.video.stream import VideoStream

from tracker.errors import ClipError
from tracker.film.place import FORMATS, check_path
from tracker.film.sniff import COPY_AGAIN, complaint, cut_short

CODECS = frozenset(
    {"h264", "hevc", "av1", "vp8", "vp9", "mpeg4", "h263", "mjpeg", "prores", "dnxhd", "ffv1", "rawvideo"}
)
_LAYERS_BYTE = 21
MAX_PIXELS = 4096 * 2304


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


def can_pass_over(stream: VideoStream) -> bool:
    """Whether the decoder knows which pictures no other one is predicted from, so that they can be left out.

    H.264 marks them (ITU-T H.264, 7.4.1: nal_ref_idc equal to 0). HEVC marks those that none of their own
    temporal layer needs (ITU-T H.265, 7.4.2.2), which says it only where there is a single layer; how many
    there are stands in the container (ISO/IEC 14496-15, 8.3.3.1.2: numTemporalLayers, 0 if unknown).
    """
    context = stream.codec_context
    if context.name == "h264":
        return True
    extra = context.extradata or b""
    layers = (extra[_LAYERS_BYTE] >> 3) & 7 if len(extra) > _LAYERS_BYTE and extra[0] == 1 else 0
    return context.name == "hevc" and layers == 1


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
