"""A board -> pages to print (PDF), every length true at 100 %.

The file is written by hand: rectangles, lines and two of the fonts every reader has.
Source of the format: ISO 32000-1:2008, 7.5 (file structure), 8.5 (paths), 9.4 (text).
"""

from __future__ import annotations

from pathlib import Path

from calibration.board import MARGIN_MM, MODULES, PAPERS_MM, Board, marker_bits
from calibration.errors import CalibrationError

_POINTS_PER_MM = 72.0 / 25.4
RULER_MM = 150.0

_STEPS = (
    '1. Print every page at 100 % ("actual size"), on one side, never "fit to page". Matt paper is best.',
    "2. Measure the ruler line at the foot of each sheet with a good ruler. It should be 150.0 mm long.",
    "    Give the program the length you measured; it corrects every other length by it.",
    "3. Several sheets: cut along the full line, lay that edge on the broken line of the next sheet so that",
    "    the joining marks of the same letter meet, and tape it.",
    "4. Tape the board flat on something stiff (a board, thick card). No bends, no gaps, no glossy film.",
    "5. Stand it upright in the plane in which the ball flies, arrows up, facing the camera, near the",
    "    flight but out of its way: below the path or beside the launcher.",
    "6. Start filming, leave the board in view for a second at least, and move neither board nor camera",
    "    until the last shot is filmed. It may stay where it is.",
    "7. In the picture a marker should be 20 pixels wide or more. If it is smaller, come closer or use",
    "    larger markers or more sheets.",
)

_SAFETY = (
    "Before hands or a board go near the launcher: power off, and the wheel at a stop.",
    "Eye protection for everyone near a spinning wheel. Hair, sleeves, laces and cables away from it.",
    "Nobody in line with the exit. An adult who knows the machine is present.",
    "Never above the wheel's rated speed. This page advises; it does not certify a launcher as safe.",
    "The event's rules, the school's rules and the makers' instructions come first.",
)


class _Page:
    """Drawing in millimetres from the lower left corner of the paper."""

    def __init__(self) -> None:
        self._parts: list[str] = []

    def grey(self, level: float) -> None:
        self._parts.append(f"{level:g} g {level:g} G")

    def box(self, x: float, y: float, width: float, height: float) -> None:
        self._parts.append(f"{_pt(x)} {_pt(y)} {_pt(width)} {_pt(height)} re f")

    def line(
        self, x1: float, y1: float, x2: float, y2: float, width_mm: float = 0.2, dash_mm: float = 0.0
    ) -> None:
        dash = f"[{_pt(dash_mm)}] 0 d" if dash_mm else "[] 0 d"
        self._parts.append(f"{_pt(width_mm)} w {dash} {_pt(x1)} {_pt(y1)} m {_pt(x2)} {_pt(y2)} l S")

    def text(self, x: float, y: float, text: str, size_pt: float = 9.0, *, bold: bool = False) -> None:
        escaped = text.replace("\\", r"\\").replace("(", r"\(").replace(")", r"\)")
        font = "F2" if bold else "F1"
        self._parts.append(f"BT /{font} {size_pt:g} Tf {_pt(x)} {_pt(y)} Td ({escaped}) Tj ET")

    def stream(self) -> bytes:
        return "\n".join(self._parts).encode("cp1252")


def _pt(mm: float) -> str:
    return f"{mm * _POINTS_PER_MM:.4f}"


def write_board(path: str | Path, board: Board, *, replace: bool = False) -> None:
    """Write a board to a PDF file; an existing file is kept unless ``replace``.

    Raises
    ------
    CalibrationError
        "board_exists", or "board_not_written" where the place cannot be written to.
    """
    path = Path(path)
    pages = [_instructions(board), *(_sheet(board, k) for k in range(board.sheets))]
    try:
        with path.open("wb" if replace else "xb") as file:
            file.write(_document(pages, *PAPERS_MM[board.paper]))
    except FileExistsError as error:
        raise CalibrationError(
            "board_exists",
            f"There is already a file {path.name}.",
            "Choose another name, or ask to replace it.",
        ) from error
    except OSError as error:
        raise CalibrationError(
            "board_not_written",
            f"The board {path.name} could not be written: {error.strerror}.",
            "Choose a folder that exists and that you may write to.",
        ) from error


