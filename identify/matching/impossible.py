"""Answers that no pump can have together: hard rules, each with its reason in words.

Only typed values are taken to task; what photos alone give is judged by its uncertainty elsewhere.
"""

from collections.abc import Iterator, Mapping, Sequence
from math import sqrt

from features.measured import MeasuredLength
from identify.matching.inconsistency import Inconsistency
from identify.matching.port_dimensions import standard_port
from identify.typed.known_values import KnownValue, TypedAttribute, TypedLength
from identify.wording import feature_words, value_words
from reference_geometry.plausible import BAND_BOLTS
from reference_geometry.standards import parse_port_standard

_INSIDE = (
    ("bolt_circle_diameter", "flange_diameter", "the bolts sit inside the flange's edge"),
    ("port_bore", "bolt_circle_diameter", "the bolts sit outside the bore"),
    ("port_bore", "flange_diameter", "the bore lies inside the flange"),
    ("port_bore", "thread_major_diameter", "a female thread's mouth is narrower than its major diameter"),
    ("thread_pitch", "port_bore", "a pitch is the distance of two threads"),
    ("port_spacing", "overall_height", "both center lines lie within the pump's height"),
    ("chamber_diameter", "overall_height", "the chamber stands within the pump's height"),
    ("foot_spacing_short", "foot_spacing_long", "the two may have been swapped"),
)
"""(smaller, larger, reason): lengths of one pump that can not be the other way round."""

_OF_A_FLANGE = ("flange_diameter", "bolt_circle_diameter", "bolt_hole_diameter", "bolt_hole_count", "swivel_flange",
                "slotted_holes")  # fmt: skip
_OF_A_THREAD = ("thread_major_diameter", "thread_pitch")

_CLEARLY = 2.0
"""Standard deviations by which an order must be broken: readings of nearly equal lengths may cross."""

_FAR_FROM_TABLE_SD = 4.0
_TABLE_SPREAD = 0.02
"""How far, relatively, real ports stray from their table (common practice)."""


def find_impossible(lengths: Sequence[MeasuredLength], knowns: Sequence[KnownValue]) -> tuple[Inconsistency, ...]:
    """What can not be true together, where at least one of the two was typed."""
    by_name = {length.name: length for length in lengths if not length.is_ratio_only}
    words = {known.name: known.value for known in knowns if isinstance(known, TypedAttribute)}
    typed = {*words, *(known.name for known in knowns if isinstance(known, TypedLength))}
    return (
        *_wrong_order(by_name, typed),
        *_wrong_connection(words, typed),
        *_band_with_bolts(words),
        *_not_of_the_standard(by_name, words, typed),
    )


def _wrong_order(by_name: Mapping[str, MeasuredLength], typed: set[str]) -> Iterator[Inconsistency]:
    for smaller, larger, reason in _INSIDE:
        if smaller not in by_name or larger not in by_name or not typed & {smaller, larger}:
            continue
        small, large = by_name[smaller], by_name[larger]
        sd = sqrt(small.standard_uncertainty_mm**2 + large.standard_uncertainty_mm**2)
        if small.value_mm - large.value_mm > _CLEARLY * sd:
            yield Inconsistency(
                smaller,
                f"The {feature_words(smaller)} ({small.value_mm:.1f} mm) can not be larger than the "
                f"{feature_words(larger)} ({large.value_mm:.1f} mm): {reason}. Read both again.",
            )


def _wrong_connection(words: Mapping[str, str], typed: set[str]) -> Iterator[Inconsistency]:
    connection = words.get("connection")
    alien = {"threaded": _OF_A_FLANGE, "flanged": _OF_A_THREAD}.get(connection or "", ())
    for name in alien:
        if name in typed:
            yield Inconsistency(
                name,
                f"The ports were said to be {connection}, and {_article(name)} was given: a {connection} port has "
                "none. Look again at where the pipe meets the pump; a mating flange may be screwed on.",
            )
            return
    standard = parse_port_standard(words.get("port_standard", ""))
    if connection and standard and standard.connection != connection:
        yield Inconsistency(
            "port_standard",
            f"{standard.name} is a standard of {standard.connection} ports, but the ports were said to be "
            f"{connection}: ask which of the two is on the pump itself, not on the piping.",
        )


def _article(name: str) -> str:
    return {"bolt_hole_count": "a count of flange holes", "slotted_holes": "the shape of flange holes"}.get(
        name, f"a {feature_words(name)}"
    )


def _band_with_bolts(words: Mapping[str, str]) -> Iterator[Inconsistency]:
    count = int(words.get("chamber_bolt_count", "0"))
    if words.get("housing_joint") == "clamp_band" and count > BAND_BOLTS[1]:
        yield Inconsistency(
            "chamber_bolt_count",
            f"A clamp band is closed by one or two bolts, but {count} chamber bolts were given: "
            "look whether a band or bolts hold the cover, and leave out manifold bolts.",
        )


def _not_of_the_standard(
    by_name: Mapping[str, MeasuredLength], words: Mapping[str, str], typed: set[str]
) -> Iterator[Inconsistency]:
    """A port said to be of one standard and size, and one of its lengths or counts that is of another."""
    standard, nominal = words.get("port_standard"), words.get("port_nominal_in")
    port = standard_port(standard, nominal)
    if port is None:
        return
    named = f"{value_words(port.standard)} {port.nominal_in} in."
    for name, (table_mm, extra) in port.lengths.items():
        if name not in typed or name not in by_name or name in ("port_bore", "bolt_hole_diameter"):
            continue
        read = by_name[name]
        sd = sqrt(read.standard_uncertainty_mm**2 + table_mm**2 * (_TABLE_SPREAD**2 + extra**2))
        if abs(read.value_mm - table_mm) > _FAR_FROM_TABLE_SD * sd:
            yield Inconsistency(
                name,
                f"{named} has a {feature_words(name)} of about {table_mm:.1f} mm, but {read.value_mm:.1f} mm was "
                "given: ask whether standard and size are those of the pump's own port, and read it again.",
            )
            return
    count = words.get("bolt_hole_count")
    if count and port.bolt_hole_count and int(count) != port.bolt_hole_count:
        yield Inconsistency(
            "bolt_hole_count",
            f"{named} has {port.bolt_hole_count} bolt holes, but {count} were given: count again, or ask whether "
            "standard and size are those of the pump's own port.",
        )
