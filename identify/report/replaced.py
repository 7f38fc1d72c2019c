"""The section of a report that sets repair beside replacement: pumps for the same piping."""

from collections.abc import Sequence

from identify.answer import Answer
from identify.repair.pump_differences import flex_ratio, swivel_seal_count
from identify.repair.replacement import RepairEffort, Replacement, ReplacementTable
from identify.report.blocks import Block, Bullets, Column, Paragraph, Section, Table
from identify.report.matched import family_words
from identify.wording import chance_words, feature_words, lead_time_words, price_words, value_words
from reference_geometry.families import Family

SHOWN_ALTERNATIVES = 3

_SPANS = ("port_spacing", "overall_height", "overall_width")
_FEET = ("foot_spacing_long", "foot_spacing_short")
_NOT_KNOWN = "-"


def replacement_section(answer: Answer) -> Section | None:
    """Repair or replace; None when no family is probable enough or nothing else has its port size."""
    table = answer.replacement
    if table is None or not table.rows:
        return None
    shown = table.rows[:SHOWN_ALTERNATIVES]
    chance = chance_words(answer.candidates[0].probability)
    blocks: list[Block] = [
        Paragraph(f"If it is {family_words(table.pump)} ({chance}): {_repair_words(table)}"),
        _side_by_side(table, shown),
        Bullets(tuple(_change_words(row) for row in shown)),
    ]
    if len(table.rows) > len(shown):
        blocks.append(Paragraph(f"{len(table.rows) - len(shown)} more fit less well.", "muted"))
    blocks.append(Bullets(table.caveats))
    return Section("Repair or replace", tuple(blocks))


def _repair_words(table: ReplacementTable) -> str:
    """Both sides of the repair: parts to replace, kit prices, hours."""
    sides = "; ".join(_side_words(effort) for effort in table.repairs or (table.repair,))
    return f"a rebuild takes {sides}. Hours at the bench, decontamination not counted (common practice)."


def _side_words(effort: RepairEffort) -> str:
    low, high = effort.hours
    said = [f"on the {effort.section} side {low:g} to {high:g} hours"]
    if effort.parts is not None:
        said.append(f"{_count_span(effort.parts)} parts to replace")
    if effort.prices is not None:
        said.append(f"kits at {_price_span(effort)}")
    if effort.lead_time_days is not None:
        said.append(f"in {_lead_span(effort)}")
    return ", ".join(said)


def _count_span(span: tuple[int, int]) -> str:
    low, high = span
    return f"{low}" if low == high else f"{low} to {high}"


def _lead_span(effort: RepairEffort) -> str:
    low, high = effort.lead_time_days or (0.0, 0.0)
    return lead_time_words(high) if round(low) == round(high) else f"{low:.0f} to {high:.0f} days"


def _price_span(effort: RepairEffort) -> str:
    if effort.prices is None:
        return _NOT_KNOWN
    low, high = effort.prices
    whole = price_words(high, effort.currency)
    return whole if low == high else f"{low:,.2f} to {whole}"


def _side_by_side(table: ReplacementTable, shown: Sequence[Replacement]) -> Table:
    """The pump and what could take its place, a column each; a line for all that is known of any of them."""
    pumps = (table.pump, *(row.family for row in shown))
    repair = table.repair
    counts = [_NOT_KNOWN if row.wearing_parts is None else f"from {row.wearing_parts}" for row in shown]
    lines = [
        ("fit", "as it is", *(row.fit for row in shown)),
        ("port", *map(_port_words, pumps)),
        ("body", *map(_material_words, pumps)),
        ("chamber joint", *map(_joint_words, pumps)),
        *((feature_words(name), *(_span_words(table.pump, pump, name) for pump in pumps)) for name in _SPANS),
        ("foot spacing", *(_span_words(table.pump, pump, *_FEET) for pump in pumps)),
        ("maximum flow", *map(_flow_words, pumps)),
        ("fluid-side wearing parts", _NOT_KNOWN if repair.parts is None else _count_span(repair.parts), *counts),
        ("swivel seals besides", *map(_swivel_words, pumps)),
        ("stroke on diaphragm", *map(_stroke_words, pumps)),
        ("list price", f"kit {_price_span(repair)}" if repair.prices else _NOT_KNOWN,
         *(_NOT_KNOWN if row.price is None else price_words(row.price, row.currency) for row in shown)),
        ("lead time", f"kit {_lead_span(repair)}" if repair.lead_time_days else _NOT_KNOWN,
         *(_NOT_KNOWN if row.lead_time_days is None else lead_time_words(row.lead_time_days) for row in shown)),
    ]  # fmt: skip
    columns = [Column("", share=1.5), Column(f"this: {table.pump.family_id}", share=1.7)]
    columns += [Column(row.family.family_id, share=1.7) for row in shown]
    known = tuple(line for line in lines if any(cell != _NOT_KNOWN for cell in line[1:]))
    return Table(tuple(columns), known)


def _port_words(pump: Family) -> str:
    port = pump.port_standard or pump.connection
    words = f"{value_words(port)} {pump.port_nominal_in} in" if port else f"{pump.port_nominal_in} in"
    return f"{words}, {value_words(pump.port_position)}" if pump.port_position else words


def _material_words(pump: Family) -> str:
    return value_words(pump.wetted_material) if pump.wetted_material else _NOT_KNOWN


def _joint_words(pump: Family) -> str:
    if pump.housing_joint is None:
        return _NOT_KNOWN
    bolts = f", {pump.chamber_bolt_count} bolts" if pump.chamber_bolt_count else ""
    return value_words(pump.housing_joint) + bolts


def _span_words(this: Family, pump: Family, *names: str) -> str:
    """One span with its difference, as `338 mm (+38)`, or several as `133 x 94 mm`; all must be known."""
    if not pump.lengths.keys() >= set(names):
        return _NOT_KNOWN
    words = " x ".join(f"{pump.lengths[name].mean_mm:.0f}" for name in names) + " mm"
    if pump is this or not this.lengths.keys() >= set(names):
        return words
    gaps = [pump.lengths[name].mean_mm - this.lengths[name].mean_mm for name in names]
    return words if all(abs(gap) < 0.5 for gap in gaps) else f"{words} ({', '.join(f'{g:+.0f}' for g in gaps)})"


def _flow_words(pump: Family) -> str:
    return _NOT_KNOWN if pump.max_flow_lpm is None else f"{pump.max_flow_lpm:.0f} L/min"


def _swivel_words(pump: Family) -> str:
    if pump.connection == "threaded":
        return "none"
    if pump.swivel_flange is None:
        return _NOT_KNOWN
    count = swivel_seal_count(pump)
    return f"{count}, also leak points" if count else "none"


def _stroke_words(pump: Family) -> str:
    ratio, stroke_mm = flex_ratio(pump), pump.extra_number("stroke_mm")
    if ratio is None or stroke_mm is None:
        return _NOT_KNOWN
    return f"{stroke_mm:.0f} on {stroke_mm / ratio:.0f} mm ({100 * ratio:.1f} %)"


def _change_words(row: Replacement) -> str:
    """What changes with one of them, and what can not be compared."""
    said = [*row.differences, *row.unknown]
    if row.life_hint:
        said.append(row.life_hint)
    return f"{family_words(row.family)}: {'; '.join(said) or 'nothing recorded differs'}."