def _instructions(board: Board) -> _Page:
    width, height = PAPERS_MM[board.paper]
    page = _Page()
    x, y = 18.0, height - 26.0
    page.text(x, y, "Board for measuring a flight in the picture", 17, bold=True)
    sheets = "one sheet" if board.sheets == 1 else f"{board.sheets} sheets"
    y -= 8
    page.text(
        x,
        y,
        f"{sheets} of {board.paper}, {board.markers} markers of {board.marker_mm:g} mm",
        10,
    )
    y -= 12
    for step in _STEPS:
        page.text(x, y, step, 9.5)
        y -= 5.6
    y -= 5
    page.text(x, y, "Safety", 12, bold=True)
    y -= 6.5
    for sentence in _SAFETY:
        page.text(x, y, sentence, 9.5)
        y -= 5.6
    _overview(page, board, x, 20.0, width - 2 * x, y - 32.0)
    return page


def _overview(page: _Page, board: Board, x: float, y: float, room_x: float, room_y: float) -> None:
    """The finished board, small, with its size."""
    tile_x, tile_y = board.tile_mm
    across, up = board.sheets_across * tile_x, board.sheets_up * tile_y
    scale = min(room_x / across, room_y / up, 0.3)
    page.text(x, y + up * scale + 5, "The finished board, from the front", 12, bold=True)
    page.grey(0.45)
    for corners in board.corners_mm():
        left, bottom = corners[3]
        dx, dy = board.in_tile_mm()
        side = board.marker_mm * scale
        page.box(x + (left + dx) * scale, y + (bottom + dy) * scale, side, side)
    page.grey(0)
    for i in range(board.sheets_across + 1):
        page.line(x + i * tile_x * scale, y, x + i * tile_x * scale, y + up * scale)
    for j in range(board.sheets_up + 1):
        page.line(x, y + j * tile_y * scale, x + across * scale, y + j * tile_y * scale)
    for k in range(board.sheets):
        row, column = divmod(k, board.sheets_across)
        page.text(x + (column * tile_x + 4) * scale, y + (row * tile_y + 5) * scale, f"sheet {k + 1}", 7)
    page.text(x, y - 5, f"{across:.0f} mm wide, {up:.0f} mm high", 9)


def _sheet(board: Board, sheet: int) -> _Page:
    page = _Page()
    row, column = divmod(sheet, board.sheets_across)
    columns, rows = board.grid
    dx, dy = board.in_tile_mm()
    pitch = board.marker_mm + board.gap_mm
    for k in range(columns * rows):
        j, i = divmod(k, columns)
        number = sheet * columns * rows + k
        _marker(page, MARGIN_MM + dx + i * pitch, MARGIN_MM + dy + j * pitch, board.marker_mm, number)
    _ruler(page, MARGIN_MM + 8.0, MARGIN_MM + 11.0)
    name = f"Sheet {sheet + 1} of {board.sheets}" if board.sheets > 1 else "One sheet"
    if board.sheets > 1:
        name += f" (column {column + 1} from the left, row {row + 1} from below)"
    page.text(
        MARGIN_MM + 8.0, MARGIN_MM + 2.2, f"{name}. Print at 100 %. Marker {board.marker_mm:g} mm.", 7.5
    )
    _up_arrow(page, MARGIN_MM + board.tile_mm[0] - 14.0, MARGIN_MM + 6.0)
    _joints(page, board, column, row)
    return page


def _marker(page: _Page, x: float, y: float, side: float, number: int) -> None:
    """Black square with white modules; runs both ways, so that no seam shows between white neighbours."""
    module = side / MODULES
    page.grey(0)
    page.box(x, y, side, side)
    page.grey(1)
    bits = marker_bits(number)
    for across in (True, False):
        grid = bits if across else bits.T
        for i, line in enumerate(grid):
            for start, length in _runs([bool(bit) for bit in line]):
                left, top = (start, i) if across else (i, start)
                wide, high = (length, 1) if across else (1, length)
                page.box(x + left * module, y + side - (top + high) * module, wide * module, high * module)
    page.grey(0)


def _runs(bits: list[bool]) -> list[tuple[int, int]]:
    """Start and length of every run of True."""
    runs, start = [], None
    for i, bit in enumerate([*bits, False]):
        if bit and start is None:
            start = i
        elif not bit and start is not None:
            runs.append((start, i - start))
            start = None
    return runs


def _ruler(page: _Page, x: float, y: float) -> None:
    page.line(x, y, x + RULER_MM, y, 0.25)
    for mm in range(0, int(RULER_MM) + 1, 5):
        tick = 4.5 if mm in (0, int(RULER_MM)) else 2.5 if mm % 10 == 0 else 1.3
        page.line(x + mm, y, x + mm, y + tick, 0.25 if mm % 50 == 0 else 0.15)
        if mm % 50 == 0 and 0 < mm < RULER_MM:
            page.text(x + mm - 1.8, y + 3.4, str(mm), 7)
    page.text(x + 1.2, y + 3.4, "0", 7)
    page.text(x + RULER_MM + 1.5, y - 0.8, "150 mm", 7.5)


