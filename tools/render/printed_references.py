"""The printed pictures of scale cards, a bank card and sheets of paper, worn as such things are."""

from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from features.scale.card_boards import CARDS, CardSize, opencv_board
from reference_geometry.standards.flat_references import find_flat_reference
from tools.render import textures as tx
from tools.render.reference_objects import PAPER_THICKNESS_MM, Bend, ReferenceObject, flat_object

SQUARE_PX = 168
"""Texture pixels per chessboard square: a multiple of 28, so that every marker module has whole pixels."""


@lru_cache(maxsize=2)
def _board_picture(size: CardSize) -> NDArray[np.uint8]:
    """The printed pattern, 255 = paper, row 0 at the top."""
    board = CARDS[size]
    picture = opencv_board(size).generateImage((7 * SQUARE_PX, 5 * SQUARE_PX), marginSize=0, borderBits=1)
    assert picture.shape == (5 * SQUARE_PX, 7 * SQUARE_PX)
    assert abs(board.width_mm / board.square_mm - 7) < 1e-9
    return np.asarray(picture, np.uint8)


def scale_card(size: CardSize, bend: Bend, rng: np.random.Generator) -> ReferenceObject:
    """A printed scale card cut out with some margin, as a user makes it."""
    board = CARDS[size]
    px_per_mm = SQUARE_PX / board.square_mm
    unit = board.square_mm / 12
    left, right, top = rng.uniform(4, 12, 3) * unit
    bottom = rng.uniform(9, 16) * unit
    width, height = board.width_mm + left + right, board.height_mm + top + bottom
    picture = np.full((round(height * px_per_mm), round(width * px_per_mm)), 255, np.uint8)
    # Snap the margins to whole texture pixels so that the truth is exact.
    x0, y0 = round(left * px_per_mm), round(top * px_per_mm)
    left, top = x0 / px_per_mm, y0 / px_per_mm
    width, height = picture.shape[1] / px_per_mm, picture.shape[0] / px_per_mm
    pattern = _board_picture(size)
    picture[y0 : y0 + pattern.shape[0], x0 : x0 + pattern.shape[1]] = pattern
    _print_legend(picture, size, x0, y0 + pattern.shape[0], px_per_mm, unit)
    return flat_object(
        "scale_card", size, _printed(picture, rng), (width, height), (left, top), PAPER_THICKNESS_MM, bend,
        roughness=float(rng.choice([0.12, 0.3, 0.6, 0.8], p=[0.15, 0.2, 0.35, 0.3])), rng=rng,
    )  # fmt: skip


def _print_legend(picture: NDArray[np.uint8], size: str, x0: int, y1: int, px_per_mm: float, unit: float) -> None:
    """Words and the 50 mm check bar below the pattern."""
    y = y1 + int(4.2 * unit * px_per_mm)
    bar = int(50 * px_per_mm) if size == "pocket" else int(100 * px_per_mm)
    cv2.line(picture, (x0, y), (x0 + bar, y), 0, max(1, int(0.35 * unit * px_per_mm)))
    for end in (x0, x0 + bar):
        cv2.line(picture, (end, y - int(1.2 * unit * px_per_mm)), (end, y + int(1.2 * unit * px_per_mm)), 0, 3)
    words = f"scale card {size}   check bar {50 if size == 'pocket' else 100} mm"
    scale = 0.028 * unit * px_per_mm * 1.6
    cv2.putText(
        picture,
        words,
        (x0, y + int(3.6 * unit * px_per_mm)),
        cv2.FONT_HERSHEY_SIMPLEX,
        scale,
        30,
        2,
        cv2.LINE_AA,
    )


def _printed(picture: NDArray[np.uint8], rng: np.random.Generator) -> tx.Color:
    """Paper and toner reflectance with wear: smudges, creases, faded print, yellowed paper."""
    height, width = picture.shape
    paper = np.array([1.0, rng.uniform(0.96, 1.0), rng.uniform(0.86, 1.0)]) * rng.uniform(0.6, 0.84)
    ink = rng.uniform(0.02, 0.07)
    weight = picture.astype(np.float32)[..., None] / 255
    color = ink * (1 - weight) + paper.astype(np.float32) * weight
    noise = tx.resized(tx.fractal_noise(rng, 256, 2.0), width, height)
    smudge = tx.smooth_threshold(noise, float(rng.uniform(0.6, 1.15)), 0.35)[..., None]
    color = color * (1 - 0.55 * smudge) + 0.02 * smudge
    if rng.random() < 0.3:
        creases = cv2.resize(tx.scratches(rng, 512, int(rng.integers(1, 4)), 0.5), (width, height))[..., None]
        color = color * (1 - 0.35 * creases) + 0.12 * creases
    return np.asarray(color, np.float32)


