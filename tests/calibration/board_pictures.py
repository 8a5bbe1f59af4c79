"""Pictures of printed boards by a camera of stated place, made from the printed page's own geometry."""

import cv2
import numpy as np

from calibration.board import MODULES, Board, marker_bits


def paper(board: Board, px_a_module: int):
    """The board drawn with whole pixels a module, white round it, and millimetres -> its pixels."""
    corners = board.corners_mm()
    r = px_a_module / (board.marker_mm / MODULES)
    room = 1.25 * board.marker_mm / MODULES
    low, high = corners.reshape(-1, 2).min(axis=0) - room, corners.reshape(-1, 2).max(axis=0) + room
    width, height = np.rint((high - low) * r).astype(int)
    sheet = np.full((height, width), 255, np.uint8)
    for number in range(board.markers):
        x, z = corners[number, 0]
        left, top = round((x - low[0]) * r), round((high[1] - z) * r)
        square = np.kron(marker_bits(number), np.ones((px_a_module, px_a_module))) * 255
        sheet[top : top + len(square), left : left + len(square)] = square
    to_px = np.array([[r, 0, -low[0] * r - 0.5], [0, -r, high[1] * r - 0.5], [0, 0, 1]])
    return sheet, to_px


def camera(board, *, f_px, distance_m, turn_rad, aside_m, size):
    """Homography millimetres -> pixels of a pinhole before which the board is turned and set aside."""
    corners = board.corners_mm().reshape(-1, 2)
    middle = (corners.min(axis=0) + corners.max(axis=0)) / 2
    place = np.array([[1, 0, -middle[0]], [0, -1, middle[1]], [0, 0, 0]]) / 1000
    K = np.array([[f_px, 0, (size[0] - 1) / 2], [0, f_px, (size[1] - 1) / 2], [0, 0, 1.0]])
    P = cv2.Rodrigues(np.array(turn_rad, dtype=float))[0] @ place
    P[:, 2] += [*aside_m, distance_m]
    H = K @ P
    return H / H[2, 2]


def film(
    board,
    rng,
    *,
    f_px=1200.0,
    distance_m=4.0,
    turn_rad=(0.0, 0.0, 0.0),
    aside_m=(0.0, 0.0),
    size=(1280, 720),
    blur_px=0.7,
    noise=3.0,
    tone=1.0,
    levels=(40, 190),
    fine=4,
):
    """A picture, (H, W), drawn ``fine`` times as large and averaged; and its homography from millimetres."""
    H = camera(board, f_px=f_px, distance_m=distance_m, turn_rad=turn_rad, aside_m=aside_m, size=size)
    module_px = f_px / distance_m * board.marker_mm / 1000 / MODULES * fine
    # Multiples of four modules' pixels keep gaps of one and a half and margins of one and a quarter whole.
    sheet, to_px = paper(board, 4 * max(1, int(np.ceil(module_px / 4))))
    enlarge = np.array([[fine, 0, (fine - 1) / 2], [0, fine, (fine - 1) / 2], [0, 0, 1]])
    large = cv2.warpPerspective(
        sheet, enlarge @ H @ np.linalg.inv(to_px), (size[0] * fine, size[1] * fine), borderValue=128
    )
    seen = cv2.resize(large, size, interpolation=cv2.INTER_AREA).astype(np.float32)
    seen = levels[0] + (levels[1] - levels[0]) * seen / 255
    seen = cv2.GaussianBlur(seen, (0, 0), blur_px)
    seen = 255 * (seen / 255) ** tone + rng.normal(0, noise, seen.shape)
    return np.uint8(np.clip(np.rint(seen), 0, 255)), H


def centres_px(board, H):
    """True middles of all markers, (m, 2)."""
    return cv2.perspectiveTransform(board.corners_mm().mean(axis=1)[:, None], H)[:, 0]


def scale_px_m(H_m, place_m):
    """Pixels a metre at a place, the geometric mean of both directions, from a homography in metres."""
    h = H_m @ [*place_m, 1]
    slopes = (H_m[:2, :2] - np.outer(h[:2] / h[2], H_m[2, :2])) / h[2]
    return float(np.sqrt(abs(np.linalg.det(slopes))))
