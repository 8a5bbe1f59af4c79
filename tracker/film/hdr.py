"""Pictures of high dynamic range, brought to what an ordinary screen shows."""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np
import numpy.typing as npt
from av.video.frame import VideoFrame

from calibration.values import Floats

# ITU-T H.273, tables 2 and 3.
PQ, HLG = 16, 18
_BT2020_PRIMARIES = 9
_STEPS = 1024
_FINE_STEPS = 4096
_WHITE_CD_M2 = 203.0  # ITU-R BT.2408-7, table 1: diffuse white, 75 % HLG
_WHITE_HLG = 0.75
# ITU-R BT.2407-0, 2.2: linear BT.2020 to BT.709.
_TO_BT709 = np.array([[1.6605, -0.5876, -0.0728], [-0.1246, 1.1329, -0.0083], [-0.0182, -0.1006, 1.1187]])


def is_hdr(frame: VideoFrame) -> bool:
    """Whether the picture's curve is one of high dynamic range."""
    return frame.color_trc in {PQ, HLG}


def hdr_to_bgr(frame: VideoFrame) -> npt.NDArray[np.uint8]:
    """Blue, green, red for an ordinary screen, (h, w, 3); what is brighter than diffuse white is white.

    The decoding library can do this too, but takes seconds to prepare for it.
    """
    coded = np.asarray(frame.reformat(format="rgb48le", threads=1).to_ndarray(), dtype=np.uint16)
    light: npt.NDArray[np.float32] = _light(frame.color_trc)[coded >> 6]
    if frame.color_primaries == _BT2020_PRIMARIES:
        light = np.asarray(cv2.transform(light, _TO_BT709), dtype=np.float32)
    steps = np.clip(light * (_FINE_STEPS - 1) + 0.5, 0, _FINE_STEPS - 1).astype(np.uint16)
    return np.ascontiguousarray(_screen()[steps][..., ::-1])


@cache
def _light(curve: int) -> npt.NDArray[np.float32]:
    """Light by coded value, diffuse white 1."""
    coded = np.linspace(0.0, 1.0, _STEPS)
    if curve == HLG:
        return (hlg_light(coded) / hlg_light(np.array(_WHITE_HLG))).astype(np.float32)
    return (pq_light_cd_m2(coded) / _WHITE_CD_M2).astype(np.float32)


def hlg_light(coded: Floats) -> Floats:
    """Scene light, 0 to 1, of a hybrid log-gamma signal (ITU-R BT.2100-2, table 5, inverse OETF)."""
    a = 0.17883277
    b, c = 1 - 4 * a, 0.5 - a * np.log(4 * a)
    return np.asarray(np.where(coded <= 0.5, coded**2 / 3, (np.exp((coded - c) / a) + b) / 12))


def pq_light_cd_m2(coded: Floats) -> Floats:
    """Light of a perceptual quantizer signal (ITU-R BT.2100-2, table 4, EOTF)."""
    m1, m2 = 2610 / 16384, 2523 / 4096 * 128
    c1, c2, c3 = 3424 / 4096, 2413 / 4096 * 32, 2392 / 4096 * 32
    root = coded ** (1 / m2)
    return np.asarray(10_000 * (np.maximum(root - c1, 0) / (c2 - c3 * root)) ** (1 / m1))


@cache
def _screen() -> npt.NDArray[np.uint8]:
    """Coded value of an ordinary screen by light (IEC 61966-2-1)."""
    light = np.linspace(0.0, 1.0, _FINE_STEPS)
    coded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    return np.asarray(np.rint(coded * 255), dtype=np.uint8)
