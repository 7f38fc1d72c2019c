"""Bounds and relations that no real pump breaks: what lies outside is a typing error.

The bounds are common practice with a wide margin, no standard: they catch inches, centimeters and lost
decimal points, and say nothing of any one pump.
"""

from collections.abc import Iterator, Mapping

LENGTH_BOUNDS_MM: Mapping[str, tuple[float, float]] = {
    "chamber_diameter": (40.0, 900.0),
    "flange_diameter": (50.0, 450.0),
    "bolt_circle_diameter": (35.0, 400.0),
    "bolt_hole_diameter": (5.0, 45.0),
    "port_bore": (4.0, 200.0),
    "thread_major_diameter": (8.0, 160.0),
    "thread_pitch": (0.5, 5.0),
    "port_spacing": (50.0, 1500.0),
    "overall_height": (80.0, 2000.0),
    "overall_width": (60.0, 2000.0),
    "foot_spacing_long": (20.0, 1500.0),
    "foot_spacing_short": (20.0, 1500.0),
}
"""Lowest and highest believable value of every name of LENGTH_NAMES."""

CHAMBER_BOLTS = (3, 48)
FLANGE_HOLES = (3, 24)
BAND_BOLTS = (0, 4)
FLOW_BOUNDS_LPM = (0.5, 5000.0)
LARGEST_RELATIVE_SD = 0.2


def length_reason(name: str, value_mm: float) -> str:
    """Why a length cannot be right, "" when it can."""
    low, high = LENGTH_BOUNDS_MM[name]
    if value_mm <= 0.0:
        return "must be more than 0; leave it empty when not known"
    if low <= value_mm <= high:
        return ""
    return f"{value_mm:g} mm is not believable; expected {low:g} to {high:g} mm"


def relation_problems(mean_mm: Mapping[str, float]) -> Iterator[tuple[str, str]]:
    """Relations between lengths of one pump that are broken, as (length name, reason)."""
    for smaller, larger, gap in (
        ("bolt_circle_diameter", "flange_diameter", "bolt_hole_diameter"),
        ("port_bore", "bolt_circle_diameter", "bolt_hole_diameter"),
        ("port_bore", "thread_major_diameter", ""),
        ("thread_pitch", "port_bore", ""),
        ("port_spacing", "overall_height", ""),
    ):
        if smaller not in mean_mm or larger not in mean_mm:
            continue
        between = mean_mm.get(gap, 0.0)
        if mean_mm[smaller] + between >= mean_mm[larger]:
            added = f" plus {gap} {between:g} mm" if between else ""
            reason = f"{mean_mm[smaller]:g} mm{added} must be less than {larger} {mean_mm[larger]:g} mm"
            yield smaller, reason
