"""Writes the rows of families.csv from the design table."""

from reference_geometry.demo.design_table import MAKERS, Maker, Port, WetEnd, wet_ends
from reference_geometry.demo.dimensions import (
    STANDARD_OF_KIND,
    BodyDimensions,
    PortDimensions,
    body_dimensions,
    port_dimensions,
    spread,
)
from reference_geometry.standards import size_of

FAMILY_COLUMNS = (
    "family_id", "maker", "family", "size_label", "connection", "port_standard", "port_nominal_in",
    "port_position", "swivel_flange", "housing_joint", "chamber_bolt_count", "wetted_material",
    "chamber_diameter_mm", "chamber_diameter_sd_mm", "chamber_diameter_n",
    "flange_diameter_mm", "flange_diameter_sd_mm", "bolt_circle_diameter_mm", "bolt_circle_diameter_sd_mm",
    "bolt_hole_count", "bolt_hole_diameter_mm", "port_bore_mm", "port_bore_sd_mm",
    "thread_major_diameter_mm", "thread_pitch_mm", "port_spacing_mm", "port_spacing_sd_mm",
    "overall_height_mm", "overall_height_sd_mm", "overall_width_mm", "overall_width_sd_mm",
    "foot_spacing_long_mm", "foot_spacing_short_mm", "air_valve_side", "max_flow_lpm",
    "cover_depth_mm", "stroke_mm", "joint_rise_mm", "slotted_holes", "body_color", "air_valve_screw_count",
    "price", "currency", "lead_time_days", "notes",
)  # fmt: skip


def family_id(wet_end: WetEnd, port: Port) -> str:
    """Identifier of a family: its wet end and its port."""
    return f"{wet_end.key}-{port.kind}{'C' if port.position == 'center' else ''}"


def family_rows() -> list[dict[str, str]]:
    """All families as rows of FAMILY_COLUMNS."""
    makers = {maker.code: maker for maker in MAKERS}
    return [_row(w, port, makers[w.maker]) for w in wet_ends() for port in w.ports]


def _row(wet_end: WetEnd, port: Port, maker: Maker) -> dict[str, str]:
    flanged = port.kind in "ADJ"
    size = size_of(wet_end.nominal_in)
    return {
        "family_id": family_id(wet_end, port),
        "maker": maker.name,
        "family": f"{wet_end.series} {wet_end.material}",
        "size_label": f"DN{size.dn}" if maker.metric else f"{size.nominal_in} in",
        "connection": "flanged" if flanged else "threaded",
        "port_standard": STANDARD_OF_KIND[port.kind],
        "port_nominal_in": size.nominal_in,
        "port_position": port.position,
        "swivel_flange": ("yes" if port.swivel else "no") if flanged else "",
        "housing_joint": wet_end.joint,
        "chamber_bolt_count": "" if wet_end.bolts is None else str(wet_end.bolts),
        "wetted_material": wet_end.material,
        "air_valve_side": wet_end.valve_side,
        "max_flow_lpm": f"{wet_end.max_flow_lpm:.0f}",
        "slotted_holes": ("yes" if port.slotted else "no") if flanged else "",
        "body_color": _body_color(wet_end),
        "air_valve_screw_count": str(4 if spread(wet_end.air, 0, 1) < 0.6 else 6),
        "notes": _notes(wet_end, port),
        **_chamber_cells(wet_end),
        **_port_cells(port_dimensions(wet_end, port)),
        **_body_cells(body_dimensions(wet_end, port)),
        **_trade_cells(wet_end, port, maker),
    }


def _chamber_cells(wet_end: WetEnd) -> dict[str, str]:
    relative = 0.0022 if wet_end.material == "plastic" else 0.0014
    return {
        "chamber_diameter_mm": f"{wet_end.chamber_mm:.1f}",
        "chamber_diameter_sd_mm": f"{wet_end.chamber_mm * relative:.2f}",
        "chamber_diameter_n": f"{spread(wet_end.key + 'count', 2, 9):.0f}",
    }


