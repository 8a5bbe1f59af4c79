"""The pages as a reader draws them: complete files, true lengths, every marker readable."""

import re
import shutil
import subprocess
import zlib

import cv2
import numpy as np
import pytest

from calibration.board import MARGIN_MM, PAPERS_MM, Board, find_board
from calibration.board_pdf import RULER_MM, write_board
from calibration.errors import CalibrationError

POINT_MM = 25.4 / 72  # ISO 32000-1:2008, 8.3.2.3: a unit is 1/72 inch


def test_the_table_of_offsets_is_right(tmp_path):
    """ISO 32000-1:2008, 7.5.4: each entry is 20 bytes and points at its object."""
    write_board(tmp_path / "board.pdf", Board(sheets_across=2))
    data = (tmp_path / "board.pdf").read_bytes()
    start = int(data.rsplit(b"startxref\n", 1)[1].split()[0])
    assert data[start : start + 4] == b"xref"
    count = int(data[start:].split()[2])
    entries = data[start:].split(b"\n", 2)[2]
    for number in range(1, count):
        entry = entries[20 * number : 20 * number + 20]
        assert data[int(entry[:10]) :].startswith(b"%d 0 obj" % number)
    assert data.count(b"/Type /Page ") == 3
    for length, body in re.findall(rb"/Length (\d+) >>\nstream\n(.*?)\nendstream", data, re.DOTALL):
        assert int(length) == len(body)


def test_lengths_on_the_page_are_millimetres(tmp_path):
    board = Board(paper="Letter")
    write_board(tmp_path / "board.pdf", board)
    data = (tmp_path / "board.pdf").read_bytes().decode("cp1252")
    box = re.search(r"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", data)
    assert [float(v) * POINT_MM for v in box.groups()] == pytest.approx(PAPERS_MM["Letter"], abs=1e-3)
    sheet = data.split("stream\n")[3]
    squares = [
        [float(v) * POINT_MM for v in m]
        for m in re.findall(r"([\d.]+) ([\d.]+) ([\d.]+) ([\d.]+) re f", sheet)
    ]
    whole = [s for s in squares if abs(s[2] - board.marker_mm) < 1e-3 and abs(s[3] - board.marker_mm) < 1e-3]
    assert len(whole) == 6
    truth = board.corners_mm()[:, 3] + np.array(board.in_tile_mm()) + MARGIN_MM
    np.testing.assert_allclose([s[:2] for s in whole], truth, atol=1e-3)
    lines = [
        [float(v) * POINT_MM for v in m]
        for m in re.findall(r"([\d.]+) ([\d.]+) m ([\d.]+) ([\d.]+) l", sheet)
    ]
    assert max(x2 - x1 for x1, y1, x2, y2 in lines if y1 == y2) == pytest.approx(RULER_MM, abs=1e-3)


def test_the_safety_lines_and_the_steps_are_there(tmp_path):
    write_board(tmp_path / "board.pdf", Board(sheets_up=2))
    text = (tmp_path / "board.pdf").read_bytes().decode("cp1252")
    for words in (
        "power off",
        "Eye protection",
        "Nobody in line with the exit",
        "rated speed",
        "100 %",
        "plane in which",
    ):
        assert words in text
    assert text.count("150 mm") == 2
    assert "Sheet 2 of 2" in text


def test_a_file_that_is_there_is_kept(tmp_path):
    path = tmp_path / "board.pdf"
    path.write_bytes(b"mine")
    with pytest.raises(CalibrationError, match=r"already a file board\.pdf"):
        write_board(path, Board())
    assert path.read_bytes() == b"mine"
    write_board(path, Board(), replace=True)
    assert path.read_bytes().startswith(b"%PDF-1.6")
    with pytest.raises(CalibrationError, match="could not be written"):
        write_board(tmp_path / "nowhere" / "board.pdf", Board())


def test_no_compression_is_needed_to_read_it(tmp_path):
    write_board(tmp_path / "board.pdf", Board(sheets_across=2, sheets_up=2))
    data = (tmp_path / "board.pdf").read_bytes()
    assert len(data) < 100_000
    assert len(zlib.compress(data)) < 15_000


@pytest.mark.skipif(
    shutil.which("pdftoppm") is None, reason="needs pdftoppm, which draws PDF pages (poppler-utils)"
)
@pytest.mark.parametrize("paper_name", ["A4", "Letter"])
def test_drawn_by_another_program_the_markers_are_read_where_they_should_be(tmp_path, paper_name):
    board = Board(paper=paper_name)
    write_board(tmp_path / "board.pdf", board)
    dots, fine = 100, 3  # finer and averaged, because the reader draws to whole dots
    subprocess.run(
        [
            "pdftoppm",
            "-r",
            str(dots * fine),
            "-gray",
            "-f",
            "2",
            "-singlefile",
            str(tmp_path / "board.pdf"),
            str(tmp_path / "p"),
        ],
        check=True,
    )
    luma = cv2.imread(str(tmp_path / "p.pgm"), cv2.IMREAD_GRAYSCALE)
    luma = cv2.resize(luma, None, fx=1 / fine, fy=1 / fine, interpolation=cv2.INTER_AREA)
    sighting = find_board(luma, board)
    assert sighting.marker.tolist() == list(range(6))
    places = (board.corners_mm().mean(axis=1) + np.array(board.in_tile_mm()) + MARGIN_MM) / 25.4 * dots
    truth = np.column_stack([places[:, 0] - 0.5, PAPERS_MM[paper_name][1] / 25.4 * dots - places[:, 1] - 0.5])
    off = sighting.centres_px - truth
    assert np.abs(off - off.mean(axis=0)).max() < 0.2  # half a fine dot and what the finder adds
    assert np.abs(off.mean(axis=0)).max() < 1.0
