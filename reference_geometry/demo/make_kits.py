"""Writes the rows of kits.csv: fluid-side kits by wet parts, air-side kits by air section."""

from reference_geometry.demo.design_table import MAKERS, Maker, WetEnd, wet_ends
from reference_geometry.demo.dimensions import spread
from reference_geometry.demo.make_families import family_id

KIT_COLUMNS = (
    "kit_no", "family_id", "section", "elastomer", "contents", "price", "currency", "lead_time_days", "stock",
    "superseded_by",
)  # fmt: skip

_FLUID_BASE = {"1/4": 95, "3/8": 125, "1/2": 175, "3/4": 235, "1": 320, "1-1/2": 530, "2": 780, "3": 1240}
"""Middle list price of a fluid-side kit by nominal size, invented."""

_AIR_SHARE = {"valve": 0.72, "seals": 0.34}
"""Air-side kits against the fluid-side price of the smallest pump with that air section, invented."""

_ELASTOMERS = {
    # code: (words, price factor, backup diaphragms, seat O-rings)
    "NB": ("nitrile", 0.82, False, False),
    "EP": ("EPDM", 0.86, False, False),
    "TV": ("TPV", 0.92, False, False),
    "CT": ("copolyester TPE", 0.96, False, True),
    "FK": ("FKM", 1.55, False, False),
    "PT": ("PTFE", 1.45, True, True),
}
_RENUMBERED = ("MQ", "SL")
"""Makers that once gave their TPV kits other numbers."""

_SMALL = ("TV", "CT", "PT")
_PLASTIC = ("EP", "TV", "FK", "PT")
_METAL = ("NB", "EP", "TV", "CT", "PT")


def kit_rows() -> list[dict[str, str]]:
    """All kits as rows of KIT_COLUMNS, one for each family a kit fits."""
    makers = {maker.code: maker for maker in MAKERS}
    rows: list[dict[str, str]] = []
    for fluid in dict.fromkeys(w.fluid for w in wet_ends()):
        served = [w for w in wet_ends() if w.fluid == fluid]
        for code in _elastomers_of(served):
            kit = _fluid_kit(fluid, served[0], code, makers[served[0].maker])
            rows += _repeat(kit, served)
            if code == "TV" and served[0].maker in _RENUMBERED:
                rows += _repeat(_older(kit, f"{fluid}-T"), served)
    for air in dict.fromkeys(w.air for w in wet_ends()):
        served = [w for w in wet_ends() if w.air == air]
        for part in _AIR_SHARE:
            rows += _repeat(_air_kit(air, served[0], part, makers[served[0].maker]), served)
    return rows


def _elastomers_of(served: list[WetEnd]) -> tuple[str, ...]:
    if served[0].nominal_in in {"1/4", "3/8"}:
        return _SMALL
    return _METAL if any(w.material == "metal" for w in served) else _PLASTIC


def _repeat(kit: dict[str, str], served: list[WetEnd]) -> list[dict[str, str]]:
    return [{**kit, "family_id": family_id(w, port)} for w in served for port in w.ports]


def _older(kit: dict[str, str], number: str) -> dict[str, str]:
    """The same kit under the number it once had: none are left."""
    return {**kit, "kit_no": number, "stock": "0", "superseded_by": kit["kit_no"]}


def _fluid_kit(fluid: str, wet_end: WetEnd, code: str, maker: Maker) -> dict[str, str]:
    words, factor, backup, rings = _ELASTOMERS[code]
    contents = [f"2 diaphragms {words}"]
    if backup:
        contents.append("2 backup diaphragms TPV")
    contents += [f"4 valve balls {words}", f"4 valve seats {words}"]
    if rings:
        contents.append("4 seat O-rings")
    contents.append("4 manifold O-rings")
    return {
        "kit_no": f"{fluid}-F{code}",
        "section": "fluid",
        "elastomer": f"{words}, TPV backup" if backup else words,
        "contents": "; ".join(contents),
        **_trade(f"{fluid}-F{code}", _FLUID_BASE[wet_end.nominal_in] * factor, maker),
    }


def _air_kit(air: str, wet_end: WetEnd, part: str, maker: Maker) -> dict[str, str]:
    contents = {
        "valve": "1 main valve spool with sleeve; 2 end caps; 1 valve gasket; 6 O-rings; grease 10 g",
        "seals": "2 shaft seals; 2 pilot pins; 4 pilot seals; 1 muffler gasket; 8 O-rings; grease 10 g",
    }
    number = f"{air}-{'AV' if part == 'valve' else 'AS'}"
    return {
        "kit_no": number,
        "section": "air",
        "elastomer": "",
        "contents": contents[part],
        **_trade(number, _FLUID_BASE[wet_end.nominal_in] * _AIR_SHARE[part], maker),
    }


def _trade(number: str, middle_price: float, maker: Maker) -> dict[str, str]:
    """Price, lead time and stock: what is on the shelf leaves within days, the rest within six weeks."""
    price = round(middle_price * maker.price_level * spread(number + "price", 0.94, 1.06)) - 0.05
    stock = max(0, round(spread(number + "stock", -4, 9)))
    lead = spread(number + "lead", 2, 5) if stock else spread(number + "lead", 7, 42)
    return {
        "price": f"{price:.2f}",
        "currency": maker.currency,
        "lead_time_days": f"{lead:.0f}",
        "stock": str(stock),
        "superseded_by": "",
    }
