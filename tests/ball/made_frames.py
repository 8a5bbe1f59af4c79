"""Pictures made for the ball room's tests: discs of known centre and radius as 4:2:0 planes.

A disc is drawn by counting sub-samples, blurred by a Gaussian, and put over a background; chroma is the mean
of two by two pixels. Nothing of the package is used, so that the truth is the test's own.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np

Planes = tuple[np.ndarray, np.ndarray, np.ndarray]

FINE = 8  # sub-samples a pixel and axis: an edge is placed to about 1/100 px


@dataclass
class Frame:
    """A frame as the watch takes it."""

    index: int
    y: np.ndarray
    u: np.ndarray
    v: np.ndarray


@dataclass
class Disc:
    """A ball: centre and radius in pixels, colour as luma and both chroma levels, motion in one exposure."""

    x: float
    y: float
    radius: float
    yuv: tuple[float, float, float] = (150.0, 90.0, 190.0)
    streak: tuple[float, float] = (0.0, 0.0)
    marks: list[tuple[float, float, float, tuple[float, float, float]]] = field(default_factory=list)
    stripe: tuple[float, float, tuple[float, float, float]] | None = None  # place, half width (radii), colour
    shade: float = 0.0  # levels of luma from one rim to the other, darker to the lower right


def cover(disc: Disc, height: int, width: int, *, instants: int = 1) -> np.ndarray:
    """Share of each pixel (h, w) that the disc covers, mean over the exposure."""
    reach = disc.radius + 0.5 * float(np.hypot(*disc.streak)) + 2
    x0, x1 = max(0, int(disc.x - reach)), min(width, int(disc.x + reach) + 2)
    y0, y1 = max(0, int(disc.y - reach)), min(height, int(disc.y + reach) + 2)
    out = np.zeros((height, width))
    if x0 >= x1 or y0 >= y1:
        return out
    sub = (np.arange(FINE) + 0.5) / FINE - 0.5
    xs = (np.arange(x0, x1)[:, None] + sub).ravel()
    ys = (np.arange(y0, y1)[:, None] + sub).ravel()
    for k in range(instants):
        share = (k + 0.5) / instants - 0.5
        cx, cy = disc.x + share * disc.streak[0], disc.y + share * disc.streak[1]
        inside = (xs[None, :] - cx) ** 2 + (ys[:, None] - cy) ** 2 <= disc.radius**2
        out[y0:y1, x0:x1] += inside.reshape(y1 - y0, FINE, x1 - x0, FINE).mean(axis=(1, 3)) / instants
    return out


def colours(disc: Disc, height: int, width: int) -> np.ndarray:
    """What the ball looks like at each pixel, (3, h, w), marks and shade included."""
    x, y = np.meshgrid(np.arange(width) - disc.x, np.arange(height) - disc.y)
    out = np.broadcast_to(np.array(disc.yuv)[:, None, None], (3, height, width)).copy()
    out[0] -= disc.shade * np.clip((x + y) / (2 * disc.radius), -1, 1) / 2
    if disc.stripe is not None:
        place, half, colour = disc.stripe
        on = np.abs(y / disc.radius - place) < half
        out[:, on] = np.array(colour)[:, None]
    for mx, my, size, colour in disc.marks:
        on = np.hypot(x / disc.radius - mx, y / disc.radius - my) < size
        out[:, on] = np.array(colour)[:, None]
    return out


def plain(height: int, width: int, yuv: tuple[float, float, float] = (90.0, 126.0, 124.0)) -> np.ndarray:
    """A background of one colour, (3, h, w)."""
    return np.broadcast_to(np.array(yuv)[:, None, None], (3, height, width)).copy()


def textured(height: int, width: int, seed: int, depth: float = 18.0) -> np.ndarray:
    """A background of boards and blotches, (3, h, w)."""
    rng = np.random.default_rng(seed)
    out = plain(height, width)
    blotches = cv2.GaussianBlur(rng.standard_normal((height, width)), (0, 0), 4.0)
    out[0] += depth * blotches / blotches.std() * 0.6
    out[0] += depth * np.sign(np.sin(np.arange(width) / 7.3))[None, :]
    out[1:] += 3.0 * cv2.GaussianBlur(rng.standard_normal((height, width)), (0, 0), 6.0)[None]
    return out


def drawn(ground: np.ndarray, discs: list[Disc], *, blur: float = 0.8) -> np.ndarray:
    """Discs over a background, as a lens would show them: (3, h, w), at full resolution."""
    out = ground.copy()
    height, width = ground.shape[1:]
    for disc in discs:
        long = float(np.hypot(*disc.streak))
        share = cover(disc, height, width, instants=max(1, int(np.ceil(2 * long))))
        if blur > 0:
            share = cv2.GaussianBlur(share, (0, 0), blur)
        out = out * (1 - share) + colours(disc, height, width) * share
    return out


def planes(full: np.ndarray, rng: np.random.Generator | None = None, noise: float = 0.0) -> Planes:
    """8-bit luma (h, w) and chroma (h/2, w/2), each chroma sample the mean of four pixels."""
    half = full[1:].reshape(2, full.shape[1] // 2, 2, full.shape[2] // 2, 2).mean(axis=(2, 4))
    parts = [full[0], half[0], half[1]]
    if rng is not None and noise > 0:
        parts = [part + noise * rng.standard_normal(part.shape) for part in parts]
    y, u, v = (np.clip(np.rint(part), 0, 255).astype(np.uint8) for part in parts)
    return y, u, v


def film(
    ground: np.ndarray,
    balls: list[list[Disc]],
    *,
    seed: int = 0,
    noise: float = 1.0,
    blur: float = 0.8,
    gain: list[float] | None = None,
) -> list[Frame]:
    """Frames of the given discs each; ``gain`` is each frame's brightness."""
    rng = np.random.default_rng(seed)
    frames = []
    for k, discs in enumerate(balls):
        full = drawn(ground, discs, blur=blur)
        if gain is not None:
            full = np.concatenate([full[:1] * gain[k], 128 + (full[1:] - 128) * gain[k]])
        frames.append(Frame(k, *planes(full, rng, noise)))
    return frames


def thrown(
    count: int, radius: float, *, x: float = 40.0, y: float = 150.0, vx: float = 6.0, vy: float = -5.0
) -> list[Disc]:
    """A ball that flies to the right and falls by 0.12 pixels a frame squared."""
    return [Disc(x + vx * k, y + vy * k + 0.06 * k * k, radius) for k in range(count)]