def _port_cells(port: PortDimensions) -> dict[str, str]:
    flanged = port.flange_diameter_mm is not None
    return {
        "flange_diameter_mm": _mm(port.flange_diameter_mm),
        "flange_diameter_sd_mm": "0.6" if flanged else "",
        "bolt_circle_diameter_mm": _mm(port.bolt_circle_mm),
        "bolt_circle_diameter_sd_mm": "0.4" if flanged else "",
        "bolt_hole_count": "" if port.hole_count is None else str(port.hole_count),
        "bolt_hole_diameter_mm": _mm(port.hole_mm),
        "port_bore_mm": _mm(port.bore_mm),
        "port_bore_sd_mm": "0.5" if flanged else "0.2",
        "thread_major_diameter_mm": _mm(port.thread_major_mm, digits=3),
        "thread_pitch_mm": _mm(port.thread_pitch_mm, digits=4),
    }


def _body_cells(body: BodyDimensions) -> dict[str, str]:
    return {
        "port_spacing_mm": f"{body.port_spacing:.0f}",
        "port_spacing_sd_mm": f"{0.004 * body.port_spacing:.1f}",
        "overall_height_mm": f"{body.overall_height:.0f}",
        "overall_height_sd_mm": f"{0.005 * body.overall_height:.1f}",
        "overall_width_mm": f"{body.overall_width:.0f}",
        "overall_width_sd_mm": f"{0.006 * body.overall_width:.1f}",
        "foot_spacing_long_mm": f"{body.foot_spacing_long:.0f}",
        "foot_spacing_short_mm": f"{body.foot_spacing_short:.0f}",
        "cover_depth_mm": f"{body.cover_depth:.0f}",
        "stroke_mm": f"{body.stroke:.0f}",
        "joint_rise_mm": f"{body.joint_rise:.1f}",
    }


_PUMP_BASE = {"1/4": 310, "3/8": 390, "1/2": 560, "3/4": 740, "1": 1020, "1-1/2": 1690, "2": 2480, "3": 3950}
"""Middle list price of a new pump by nominal size, invented."""

_BODY_FACTOR = {
    "polypropylene": 1.0, "conductive polypropylene": 1.15, "acetal": 1.1, "PVDF": 1.8, "aluminum": 1.05,
    "ductile iron": 1.2, "316 stainless": 2.1,
}  # fmt: skip


def _trade_cells(wet_end: WetEnd, port: Port, maker: Maker) -> dict[str, str]:
    """Price and lead time of a new pump, invented."""
    name = family_id(wet_end, port)
    middle = _PUMP_BASE[wet_end.nominal_in] * _BODY_FACTOR[wet_end.body] * maker.price_level
    return {
        "price": f"{round(middle * spread(name + 'pump price', 0.95, 1.05)):.2f}",
        "currency": maker.currency,
        "lead_time_days": f"{spread(name + 'pump lead', 5, 42):.0f}",
    }


_COLORS = {
    "polypropylene": "natural", "conductive polypropylene": "black", "PVDF": "white", "acetal": "black",
    "aluminum": "bare_metal", "316 stainless": "bare_metal", "ductile iron": "blue",
}  # fmt: skip
_MAKER_COLORS = {("PW", "polypropylene"): "black", ("TW", "polypropylene"): "gray", ("LT", "aluminum"): "red"}


def _body_color(wet_end: WetEnd) -> str:
    """Color as new; paint and dirt change it, so it is weak evidence."""
    return _MAKER_COLORS.get((wet_end.maker, wet_end.body), _COLORS[wet_end.body])


def _notes(wet_end: WetEnd, port: Port) -> str:
    said = ["invented for the demo set", f"body {wet_end.body}"]
    if port.slotted:
        said.append("slotted flange holes also take EN PN10/16 bolts, slot width as bolt_hole_diameter")
    if port.swivel:
        said.append("loose swivel flange on a stub end")
    if wet_end.joint == "clamp_band":
        said.append("one V band a side with one closing bolt")
    return "; ".join(said)


def _mm(value: float | None, digits: int = 1) -> str:
    return "" if value is None else f"{round(value, digits):g}" if digits == 1 else f"{value:.{digits}f}"
