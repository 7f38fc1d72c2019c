"""What is kept of an uploaded photo: its pixels, upright, and the numbers of its lens; nothing personal.

Runs in a worker process. Of a JPEG the coded picture is kept as it came, so that it measures exactly as it did; from
any other format, and where a bank card is seen, a JPEG is made of the decoded pixels. Position, serial numbers, names,
thumbnails, second pictures and films behind the first are left behind either way, and what is printed on a bank card
is made unreadable before the first byte is kept.
"""

import hashlib
import io
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from features.decode_input import printable_name
from features.decode_process import DecodedPixels
from features.decode_tags import TAG_ORIENTATION, CameraFacts
from features.problems import Problem
from features.scale.bank_card import find_bank_cards
from features.scale.privacy import blur_inside
from features.scale.reference import ScaleRequest
from identify.output_files import write_atomically
from identify.web.first_look import LookedAt, RememberingPool, glance_of, looked_at
from identify.web.stripped_jpeg import stripped_jpeg

_CARD_MM, _EDGES_MM = (85.6, 53.98), (4.0, 5.0, 6.0, 3.0)
"""ISO/IEC 7810 ID-1, and how much of its edge is left as it is, in the order tried."""

QUALITY = 95
"""Of pictures coded anew, together with full color resolution."""

_EXIF_IFD = 0x8769
_TAGS = {"focal_mm": 0x920A, "focal_35mm": 0xA405, "width_px": 0xA002, "height_px": 0xA003, "digital_zoom": 0xA404}
_PLANE_X, _PLANE_UNIT, _MILLIMETER = 0xA20E, 0xA210, 4


@dataclass(frozen=True)
class FirstLook:
    """What the first look at a photo gave, a second or two after it came.

    Attributes:
        width_px, height_px: size of the upright picture.
        digest: SHA-256 of the kept file.
        scale_label: the scale that was found, "" when none.
        problems: (code, particulars) of everything noticed.
    """

    width_px: int
    height_px: int
    digest: str
    scale_label: str
    problems: tuple[tuple[str, str], ...]


def keep_photo(upload: Path, target: Path, scale: ScaleRequest) -> FirstLook | Problem:
    """Look at an uploaded photo and keep what may be kept of it.

    Args:
        upload: file as it came.
        target: JPEG to write, whole or not at all.
        scale: what was said about the scale.

    Returns:
        The first look, or why the file is no usable photo (nothing is written then).
    """
    looked = looked_at(upload, scale)
    if isinstance(looked, Problem):
        return looked
    assert looked.scales is not None
    private = looked.scales.private_px
    data = _stripped(looked.source) if not private else None
    if data is None:
        data = _coded_anew(looked, private)
    write_atomically(target, data)
    seen = glance_of(looked, looked.scales)
    return FirstLook(
        width_px=looked.photo.width_px,
        height_px=looked.photo.height_px,
        digest=hashlib.sha256(data).hexdigest(),
        scale_label=seen.scale_label,
        problems=seen.problems,
    )


def _coded_anew(looked: LookedAt, private_px: Sequence[NDArray[np.float64]]) -> bytes:
    """A JPEG of the pixels, bank cards blurred; of the ways to blur them the first by which a scale is still found."""
    photo, facts, data = looked.photo, _upright_facts(looked.source), b""
    is_scale = looked.scales is not None and any(found.kind == "bank_card" for found in looked.scales.references)
    printed = [card.outline_px for card in looked.cards.references]
    for edge_mm in _EDGES_MM:
        pixels = photo.pixels_rgb
        for outline_px in private_px:
            pixels = blur_inside(pixels, _within_edge(outline_px, edge_mm))
        data = _jpeg(Image.fromarray(np.ascontiguousarray(pixels)), facts)
        if not is_scale:
            break
        with Image.open(io.BytesIO(data), formats=["JPEG"]) as kept:
            again = find_bank_cards(np.asarray(kept), photo.focal, printed)
        if again.references:
            break
    return data


def _within_edge(outline_px: NDArray[np.float64], edge_mm: float) -> NDArray[np.float64]:
    """The part of a card that carries print, without the edge that the card is found and measured by.

    Embossed numbers keep 10 mm from the side and 19 mm from the lower edge (ISO/IEC 7811-1, from memory).
    """
    share = np.array([edge_mm / _CARD_MM[0], edge_mm / _CARD_MM[1]])
    middle = outline_px.mean(axis=0)
    if len(outline_px) != 4:
        shrunk: NDArray[np.float64] = middle + (outline_px - middle) * (1.0 - 2.0 * float(share.max()))
        return shrunk
    lengths = np.linalg.norm(outline_px - np.roll(outline_px, -1, axis=0), axis=1)
    across, up = share if lengths[0] + lengths[2] >= lengths[1] + lengths[3] else share[::-1]
    square = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], np.float32)
    inner = np.array([[across, up], [1 - across, up], [1 - across, 1 - up], [across, 1 - up]], np.float32)
    card_to_photo = cv2.getPerspectiveTransform(square, np.asarray(outline_px, np.float32))
    printed: NDArray[np.float64] = cv2.perspectiveTransform(inner[None], card_to_photo)[0].astype(np.float64)
    return printed


def _stripped(source: RememberingPool) -> bytes | None:
    """The file with its coded picture as it came; None where it is no JPEG or one not foreseen."""
    if source.picture_format != "JPEG" or not isinstance(source.last, DecodedPixels):
        return None
    with Image.open(io.BytesIO(source.data), formats=["JPEG"]) as stored:
        orientation = stored.getexif().get(TAG_ORIENTATION, 1)
    sound = orientation if isinstance(orientation, int) and 1 <= orientation <= 8 else 1
    return stripped_jpeg(source.data, _exif(source.last.facts, sound).tobytes())


def _upright_facts(source: RememberingPool) -> CameraFacts:
    """The numbers of the lens, turned with the picture where that was stored lying on its side."""
    decoded = source.last
    if not isinstance(decoded, DecodedPixels):
        return CameraFacts()
    facts = decoded.facts
    if decoded.pixels_rgb.shape[1] != decoded.stored_width_px:
        facts = replace(facts, width_px=facts.height_px, height_px=facts.width_px)
    return facts


def _exif(facts: CameraFacts, orientation: int = 1) -> Image.Exif:
    """The numbers of the lens, and how the picture lies, as EXIF."""
    exif = Image.Exif()
    if orientation != 1:
        exif[TAG_ORIENTATION] = orientation
    tags = exif.get_ifd(_EXIF_IFD)
    for name, tag in _TAGS.items():
        value = getattr(facts, name)
        if value is not None and 0 <= value < 65536:
            tags[tag] = value if name in ("focal_mm", "digital_zoom") else round(value)
    if facts.focal_plane_px_per_mm:
        tags[_PLANE_X], tags[_PLANE_UNIT] = facts.focal_plane_px_per_mm, _MILLIMETER
    return exif


def _jpeg(picture: Image.Image, facts: CameraFacts) -> bytes:
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=QUALITY, subsampling=0, exif=_exif(facts))
    return out.getvalue()


def shown_name(name: str, taken: set[str]) -> str:
    """A customer's file name fit for people, told apart from those the case has already."""
    short = printable_name(Path(name).name)[:60] or "photo"
    return next(n for n in (short, *(f"{short} ({i})" for i in range(2, 1000))) if n not in taken)