def _up_arrow(page: _Page, x: float, y: float) -> None:
    page.line(x, y, x, y + 7, 0.5)
    page.line(x, y + 7, x - 1.6, y + 4.6, 0.5)
    page.line(x, y + 7, x + 1.6, y + 4.6, 0.5)
    page.text(x + 2.2, y + 2.0, "UP", 8, bold=True)


def _joints(page: _Page, board: Board, column: int, row: int) -> None:
    """Cutting lines and joining marks on the sides that meet another sheet."""
    width, height = board.tile_mm
    left, bottom = MARGIN_MM, MARGIN_MM
    right, top = left + width, bottom + height
    if column + 1 < board.sheets_across:
        _side(
            page, (right, bottom), (right, top), cut=True, letters=_letters(board, column, row, upright=True)
        )
    if column > 0:
        _side(
            page,
            (left, bottom),
            (left, top),
            cut=False,
            letters=_letters(board, column - 1, row, upright=True),
        )
    if row + 1 < board.sheets_up:
        _side(page, (left, top), (right, top), cut=True, letters=_letters(board, column, row, upright=False))
    if row > 0:
        _side(
            page,
            (left, bottom),
            (right, bottom),
            cut=False,
            letters=_letters(board, column, row - 1, upright=False),
        )


def _letters(board: Board, column: int, row: int, *, upright: bool) -> str:
    """Name of the joint on the right of (upright) or above a sheet; the same from both sides."""
    across = (board.sheets_across - 1) * board.sheets_up
    number = (
        row * (board.sheets_across - 1) + column if upright else across + row * board.sheets_across + column
    )
    return chr(ord("A") + number % 26) + (str(number // 26) if number >= 26 else "")


def _side(
    page: _Page, start: tuple[float, float], end: tuple[float, float], *, cut: bool, letters: str
) -> None:
    page.line(*start, *end, 0.15, 0.0 if cut else 1.5)
    upright = start[0] == end[0]
    for share in (0.15, 0.5, 0.85):
        x = start[0] + share * (end[0] - start[0])
        y = start[1] + share * (end[1] - start[1])
        if upright:
            page.line(x - 3.5, y, x + 3.5, y, 0.3)
            page.text(x + (-3.0 if cut else 1.0), y + 1.0, letters, 7)
        else:
            page.line(x, y - 3.5, x, y + 3.5, 0.3)
            page.text(x + 0.8, y + (-3.4 if cut else 1.0), letters, 7)
    if cut:
        if upright:
            page.text(end[0] + 0.8, end[1] - 6.0, "cut", 6)
        else:
            page.text(start[0] + 1.0, start[1] + 1.0, "cut", 6)


def _document(pages: list[_Page], width_mm: float, height_mm: float) -> bytes:
    """The file: catalogue, page tree, two fonts, then page and content in turn, and the table of offsets."""
    kids = " ".join(f"{5 + 2 * k} 0 R" for k in range(len(pages)))
    objects = [
        b"<< /Type /Catalog /Pages 2 0 R /ViewerPreferences << /PrintScaling /None >> >>",
        f"<< /Type /Pages /Kids [{kids}] /Count {len(pages)} >>".encode("ascii"),
        *(
            f"<< /Type /Font /Subtype /Type1 /BaseFont /{name} /Encoding /WinAnsiEncoding >>".encode("ascii")
            for name in ("Helvetica", "Helvetica-Bold")
        ),
    ]
    for k, page in enumerate(pages):
        stream = page.stream()
        objects.append(
            (
                f"<< /Type /Page /Parent 2 0 R /MediaBox [0 0 {_pt(width_mm)} {_pt(height_mm)}] "
                f"/Resources << /Font << /F1 3 0 R /F2 4 0 R >> >> /Contents {6 + 2 * k} 0 R >>"
            ).encode("ascii")
        )
        objects.append(b"<< /Length %d >>\nstream\n%b\nendstream" % (len(stream), stream))
    out = bytearray(b"%PDF-1.6\n%\xe2\xe3\xcf\xd3\n")
    offsets = []
    for number, body in enumerate(objects, start=1):
        offsets.append(len(out))
        out += b"%d 0 obj\n%b\nendobj\n" % (number, body)
    table = len(out)
    out += b"xref\n0 %d\n0000000000 65535 f \n" % (len(objects) + 1)
    out += b"".join(b"%010d 00000 n \n" % offset for offset in offsets)
    out += b"trailer\n<< /Size %d /Root 1 0 R >>\nstartxref\n%d\n%%%%EOF\n" % (len(objects) + 1, table)
    return bytes(out)
