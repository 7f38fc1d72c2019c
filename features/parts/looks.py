"""All that the part model alone tells of one photo: it needs no scale, so it is looked for beside the scale.

One look at the whole photo finds the round parts; further looks, at the best chamber and the best port alone, see their
fasteners.
"""

import weakref
from collections.abc import Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from features.parts.closer_look import GLANCE_PX, look_at_pump
from features.parts.coin_looks import seen_coins
from features.parts.cut_off import cut_off_flange
from features.parts.finder import LookAt, hint_among
from features.parts.flange_rim import is_mated
from features.parts.part_maps import RoundPart, part_outlines, round_parts, share_inside
from features.parts.part_model import PartMaps, PartModel
from features.parts.part_outline import by_the_map
from features.scale.reference import ReferenceSight

Array = NDArray[np.float64]
Pixels = NDArray[np.uint8]

SURE_PART = 0.5
"""A round part this sure is measured even in a photo that does not look like a pump's; the doubt is said."""
CLOSER = 0.75
"""A second look is taken when its box is smaller than this share of the photo's longer side."""
ROOM = 1.3
"""How much of a part's surroundings the second look takes in."""
SAME_AGAIN = 0.3
"""A part of the second look is the one looked at when its center and size lie this near."""
MOST_CLOSE, ABOUT_IT = 3, 0.3
"""So many scale references are looked at alone, with surroundings of this share of their size."""
HIDDEN_FACE = 0.8
"""How much less a flange whose face a companion hides is worth looking at than one that shows its holes."""
LEAST_ON_IT, REFERENCE_ON_IT = 0.08, 0.5
"""How much more a flange is worth on which a scale reference lies, hiding such a share of it: it is measured in the
reference's own plane, the other port by a plane that is carried on for several times the reference's size."""


@dataclass(frozen=True, eq=False)
class Subject:
    """A round part looked at closely: as the second look saw it, with that look's maps.

    Attributes:
        part: its outline, corrected by the map; maps: of the closest look.
        others: outlines of it as they were told before that, the first look's first. Where a part is cut off or half
            hidden any may be nearest.
    """

    part: RoundPart
    maps: PartMaps
    others: tuple[RoundPart, ...] = ()


@dataclass(frozen=True, eq=False)
class PumpLook:
    """The pump as the look at all of it shows it: its maps, and the round parts told there."""

    maps: PartMaps
    rounds: tuple[RoundPart, ...]

    @property
    def shows_pump(self) -> bool:
        """Whether it looks like a pump at all."""
        return self.maps.attributes["pump"]["no"] <= 0.5

    def is_worth_more(self, look_at: Sequence[LookAt]) -> bool:
        """Whether parts are to be measured: some are sure, or pointed at, even where it does not look like a pump."""
        return self.shows_pump or bool(look_at) or any(part.score > SURE_PART for part in self.rounds)


@dataclass(frozen=True, eq=False)
class PhotoLooks:
    """Looks at one photo, taken one after the other in a thread of their own.

    Attributes:
        pixels_rgb: the photo; look_at: the user's hints.
        references: a look at all of it, and what looks like a scale reference there; None where nobody asked.
        pump: the look at the pump.
        chamber, port: the ones to be measured, looked at closely; None where there is none. The port is a flange, or
            the mouth of a thread.
    """

    pixels_rgb: weakref.ref[Pixels]
    look_at: tuple[LookAt, ...]
    references: Future[tuple[PartMaps, ReferenceSight]] | None
    pump: Future[PumpLook]
    chamber: Future[Subject | None]
    port: Future[Subject | None]

    @classmethod
    def begin(cls, model: PartModel, pixels_rgb: Pixels, look_at: tuple[LookAt, ...], references: bool) -> "PhotoLooks":
        """Begin to look, without waiting, at what is needed first first."""

        def at_pump() -> PumpLook:
            maps = look_at_pump(model, pixels_rgb, whole.result()[0] if whole else None)
            return PumpLook(maps, round_parts(maps))

        def at_chamber() -> Subject | None:
            seen = pump.result()
            return at_part(part_to_measure(seen.maps, seen.rounds, "chamber", hint_among(look_at, "chamber")))

        def at_port() -> Subject | None:
            seen, hint = pump.result(), hint_among(look_at, "port")
            flange = flange_of(seen.maps, seen.rounds, hint)
            told = flange or part_to_measure(seen.maps, seen.rounds, "mouth", hint)
            return at_part(told or cut_off_flange(seen.maps, (pixels_rgb.shape[1], pixels_rgb.shape[0])))

        def at_part(part: RoundPart | None) -> Subject | None:
            seen = pump.result()
            if part is None or not seen.is_worth_more(look_at):
                return None
            return closely(model, pixels_rgb, seen.maps, part)

        beside = ThreadPoolExecutor(1)
        whole = beside.submit(_at_references, model, pixels_rgb) if references else None
        pump = beside.submit(at_pump)
        looks = cls(weakref.ref(pixels_rgb), look_at, whole, pump, beside.submit(at_chamber), beside.submit(at_port))
        beside.shutdown(wait=False)
        return looks

    def are_of(self, pixels_rgb: Pixels, look_at: tuple[LookAt, ...]) -> bool:
        """Whether these are looks at this photo with these hints."""
        return self.pixels_rgb() is pixels_rgb and self.look_at == look_at


