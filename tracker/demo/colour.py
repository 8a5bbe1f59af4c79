"""Linear light to the planes that a video file keeps: transfer curve, matrix, range, bits, noise."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

Pictures = npt.NDArray[np.float32]

# Rec. ITU-R BT.709-6 item 3.2 and BT.2020-2 table 4: luma weights of red and blue.
_WEIGHTS = {"bt709": (0.2126, 0.0722), "hlg": (0.2627, 0.0593)}
# Rec. ITU-R BT.2087-0: linear BT.709 to linear BT.2020.
_TO_2020 = np.array([[0.6274, 0.3293, 0.0433], [0.0691, 0.9195, 0.0114], [0.0164, 0.0880, 0.8956]])
_STEPS = 1 << 14
_HLG_WHITE = 0.265  # scene light that HLG codes as 75 %; Rec. ITU-R BT.2408, from memory


def bt709_signal(light: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Rec. ITU-R BT.709-6 item 1.2: opto-electronic transfer."""
    return np.where(light < 0.018, 4.5 * light, 1.099 * np.maximum(light, 0.018) ** 0.45 - 0.099)


def hlg_signal(light: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Rec. ITU-R BT.2100-2 table 5: HLG opto-electronic transfer, after scaling white to 75 %."""
    e = light * _HLG_WHITE
    a, b, c = 0.17883277, 0.28466892, 0.55991073
    return np.where(e <= 1 / 12, np.sqrt(3 * e), a * np.log(np.maximum(12 * e - b, 1e-9)) + c)


@dataclass(frozen=True, slots=True)
class Coding:
    """How light becomes numbers in the file.

    Parameters
    ----------
    bits : int
        8 or 10.
    full_range : bool
        0 to 255 instead of 16 to 235 (and their 10-bit likes).
    transfer : str
        "bt709", or "hlg" for BT.2100 HLG with BT.2020 colours.
    photons : float
        Electrons a pixel at white: the fewer, the noisier; 0 is no noise at all.
    read_noise : float
        Electrons of noise a pixel in the dark.
    """

    bits: int = 8
    full_range: bool = False
    transfer: str = "bt709"
    photons: float = 6000.0
    read_noise: float = 4.0
    _curve: Pictures = field(init=False, repr=False, compare=False)
    _grain: Pictures = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        light = (np.arange(_STEPS) + 0.5) / _STEPS
        make = bt709_signal if self.transfer == "bt709" else hlg_signal
        curve = make(light)
        slope = np.gradient(curve, light)
        full = self.photons or math.inf
        noise = np.sqrt(light / full + (self.read_noise / full) ** 2) * slope
        # Noise against signal, not light: the planes are what it is added to.
        grain = np.interp(np.linspace(0, 1, 1024), curve, noise)
        object.__setattr__(self, "_curve", curve.astype(np.float32))
        object.__setattr__(self, "_grain", grain.astype(np.float32))

    def planes(self, light: Pictures) -> tuple[Pictures, Pictures, Pictures]:
        """Luma (h, w) and chroma (h/2, w/2) signals of linear light (h, w, 3); h and w even.

        Chroma sits at the left column of each pair (Rec. ITU-T H.264 figure E-1, type 0): across it
        is filtered 1-2-1, down it is the mean of two. Neighbours beyond the window repeat.
        """
        if self.transfer == "hlg":
            light = light @ _TO_2020.T.astype(np.float32)
        index = np.clip(light * _STEPS, 0, _STEPS - 1).astype(np.uint16)
        rgb = self._curve[index]
        kr, kb = _WEIGHTS[self.transfer]
        r, g, b = rgb[..., 0], rgb[..., 1], rgb[..., 2]
        y = kr * r + (1 - kr - kb) * g + kb * b
        u = self._halve((b - y) * (0.5 / (1 - kb)))
        v = self._halve((r - y) * (0.5 / (1 - kr)))
        return y, u, v

    @staticmethod
    def _halve(plane: Pictures) -> Pictures:
        down = 0.5 * (plane[0::2] + plane[1::2])
        left = np.concatenate([down[:, :1], down[:, 1:-1:2]], axis=1)
        halved: Pictures = 0.5 * down[:, 0::2] + 0.25 * (left + down[:, 1::2])
        return halved

    def stored(
        self, planes: tuple[Pictures, Pictures, Pictures], rng: np.random.Generator, grain: NoiseField | None
    ) -> tuple[npt.NDArray[np.uint16], ...]:
        """Noise added, range and bits applied: luma and two chroma planes of whole numbers."""
        y, u, v = planes
        top = float((1 << self.bits) - 1)
        step = float(1 << (self.bits - 8))
        scale_y, zero_y, scale_c = (top, 0.0, top) if self.full_range else (219 * step, 16 * step, 224 * step)
        zero_c = 128 * step
        if grain is not None:
            sigma = self._grain[np.clip(y * 1023, 0, 1023).astype(np.uint16)]
            kr, kb = _WEIGHTS[self.transfer]
            kg = 1 - kr - kb
            y = y + grain.crop(rng, y.shape) * sigma * float(np.sqrt(kr * kr + kg * kg + kb * kb))
            # Three independent channels give Cb and Cr each about 0.6 of one channel's noise, and
            # the halving filter 0.43 of that.
            coarse = 0.26 * sigma[0::2, 0::2]
            u = u + grain.crop(rng, u.shape) * coarse
            v = v + grain.crop(rng, v.shape) * coarse
        out = []
        for plane, scale, zero in ((y, scale_y, zero_y), (u, scale_c, zero_c), (v, scale_c, zero_c)):
            out.append(np.clip(np.rint(plane * scale + zero), 0, top).astype(np.uint16))
        return tuple(out)


class NoiseField:
    """A large field of normal numbers, cut anew at random places: cheaper than drawing every one."""

    def __init__(self, height_px: int, width_px: int, seed: int) -> None:
        rng = np.random.default_rng(seed)
        self._field = rng.standard_normal((2 * height_px, 2 * width_px), dtype=np.float32)

    def crop(self, rng: np.random.Generator, shape: tuple[int, ...]) -> Pictures:
        """A window of the field of the given shape (h, w)."""
        h, w = shape
        y = int(rng.integers(0, self._field.shape[0] - h + 1))
        x = int(rng.integers(0, self._field.shape[1] - w + 1))
        return self._field[y : y + h, x : x + w]
