"""The invented makers and wet ends of the demo set; everything else follows from them by rule.

No maker, series, number or price here is real. Sizes stay inside common practice; flanges and threads are the
published ones. The wet ends stand in wet_ends.csv, one a line. `LOOK_ALIKES` lists pairs meant to be hard.
"""

import csv
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources


@dataclass(frozen=True)
class Maker:
    """An invented maker.

    Attributes:
        code: first part of its identifiers.
        name: its name.
        currency: of its price list.
        price_level: against the middle of the demo market.
        metric: writes sizes as DN and uses metric bolts.
    """

    code: str
    name: str
    currency: str
    price_level: float
    metric: bool


@dataclass(frozen=True)
class Port:
    """One way a wet end is offered.

    Attributes:
        kind: "A" ASME flange, "D" EN flange, "J" JIS flange, "N" NPT, "B" BSP.
        position: "end" or "center".
        swivel: the flange turns on its stub.
        slotted: slotted bolt holes that also take the other common drilling.
    """

    kind: str
    position: str = "end"
    swivel: bool = False
    slotted: bool = False


@dataclass(frozen=True)
class WetEnd:
    """Liquid chambers and air section of one size and material; its families differ by port only.

    Attributes:
        key: identifier, first part of its family ids.
        maker: code of MAKERS.
        series: invented series name.
        nominal_in: nominal port size.
        material: "plastic" or "metal"; body: what the notes call it.
        joint: "clamp_band" or "bolted"; bolts: per chamber joint, None for a band.
        chamber_mm: outside diameter at the joint.
        max_flow_lpm: open discharge, flooded suction.
        air: air section, which decides the air-side kits.
        valve_side: side of the air valve.
        fluid: wet parts, which decide the fluid-side kits.
        ports: how it is offered; in the file a kind with options, "A-center", "D-swivel", "A-slotted".
    """

    key: str
    maker: str
    series: str
    nominal_in: str
    material: str
    body: str
    joint: str
    bolts: int | None
    chamber_mm: float
    max_flow_lpm: float
    air: str
    valve_side: str
    fluid: str
    ports: tuple[Port, ...]


MAKERS = (
    Maker("MQ", "Mossquill", "USD", 1.05, metric=False),
    Maker("FW", "Fernwhistle", "USD", 1.15, metric=False),
    Maker("TW", "Tansywold", "EUR", 0.95, metric=True),
    Maker("OB", "Owlbracken", "USD", 1.00, metric=False),
    Maker("SL", "Sedgelantern", "EUR", 1.10, metric=True),
    Maker("LT", "Larkthimble", "USD", 0.88, metric=False),
    Maker("PW", "Pebblewick", "USD", 0.92, metric=False),
)


def _port(code: str) -> Port:
    kind, *options = code.split("-")
    return Port(
        kind=kind,
        position="center" if "center" in options else "end",
        swivel="swivel" in options,
        slotted="slotted" in options,
    )


def _wet_end(cells: Mapping[str, str]) -> WetEnd:
    return WetEnd(
        key=cells["key"],
        maker=cells["maker"],
        series=cells["series"],
        nominal_in=cells["nominal_in"],
        material=cells["material"],
        body=cells["body"],
        joint=cells["joint"],
        bolts=int(cells["bolts"]) if cells["bolts"] else None,
        chamber_mm=float(cells["chamber_mm"]),
        max_flow_lpm=float(cells["max_flow_lpm"]),
        air=cells["air"],
        valve_side=cells["valve_side"],
        fluid=cells["fluid"],
        ports=tuple(_port(code) for code in cells["ports"].split()),
    )


@cache
def wet_ends() -> tuple[WetEnd, ...]:
    """All wet ends, from wet_ends.csv beside this module, by size."""
    text = resources.files(__package__).joinpath("wet_ends.csv").read_text(encoding="utf-8")
    return tuple(_wet_end(cells) for cells in csv.DictReader(text.splitlines()))


LOOK_ALIKES = (
    ("MQ-CAT-05P-N", "MQ-CAT-05M-N", "chambers 1.6 mm apart, plastic or metal, one fluid kit"),
    ("MQ-CAT-02P-N", "LT-VET-02M-N", "chambers 1.5 mm apart, plastic or metal, different kits"),
    ("MQ-CAT-10P-D", "TW-MUL-10P-D", "chambers 1.8 mm apart, 8 or 10 bolts, different kits"),
    ("FW-BRY-10M-N", "FW-BRY-10M-NC", "end or center port only, one kit"),
    ("TW-MUL-15P-D", "SL-COM-15P-D", "chambers 2.6 mm apart, same bolts and flange, different kits"),
    ("TW-MUL-15P-D", "TW-MUL-15P-J", "flange standard only, one kit"),
    ("MQ-CAT-20M-N", "MQ-CAT-20R-N", "same chamber, 12 or 16 bolts, different kits"),
    ("MQ-CAT-20M-N", "MQ-CAT-20M-B", "thread standard only, one kit"),
    ("MQ-CAT-30M-A", "SL-COM-30M-D", "chambers 2.8 mm apart, flange standard differs, different kits"),
)
"""Pairs of family ids that are meant to be hard to tell apart, and by what they differ."""
