"""The pump as its own ruler: a flange named by its ratios gives the scale to everything else.

Where a reference lies elsewhere, it tells a flange's size only as well as their distance from each other is known. A
flange that is named all the same has a size of its own then, and what it was measured off by tells of that distance.
"""

from collections.abc import Sequence
from dataclasses import replace
from math import log

from features.combine import given_length, scaled_by_ruler
from features.measured import Contribution, MeasuredLength
from features.ports import PortSize
from reference_geometry.standards.flanges import find_flange

SURE_ENOUGH = 0.9
"""A port this probable may serve as ruler; below, only ratios are reported."""

_RULERS = ("bolt_circle_diameter", "flange_diameter")
"""Best first: drilling must fit the pipe, the rim is free to be molded a little larger or smaller."""

FLANGE_SOURCE = "port_flange:"
"""Begins the identity of the error of a flange's published size; its nominal size follows."""

_WELL_MEASURED = 0.015
"""A flange measured better than this, as with the reference on its face, is left as it was measured."""

_SURE_ROW, _OFF_TABLE = 0.95, 2.0
"""Where one row of the tables is this probable, a bolt circle further off its own, in its spreads, is no better known
by a reference on the face: the hub or stub end under that may stand out by a centimeter (`features.placement`)."""

_RULER_RELATIVE_SD = {"bolt_circle_diameter": 0.006, "flange_diameter": 0.012}
"""Drilling may be off by 1.5 mm (ASME B16.5, from memory), of usual bolt circles 1 to 2 %, and hardly ever is."""


def flange_as_ruler(lengths: Sequence[MeasuredLength], ports: Sequence[PortSize]) -> tuple[MeasuredLength, ...]:
    """Scale ratio-only lengths by the port flange when its nominal size is sure.

    Ports of one nominal size and different standard count together: their drilling differs by a few percent (JIS
    B2220 10K of 1 in. by 13), and that difference is carried as the ruler's uncertainty.

    Returns:
        Lengths in millimeters where that was possible, unchanged otherwise.
    """
    if not ports or not any(length.is_ratio_only for length in lengths):
        return tuple(lengths)
    nominal = _sure_size(ports)
    if not nominal:
        return tuple(lengths)
    for ruler in _RULERS:
        if any(length.name == ruler and length.is_ratio_only for length in lengths):
            mean, spread = _size_of(ruler, nominal, ports)
            scaled = scaled_by_ruler(lengths, ruler, mean, spread, f"{FLANGE_SOURCE}{nominal}")
            return tuple(_as_open_as_standards(length, nominal, ports) for length in scaled)
    return tuple(lengths)


def with_flange_known(lengths: Sequence[MeasuredLength], ports: Sequence[PortSize]) -> tuple[MeasuredLength, ...]:
    """Lengths after a flange whose nominal size is sure told its own, where the reference told it no better.

    Returns:
        The lengths; what shares errors with the flange is moved with it. Unchanged where the size is not sure, or the
        flange was measured well enough to stay a measurement, and its drilling is that of its standard.
    """
    nominal = _sure_size(ports)
    for ruler in _RULERS if nominal else ():
        measured = next((length for length in lengths if length.name == ruler and not length.is_ratio_only), None)
        if measured is None:
            continue
        mean, spread = _size_of(ruler, nominal, ports)
        known = given_length(lengths, ruler, mean, spread, f"{FLANGE_SOURCE}{nominal}")
        if measured.relative_sd > _WELL_MEASURED:
            return tuple(_as_open_as_standards(length, nominal, ports) for length in known)
        off = abs(log(measured.value_mm / mean)) / spread
        if ruler == _RULERS[0] and off > _OFF_TABLE and ports[0].probability > _SURE_ROW:
            return known
    return tuple(lengths)


def _as_open_as_standards(length: MeasuredLength, nominal: str, ports: Sequence[PortSize]) -> MeasuredLength:
    """A length of the flange, no surer than it is which of the standards of its nominal size it is of."""
    if length.name not in _RULERS:
        return length
    lacking = _size_of(length.name, nominal, ports)[1] ** 2 - length.relative_sd**2
    if lacking <= 0.0:
        return length
    doubt = Contribution("reference", f"flange_standard:{nominal}:{length.name}", lacking**0.5)
    return replace(length, contributions=(*length.contributions, doubt))


def _sure_size(ports: Sequence[PortSize]) -> str:
    """The nominal size of a flange that is sure enough, empty where none is."""
    by_size: dict[str, float] = {}
    for port in ports:
        if find_flange(port.standard, port.nominal_in):
            by_size[port.nominal_in] = by_size.get(port.nominal_in, 0.0) + port.probability
    nominal = max(by_size, key=lambda size: by_size[size], default="")
    return nominal if by_size.get(nominal, 0.0) >= SURE_ENOUGH else ""


def _size_of(ruler: str, nominal_in: str, ports: Sequence[PortSize]) -> tuple[float, float]:
    """Mean of the ruler's size over the possible standards and its relative standard uncertainty."""
    sizes, weights = [], []
    for port in ports:
        flange = find_flange(port.standard, port.nominal_in)
        if flange and port.nominal_in == nominal_in:
            size = flange.bolt_circle_diameter_mm if ruler == "bolt_circle_diameter" else flange.flange_diameter_mm
            sizes.append(size)
            weights.append(port.probability)
    total = sum(weights)
    mean = sum(w * s for w, s in zip(weights, sizes, strict=True)) / total
    variance = sum(w * (s - mean) ** 2 for w, s in zip(weights, sizes, strict=True)) / total
    return mean, float((variance / mean**2 + _RULER_RELATIVE_SD[ruler] ** 2) ** 0.5)
