"""The printable cards have their true size on paper, on both papers, to a twentieth of a millimeter."""

import cv2
import numpy as np
import pymupdf
import pytest

from features.scale.card_boards import CARDS, opencv_board
from features.scale.card_pdf import PAPER_MM, page_of, write_card

DPI = 300
MM_PER_PX = 25.4 / DPI
EVERY_SHEET = [(size, paper) for size in CARDS for paper in PAPER_MM]


@pytest.fixture(params=EVERY_SHEET, ids=lambda p: f"{p[0]}-{p[1]}")
def sheet(request, tmp_path):
    size, paper = request.param
    path = tmp_path / "card.pdf"
    write_card(path, size, paper)
    with pymupdf.open(path) as document:
        pages = [page.get_pixmap(dpi=DPI) for page in document]
        boxes = [page.rect for page in document]
    grays = [np.frombuffer(p.samples, np.uint8).reshape(p.h, p.w, p.n)[..., :3].mean(-1) for p in pages]
    return size, paper, grays, boxes


def test_the_sheet_has_the_size_of_the_paper(sheet):
    """Paper sizes: ISO 216 and ANSI/ASME Y14.1, against pymupdf's own table of paper sizes."""
    _, paper, _, boxes = sheet
    assert sorted((boxes[0].width, boxes[0].height)) == pytest.approx(pymupdf.paper_size(paper), abs=0.8)


def test_every_square_is_printed_at_its_size(sheet):
    """Corners found by OpenCV in the rasterized page, against the board's mm."""
    size, paper, grays, _ = sheet
    px, ids, _, _ = cv2.aruco.CharucoDetector(opencv_board(size)).detectBoard(grays[0].astype(np.uint8))
    assert len(np.ravel(ids)) == 24
    mm = (np.reshape(px, (-1, 2)) + 0.5) * MM_PER_PX - page_of(size, paper).pattern_mm
    off = np.abs(mm - CARDS[size].corners_mm[np.ravel(ids)])
    assert 0 < off.max() < 0.05


def test_the_check_bar_and_the_bank_card_outline_are_true(sheet):
    """ISO/IEC 7810 ID-1 is 85.60 x 53.98 mm; the outline is drawn 0.15 mm thick about it."""
    boxes = [box for gray in sheet[2] for box in _ink_boxes_mm(gray)]
    assert any(max(box) == pytest.approx(50.0, abs=0.1) and min(box) < 6 for box in boxes)
    assert any(box == pytest.approx((85.60 + 0.15, 53.98 + 0.15), abs=0.15) for box in boxes)


def _ink_boxes_mm(gray):
    """Width and height of every connected piece of ink."""
    _, _, stats, _ = cv2.connectedComponentsWithStats((gray < 128).astype(np.uint8))
    return [(w * MM_PER_PX, h * MM_PER_PX) for _, _, w, h, _ in stats[1:]]


@pytest.mark.parametrize(("size", "paper"), [("huge", "a4"), ("pocket", "a3")])
def test_an_unknown_size_or_paper_is_refused_in_words(tmp_path, size, paper):
    with pytest.raises(ValueError, match="there are"):
        write_card(tmp_path / "card.pdf", size, paper)
    assert not (tmp_path / "card.pdf").exists()
