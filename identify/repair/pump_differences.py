"""What would change with another pump in the same piping, in millimeters and in words with the consequence."""

from identify.wording import feature_words, value_words
from reference_geometry.families import Family

_SAME_MM = 3.0
"""Spans differing by less are taken as equal: pipework and feet give that much (common practice)."""

SPANS = {
    "port_spacing": ("taller between ports: pipework changes", "shorter between ports: pipework changes"),
    "overall_height": ("taller overall: check the headroom", "shorter overall"),
    "overall_width": ("wider overall: check the room at the sides", "narrower overall"),
    "foot_spacing_long": (
        "wider between feet, long side: new mounting holes",
        "narrower between feet, long side: new mounting holes",
    ),
    "foot_spacing_short": (
        "wider between feet, short side: new mounting holes",
        "narrower between feet, short side: new mounting holes",
    ),
}

_SWIVEL_SEALS = 2
"""A swivel flange turns on a seal; a pump has one flange at the inlet and one at the discharge (common practice)."""


def span_differences(pump: Family, other: Family) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Spans that differ, in mm with the consequence, and spans that can not be compared."""
    found, unknown = [], []
    for name, (larger, smaller) in SPANS.items():
        if name not in pump.lengths or name not in other.lengths:
            unknown.append(f"{feature_words(name)} not known for both")
            continue
        gap = other.lengths[name].mean_mm - pump.lengths[name].mean_mm
        if abs(gap) > _SAME_MM:
            found.append(f"{abs(gap):.0f} mm {larger if gap > 0 else smaller}")
    return tuple(found), tuple(unknown)


_ATTRIBUTES = {
    "connection": "adapters needed",
    "port_standard": "mating flanges or fittings change",
    "port_position": "pipework turns",
    "wetted_material": "check compatibility",
    "housing_joint": "other joint style",
    "air_valve_side": "air hose moves",
}


def attribute_differences(pump: Family, other: Family) -> tuple[str, ...]:
    """Port, material, joint and valve where they differ, with the consequence."""
    found = []
    for name, consequence in _ATTRIBUTES.items():
        mine, theirs = getattr(pump, name), getattr(other, name)
        if mine is not None and theirs is not None and mine != theirs:
            found.append(f"{feature_words(name)} {value_words(theirs)} for {value_words(mine)}: {consequence}")
    if other.swivel_flange and not pump.swivel_flange:
        found.append("swivel flanges: their seals are extra wearing parts and leak points")
    elif pump.swivel_flange and other.swivel_flange is False:
        found.append("fixed flanges: bolt holes must line up, but no swivel seals wear")
    return tuple(found)


def flow_difference(pump: Family, other: Family) -> tuple[str, ...]:
    """The maximum flow where it differs by 3 % or more."""
    if pump.max_flow_lpm is None or other.max_flow_lpm is None:
        return ()
    percent = 100.0 * (other.max_flow_lpm / pump.max_flow_lpm - 1.0)
    if abs(percent) < 3.0:
        return ()
    word = "more" if percent > 0 else "less"
    return (f"{abs(percent):.0f} % {word} maximum flow ({other.max_flow_lpm:.0f} for {pump.max_flow_lpm:.0f} L/min)",)


def span_distance(pump: Family, other: Family) -> float:
    """Summed differences of spans known for both, in mm; missing ones count 50 mm."""
    total = 0.0
    for name in SPANS:
        both = name in pump.lengths and name in other.lengths
        total += abs(other.lengths[name].mean_mm - pump.lengths[name].mean_mm) if both else 50.0
    return total


def life_hint(pump: Family, other: Family) -> str:
    """Which diaphragm flexes less: a shorter stroke on a wider one (common practice); "" where not known for both.

    It says nothing of the elastomer, the pressure or the fluid, which often decide.
    """
    mine, theirs = flex_ratio(pump), flex_ratio(other)
    if mine is None or theirs is None:
        return ""
    percent = 100.0 * (theirs / mine - 1.0)
    if abs(percent) < 5.0:
        return "diaphragm flexes about as much (stroke against width, common practice)"
    word = "more, a shorter life is likely" if percent > 0 else "less, a longer life is likely"
    return f"diaphragm flexes {abs(percent):.0f} % {word} (stroke against width, common practice)"


def flex_ratio(family: Family) -> float | None:
    """Stroke over diaphragm diameter, the chamber's joint standing for it where the set has no other."""
    stroke_mm = family.extra_number("stroke_mm")
    chamber = family.lengths.get("chamber_diameter")
    width_mm = family.extra_number("diaphragm_diameter_mm") or (chamber.mean_mm if chamber else None)
    return None if not stroke_mm or not width_mm else stroke_mm / width_mm


def swivel_seal_count(family: Family) -> int:
    """Seals of a pump's swivel flanges, extra wearing parts and leak points; 0 without swivel flanges."""
    return _SWIVEL_SEALS if family.swivel_flange else 0
