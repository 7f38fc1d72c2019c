"""The words an attribute may have, and the spellings people use for them."""

import re
from collections.abc import Mapping

from identify.matching.settings import ATTRIBUTE_NAMES, COUNT_ATTRIBUTES
from reference_geometry.standards import PORT_STANDARDS, parse_port_standard, parse_size

_SPELLINGS: Mapping[str, Mapping[str, tuple[str, ...]]] = {
    "connection": {
        "flanged": ("flange", "flanges", "bolted_flange"),
        "threaded": ("thread", "threads", "screwed", "female_thread", "male_thread"),
        "hygienic_clamp": ("hygienic", "sanitary", "tri_clamp", "clamp_ferrule"),
    },
    "port_position": {
        "end": ("ends", "end_ported", "horizontal", "outward"),
        "center": ("centre", "center_ported", "centre_ported", "middle"),
    },
    "housing_joint": {
        "clamp_band": ("clamp", "clamped", "band", "band_clamp", "clamp_bands", "v_band"),
        "bolted": ("bolts", "bolt", "bolted_joint", "screws"),
    },
    "wetted_material": {
        "plastic": (
            "polypropylene",
            "pp",
            "pvdf",
            "acetal",
            "ptfe",
            "nonmetallic",
            "non_metallic",
            "poly",
            "nylon",
        ),
        "metal": (
            "metallic",
            "aluminum",
            "aluminium",
            "stainless",
            "stainless_steel",
            "ss",
            "316",
            "cast_iron",
            "iron",
            "steel",
            "hastelloy",
            "alloy",
        ),
    },
    "air_valve_side": {"front": ("front_side", "facing_front"), "rear": ("back", "behind", "rear_side")},
    "swivel_flange": {
        "yes": ("true", "y", "swivel", "loose", "rotating", "1"),
        "no": ("false", "n", "fixed", "0"),
    },
    "magnet": {
        "yes": ("true", "y", "sticks", "1"),
        "no": ("false", "n", "does_not", "does_not_stick", "not", "0"),
    },
    "slotted_holes": {"yes": ("true", "y", "slotted", "slots", "1"), "no": ("false", "n", "round", "0")},
}

_COLORS = ("black", "white", "gray", "blue", "red", "green", "yellow", "orange", "natural", "bare_metal")
_TOLD_ONLY = ("magnet",)
"""Looked at by people and compared by what it means for another attribute."""

_NAME_SPELLINGS: Mapping[str, str] = {
    "kit": "kit_no",
    "kit_number": "kit_no",
    "old_kit": "kit_no",
    "bolts": "chamber_bolt_count",
    "flange_holes": "bolt_hole_count",
    "material": "wetted_material",
    "joint": "housing_joint",
    "port_size": "port_nominal_in",
    "slotted": "slotted_holes",
    "bolt_circle": "bolt_circle_diameter",
    "bore": "port_bore",
    "color": "body_color",
    "colour": "body_color",
    "body_colour": "body_color",
}
_COUNT_LIMITS = (1, 48)


def plain(text: str) -> str:
    """Lower case, words joined by single underscores; common short names spelled out."""
    joined = re.sub(r"[^a-z0-9]+", "_", text.strip().lower()).strip("_")
    return _NAME_SPELLINGS.get(joined.removesuffix("_mm"), joined)


def attribute_names() -> tuple[str, ...]:
    """Attributes that can be typed."""
    return (*(name for name in ATTRIBUTE_NAMES if name != "port"), *_TOLD_ONLY)


def legal_values(name: str) -> tuple[str, ...]:
    """What an attribute may be, for messages."""
    if name in _SPELLINGS:
        return tuple(_SPELLINGS[name])
    if name in COUNT_ATTRIBUTES:
        return (f"a whole number from {_COUNT_LIMITS[0]} to {_COUNT_LIMITS[1]}",)
    if name == "port_standard":
        return PORT_STANDARDS
    if name == "port_nominal_in":
        return ("a nominal size in inches such as 3/4, 1-1/2, 2",)
    return _COLORS if name == "body_color" else ("any text",)


def canonical_value(name: str, text: str) -> str | None:
    """The attribute's canonical word for what was typed, None when it is no value of it."""
    word = re.sub(r"[^a-z0-9]+", "_", text.strip().lower()).strip("_")
    if name in _SPELLINGS:
        for value, spellings in _SPELLINGS[name].items():
            if word in spellings or word == re.sub(r"[^a-z0-9]+", "_", value.lower()):
                return value
        return None
    if name in COUNT_ATTRIBUTES:
        return _count(text)
    if name == "port_nominal_in":
        return canonical_nominal(text)
    if name == "port_standard":
        return canonical_standard(text)
    if name == "body_color":
        return word.replace("grey", "gray") or None
    return text.strip() or None


def _count(text: str) -> str | None:
    match = re.fullmatch(r"\s*(\d{1,3})\s*(?:bolts?|holes?|screws?)?\s*", text.lower())
    if not match:
        return None
    low, high = _COUNT_LIMITS
    return str(int(match[1])) if low <= int(match[1]) <= high else None


def canonical_nominal(text: str) -> str | None:
    """A nominal size as the trade writes it: "1.5", "1 1/2", "1-1/2in" and "DN40" all give "1-1/2"."""
    size = parse_size(text)
    return size.nominal_in if size else None


def canonical_standard(text: str) -> str | None:
    """A port standard's one name: "ANSI 150", "asme", "DIN PN16", "BSPT" and so on."""
    standard = parse_port_standard(text)
    return standard.name if standard else None
