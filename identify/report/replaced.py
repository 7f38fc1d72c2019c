"""The section of a report that sets repair beside replacement: pumps for the same piping."""

from collections.abc import Sequence

from identify.answer import Answer
from identify.repair.replacement import Replacement, ReplacementTable
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
    low, high = table.repair.hours
    parts = "" if table.repair.parts is None else f"{table.repair.parts} pieces in the kit, "
    return (
        f"rebuilding its fluid side takes {parts}{low:g} to {high:g} hours at the bench, decontamination not "
        "counted (common practice)."
    )


def _side_by_side(table: ReplacementTable, shown: Sequence[Replacement]) -> Table:
    """The pump and what could take its place, a column each; a line for all that is known of any of them."""
    pumps = (table.pump, *(row.family for row in shown))
    pieces = (table.repair.parts, *(row.wearing_parts for row in shown))
    lines = [
        ("fit", "as it is", *(row.fit for row in shown)),
        ("port", *map(_port_words, pumps)),
        *((feature_words(name), *(_span_words(pump, name) for pump in pumps)) for name in _SPANS),
        ("foot spacing", *(_span_words(pump, *_FEET) for pump in pumps)),
        ("maximum flow", *map(_flow_words, pumps)),
        ("pieces in the kit", *(_NOT_KNOWN if count is None else str(count) for count in pieces)),
        ("new pump", _NOT_KNOWN, *map(_offer_words, shown)),
    ]
    columns = [Column("", share=1.5), Column(f"this: {table.pump.family_id}", share=1.7)]
    columns += [Column(row.family.family_id, share=1.7) for row in shown]
    known = tuple(line for line in lines if any(cell != _NOT_KNOWN for cell in line[1:]))
    return Table(tuple(columns), known)


def _port_words(pump: Family) -> str:
    port = pump.port_standard or pump.connection
    words = f"{value_words(port)} {pump.port_nominal_in} in" if port else f"{pump.port_nominal_in} in"
    return f"{words}, {value_words(pump.port_position)}" if pump.port_position else words


def _span_words(pump: Family, *names: str) -> str:
    """One span, or several as `133 x 94 mm`; all of them must be known."""
    if not pump.lengths.keys() >= set(names):
        return _NOT_KNOWN
    return " x ".join(f"{pump.lengths[name].mean_mm:.0f}" for name in names) + " mm"


def _flow_words(pump: Family) -> str:
    return _NOT_KNOWN if pump.max_flow_lpm is None else f"{pump.max_flow_lpm:.0f} L/min"


def _offer_words(row: Replacement) -> str:
    """Price and lead time of a new pump, as far as the set knows them."""
    said = []
    if row.price is not None:
        said.append(price_words(row.price, row.currency))
    if row.lead_time_days is not None:
        said.append(lead_time_words(row.lead_time_days))
    return ", ".join(said) or _NOT_KNOWN


def _change_words(row: Replacement) -> str:
    """What changes with one of them, and what can not be compared."""
    said = [*row.differences, *row.unknown]
    if row.life_hint:
        said.append(row.life_hint)
    return f"{family_words(row.family)}: {'; '.join(said) or 'nothing recorded differs'}."
