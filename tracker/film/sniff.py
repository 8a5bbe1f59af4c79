"""What a file that is no clip seems to be instead, in plain words."""

from __future__ import annotations

from pathlib import Path

COPY_AGAIN = "Copy the clip from the phone again."
NAME_A_CLIP = "Name a clip as the phone wrote it."

# Source of the first bytes: the formats' own specifications (JPEG ITU-T T.81, PNG ISO/IEC 15948,
# RIFF, EBML RFC 8794, ISO/IEC 14496-12 file type box).
_PICTURES = {b"\xff\xd8\xff": "JPEG", b"\x89PNG\r\n\x1a\n": "PNG", b"GIF8": "GIF"}
_MP4 = {".mp4", ".m4v", ".mov"}
_MATROSKA = {".mkv", ".webm"}
_HEAD_BYTES = 4096


def complaint(path: Path) -> tuple[str, str, str]:
    """Code, message and advice for a file that the reader refused."""
    name, suffix = path.name, path.suffix.lower()
    with path.open("rb") as file:
        head = file.read(_HEAD_BYTES)
    if not any(head):
        return "clip_not_video", f"{name} holds nothing but zeros.", COPY_AGAIN
    kind, right = _kind(head)
    if right and suffix not in right:
        return "clip_not_video", f"{name} is really a {kind} file.", f"Rename it to end in {min(right)}."
    if kind == "MP4":
        return _mp4_complaint(path)
    if kind:
        return "clip_damaged", f"{name} is damaged and cannot be read.", COPY_AGAIN
    return "clip_not_video", f"{name} {_other(head)}.", NAME_A_CLIP


def _other(head: bytes) -> str:
    for magic, kind in _PICTURES.items():
        if head.startswith(magic):
            return f"is a single picture ({kind}), not a video"
    return "holds text, not a video" if _is_text(head) else "is not a video file"


def _kind(head: bytes) -> tuple[str, set[str]]:
    if head[4:8] in {b"ftyp", b"moov", b"mdat", b"wide", b"free", b"skip"}:
        return "MP4", _MP4
    if head.startswith(b"\x1a\x45\xdf\xa3"):
        return "Matroska", _MATROSKA
    if head.startswith(b"RIFF") and head[8:12] == b"AVI ":
        return "AVI", {".avi"}
    return "", set()


def _is_text(head: bytes) -> bool:
    # A cut may fall inside a character, hence "ignore" for the last few bytes only.
    try:
        text = head[:-4].decode() if len(head) == _HEAD_BYTES else head.decode()
    except UnicodeDecodeError:
        return False
    return all(c.isprintable() or c.isspace() for c in text)


def _mp4_complaint(path: Path) -> tuple[str, str, str]:
    """Find out from the boxes at top level what is missing (ISO/IEC 14496-12, 4.2)."""
    size = path.stat().st_size
    boxes, past_end = set(), False
    with path.open("rb") as file:
        at = 0
        while at + 8 <= size and not past_end:
            file.seek(at)
            head = file.read(16)
            length, kind = int.from_bytes(head[:4], "big"), head[4:8]
            if length == 1:
                length = int.from_bytes(head[8:16], "big")
            elif length == 0:
                length = size - at
            if length < 8:
                break
            boxes.add(kind)
            at += length
            past_end = at > size
            if past_end and kind == b"moov":
                return "clip_cut_short", f"{path.name} breaks off inside its index.", COPY_AGAIN
    if b"moov" in boxes:
        return "clip_damaged", f"{path.name} is damaged and cannot be read.", COPY_AGAIN
    if b"mdat" in boxes:
        return (
            "clip_cut_short",
            f"{path.name} breaks off before its index: the copy or the recording was cut short.",
            "Copy the clip from the phone again, or film it again if it does not play there.",
        )
    return "clip_cut_short", f"{path.name} holds a file header and no pictures.", COPY_AGAIN