def bank_card(bend: Bend, rng: np.random.Generator) -> ReferenceObject:
    """An ID-1 card of an invented, neutral design: no bank, no network, no readable number."""
    card = find_flat_reference("id-1")
    assert card is not None, "the standards table has no ID-1 card"
    size = (card.width_mm, card.height_mm)
    picture = _card_picture(size, rng)
    return flat_object(
        "bank_card", "id-1", picture, size, (0.0, 0.0), card.thickness_mm or PAPER_THICKNESS_MM, bend,
        roughness=float(rng.uniform(0.12, 0.35)), rng=rng, radius_mm=card.corner_radius_mm or 3.18,
    )  # fmt: skip


def _card_picture(size: tuple[float, float], rng: np.random.Generator) -> tx.Color:
    """Two-colored swoosh, chip, rows of bars where digits would be."""
    width, height = int(size[0] * 12), int(size[1] * 12)
    u, v = np.meshgrid(np.linspace(0, 1, width), np.linspace(0, 1, height))
    wave = tx.smooth_threshold(
        (v + 0.3 * np.sin(3 * u + rng.uniform(0, 6)) + rng.uniform(-0.2, 0.2)).astype(np.float32), 0.5, 0.02
    )
    first, second = np.exp(rng.uniform(np.log(0.02), np.log(0.7), (2, 3)))
    first += (first.mean() - first) * rng.uniform(0.1, 0.9)
    color = tx.mix(tuple(first), tuple(np.clip(0.6 * first + 0.5 * second, 0, 0.8)), wave)
    chip = ((10 * 12), (19 * 12), int(21.5 * 12), (29 * 12))
    cv2.rectangle(color, chip[:2], chip[2:], (0.55, 0.45, 0.2), -1)
    for y in (22.5, 25.5):
        cv2.line(color, (chip[0], int(y * 12)), (chip[2], int(y * 12)), (0.2, 0.16, 0.06), 2)
    ink = (0.8, 0.8, 0.78) if first.mean() < 0.25 else (0.04, 0.04, 0.05)
    for block in range(4):
        for digit in range(4):
            x = int((10 + block * 17 + digit * 3.6) * 12)
            cv2.rectangle(color, (x, (34 * 12)), (x + 24, int(37.5 * 12)), ink, -1)
    words = np.zeros((height, width), np.uint8)
    cv2.putText(words, "SPECIMEN", ((10 * 12), (47 * 12)), cv2.FONT_HERSHEY_SIMPLEX, 1.6, 255, 3, cv2.LINE_AA)
    color = tx.mix(color, ink, (words / 255).astype(np.float32))
    wear = tx.scratches(rng, 512, int(rng.integers(0, 60)), 0.05)
    worn = cv2.resize(wear, (width, height))[..., None] * 0.3
    return np.asarray(color * (1 - worn) + 0.5 * worn, np.float32)


def sheet(name: str, bend: Bend, rng: np.random.Generator) -> ReferenceObject:
    """A sheet of paper: blank, written on, or printed with lines of gray text-like bars.

    Raises:
        ValueError: no such sheet.
    """
    paper = find_flat_reference(name)
    if paper is None:
        raise ValueError(f"no sheet {name!r}")
    size = (paper.width_mm, paper.height_mm)
    width, height = int(size[0] * 3), int(size[1] * 3)
    picture = np.full((height, width), 255, np.uint8)
    kind = rng.choice(["blank", "print", "scribble"])
    if kind == "print":
        for y in range(70, height - 70, int(rng.integers(14, 22))):
            x = 60
            while x < width - 90 and rng.random() > 0.04:
                step = int(rng.integers(10, 50))
                cv2.rectangle(picture, (x, y), (min(x + step, width - 60), y + 6), int(rng.integers(40, 120)), -1)
                x += step + 8
    elif kind == "scribble":
        for _ in range(int(rng.integers(2, 7))):
            points = np.cumsum(rng.normal(0, 18, (40, 2)), axis=0) + rng.uniform(100, min(width, height) - 100, 2)
            cv2.polylines(picture, [points.astype(np.int32)], False, 60, 3, cv2.LINE_AA)
    return flat_object(
        "sheet", name, _printed(picture, rng), size, (0.0, 0.0), 0.1, bend, roughness=0.8, rng=rng
    )  # fmt: skip
