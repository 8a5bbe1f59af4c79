"""What a file that is no clip seems to be instead, in plain words."""

from __future__ import annotations

from pathlib import Path

from tracker.errors import ClipError

COPY_AGAIN = "Copy the clip from the phone again."
NAME_A_CLIP = "Name a clip as the phone wrote it."

# Source of the first bytes: the formats' own specifications (JPEG ITU-T T.81, PNG ISO/IEC 15948,
# GIF89a, RIFF, EBML RFC 8794, ISO/IEC 14496-12 boxes).
_PICTURES = {b"\xff\xd8\xff": "JPEG", b"\x89PNG\r\n\x1a\n": "PNG", b"GIF8": "GIF"}
_BOXES = frozenset({b"ftyp", b"moov", b"mdat", b"wide", b"free", b"skip"})
_SUFFIXES = {"MP4": (".mp4", ".m4v", ".mov"), "Matroska": (".mkv", ".webm"), "AVI": (".avi",)}
_HEAD_BYTES = 4096


def complaint(path: Path) -> ClipError:
    """Say what is wrong with a file that the reader refused."""
    name = path.name
    with path.open("rb") as file:
        head = file.read(_HEAD_BYTES)
    if not any(head):
        return ClipError("clip_not_video", f"{name} holds nothing but zeros.", COPY_AGAIN)
    kind = _kind(head)
    if kind is None:
        return ClipError("clip_not_video", f"{name} {_other(head)}.", NAME_A_CLIP)
    if path.suffix.lower() not in _SUFFIXES[kind]:
        advice = f"Rename it to end in {_SUFFIXES[kind][0]}."
        return ClipError("clip_not_video", f"The content of {name} is of another kind, {kind}.", advice)
    cut = cut_short(path) if kind == "MP4" else None
    return cut or ClipError("clip_damaged", f"{name} is damaged and cannot be read.", COPY_AGAIN)


def cut_short(path: Path) -> ClipError | None:
    """Find out from the boxes at top level whether the index is whole (ISO/IEC 14496-12, 4.2)."""
    name, size, at = path.name, path.stat().st_size, 0
    seen = set()
    with path.open("rb") as file:
        while at + 8 <= size:
            file.seek(at)
            head = file.read(16)
            length, kind = int.from_bytes(head[:4], "big"), head[4:8]
            if length == 1:
                length = int.from_bytes(head[8:16], "big")
            elif length == 0:
                length = size - at
            if length < 8:
                break
            if kind == b"moov":
                if at + length <= size:
                    return None
                return ClipError("clip_cut_short", f"{name} breaks off inside its index.", COPY_AGAIN)
            seen.add(kind)
            at += length
    if b"mdat" not in seen:
        return ClipError("clip_cut_short", f"{name} holds a file header and no pictures.", COPY_AGAIN)
    return ClipError(
        "clip_cut_short",
        f"{name} breaks off before its index.",
        "Copy the clip from the phone again; if it does not play there either, film it again.",
    )


def _kind(head: bytes) -> str | None:
    if head[4:8] in _BOXES:
        return "MP4"
    if head.startswith(b"\x1a\x45\xdf\xa3"):
        return "Matroska"
    if head.startswith(b"RIFF") and head[8:12] == b"AVI ":
        return "AVI"
    return None


def _other(head: bytes) -> str:
    for magic, kind in _PICTURES.items():
        if head.startswith(magic):
            return f"is a single picture ({kind}), not a video"
    return "holds text, not a video" if _is_text(head) else "is not a video file"


def _is_text(head: bytes) -> bool:
    try:
        text = head.decode()
    except UnicodeDecodeError as error:
        if error.start < len(head) - 4:  # nearer the end it is a character cut in two
            return False
        text = head[: error.start].decode()
    return all(c.isprintable() or c.isspace() for c in text)