def _at_references(model: PartModel, pixels_rgb: Pixels) -> tuple[PartMaps, ReferenceSight]:
    """What the model calls scale references: coins, and what fills a place as cards and coins do."""
    whole = model.look(pixels_rgb, sharp=True)
    coins, looks = seen_coins(model, pixels_rgb, whole)
    places = [outline.outline_px(60) for coin in coins for outline in coin.outlines]

    def filled(outline_px: Array) -> float:
        told = RoundPart.of_outline("coin", outline_px)
        shares = [share_inside(maps, "scale_reference", outline_px) for maps in looks if maps.window.shows(outline_px)]
        return max([*(coin.likeness(told) for coin in coins), float(np.mean(shares)) if shares else 0.0])

    return whole, ReferenceSight(filled, (*places, *part_outlines(whole, "scale_reference")))


def references_closely(model: PartModel, pixels_rgb: Pixels, whole: PartMaps | None = None) -> ReferenceSight:
    """The largest places that the model calls scale references, each looked at alone.

    Args:
        model: looks; pixels_rgb: the photo.
        whole: of a full, sharp look at all of it, where one was taken.
    """
    whole = whole or model.look(pixels_rgb, sharp=True)
    looks = []
    places: list[Array] = []
    for outline in part_outlines(whole, "scale_reference")[:MOST_CLOSE]:
        (left, top), (right, bottom) = outline.min(axis=0), outline.max(axis=0)
        room = ABOUT_IT * max(right - left, bottom - top)
        box = (left - room, top - room, right + room, bottom + room)
        looks.append(model.look(pixels_rgb, box, side_px=GLANCE_PX, sharp=True))
        places += part_outlines(looks[-1], "scale_reference")[:1]
    return ReferenceSight(
        lambda outline: max((share_inside(maps, "scale_reference", outline) for maps in looks), default=0.0),
        tuple(places),
    )


def closely(model: PartModel, pixels_rgb: Pixels, maps: PartMaps, part: RoundPart) -> Subject:
    """A part as a look at it alone shows it, where that shows more of it than the maps it was found in."""
    outline = part.outline_px(stretch=ROOM)
    (left, top), (right, bottom) = outline.min(axis=0), outline.max(axis=0)
    if max(right - left, bottom - top) > CLOSER * max(pixels_rgb.shape[:2]):
        return Subject(by_the_map(maps, part), maps, (part,))
    again = model.look(pixels_rgb, (left, top, right, bottom))
    same = [one for one in round_parts(again) if one.name == part.name and one.resembles(part, SAME_AGAIN)]
    return Subject(by_the_map(again, same[0] if same else part), again, (part, *same[:1]))


def part_to_measure(maps: PartMaps, rounds: Sequence[RoundPart], name: str, hint: LookAt | None) -> RoundPart | None:
    """The part to measure: sure, large, seen squarely and its face open, or the one the user points at."""
    parts = [part for part in rounds if part.name == name]
    if not parts:
        return None
    largest = max(float(part.semi_axes_px[1]) for part in parts)

    def merit(part: RoundPart) -> float:
        if hint is not None:
            away = float(np.linalg.norm(part.center_px - [hint.x_px, hint.y_px])) / max(hint.radius_px, 1.0)
            return -away - abs(float(np.log(part.semi_axes_px[0] / max(hint.radius_px, 1.0))))
        # The shorter half axis is large when the part is near and seen squarely.
        worth = part.score + float(part.semi_axes_px[1]) / largest
        if name == "flange" and is_mated(maps, part):
            worth -= HIDDEN_FACE
        if name == "flange" and share_inside(maps, "scale_reference", part.outline_px()) > LEAST_ON_IT:
            worth += REFERENCE_ON_IT
        return worth

    return max(parts, key=merit)


def flange_of(maps: PartMaps, rounds: Sequence[RoundPart], hint: LookAt | None) -> RoundPart | None:
    """The flange to measure; None where the photo rather shows the mouth of a thread."""
    flange, mouth = (part_to_measure(maps, rounds, name, hint) for name in ("flange", "mouth"))
    if flange is None or mouth is None or hint is not None:
        return flange
    connection = maps.attributes["connection"]
    return flange if connection["flanged"] * flange.score >= connection["threaded"] * mouth.score else None
