"""Find every scale reference in a photo: the one entry of this package."""

from dataclasses import replace

import numpy as np

from features.photo import Photo
from features.problems import REFERENCE_UNREAD, Problem
from features.scale.bank_card import find_bank_cards
from features.scale.charuco_card import CardFinding, find_cards
from features.scale.coin import find_coin
from features.scale.compare import check_agreement
from features.scale.points import reference_from_points
from features.scale.reference import ReferenceEyes, ReferenceSight, ScaleFinding, ScaleReference, ScaleRequest
from features.scale.sheet import find_sheet
from features.scale.told_card import find_told_cards

Found = tuple[ScaleReference | Problem, ...]
"""References and what was refused or noticed, in the order of the search."""


def find_scales(
    photo: Photo,
    request: ScaleRequest,
    eyes: ReferenceEyes | None = None,
    cards: CardFinding | None = None,
) -> ScaleFinding:
    """Find the scale references of one photo.

    Printed cards come first: their markers leave no doubt what they are. Then what the user asked for (sheet,
    coin, points), then a bank card, by its shape alone, and where nothing was found, by what looks like a reference.

    Args:
        photo: the photo.
        request: what the user said about the scale.
        eyes: who knows references by their looks; asked for coins, and where nothing else is found.
        cards: printed cards of this photo, where they have been looked for already.

    Returns:
        References best first, and everything refused or noticed, the references' own problems included. An
        empty finding does not say "no scale": the pump's own flange may still become one.
    """
    return with_bank_cards(find_first(photo, request, eyes, cards), photo, eyes)


def find_first(
    photo: Photo, request: ScaleRequest, eyes: ReferenceEyes | None = None, cards: CardFinding | None = None
) -> Found:
    """The first part of `find_scales`: printed cards, and what the user asked for."""
    cards = cards or find_cards(photo.gray, photo.focal)
    found: list[ScaleReference | Problem] = [*cards.references, *cards.problems]
    if request.sheets:
        found.append(find_sheet(photo.pixels_rgb, photo.focal, request.sheets))
    if request.coin_diameter_mm is not None:
        found.append(find_coin(photo.pixels_rgb, photo.focal, request, eyes.references_in if eyes else None))
    if request.two_points_px is not None:
        ends_px, head = request.two_points_px, request.two_points_head
        found.append(reference_from_points(ends_px, request.two_points_mm, photo.gray.shape, head))
    return tuple(found)


def references_among(found: Found) -> tuple[ScaleReference, ...]:
    """The references alone."""
    return tuple(one for one in found if isinstance(one, ScaleReference))


def with_bank_cards(first: Found, photo: Photo, eyes: ReferenceEyes | None = None) -> ScaleFinding:
    """The second part of `find_scales`: what was found first and bank cards, checked against each other."""
    known = [one.outline_px for one in references_among(first) if one.kind == "scale_card"]
    bank = find_bank_cards(photo.pixels_rgb, photo.focal, known)
    if eyes is not None and not bank.references and not references_among(first):
        sight = eyes.closer_references_in(photo.pixels_rgb)
        if sight:
            bank = bank.also(find_told_cards(photo.pixels_rgb, photo.focal, sight, bank.outlines_px))
            if sight.outlines_px and not (first or bank.references or bank.problems):
                bank = replace(bank, problems=(_unread(sight),))
    found = (*first, *bank.references, *bank.problems)
    references = references_among(found)
    problems = [one for one in found if isinstance(one, Problem)]
    problems += [problem for reference in references for problem in reference.problems]
    problems += check_agreement(references, photo.focal, photo.gray.shape)
    return ScaleFinding(references, tuple(dict.fromkeys(problems)), bank.outlines_px)


def _unread(sight: ReferenceSight) -> Problem:
    """What is said of the largest place that looks like a reference and told nothing."""
    across_px = max(float(np.ptp(outline, axis=0).max()) for outline in sight.outlines_px)
    return Problem(REFERENCE_UNREAD, f"{across_px:.0f} px across")
