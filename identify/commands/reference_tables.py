"""Tables of the `untagged reference` commands: what is known, how readings agree, what looks alike."""

from collections.abc import Mapping, Sequence

from rich.console import Console
from rich.table import Table
from rich.text import Text

from identify.wording import feature_words, value_words
from reference_geometry.families import LENGTH_NAMES, Family, Kit, KnownLength
from reference_geometry.look_alikes import Separator, ViewCheck
from reference_geometry.measurements import Measurement, agreement

WIDTH_WITHOUT_TERMINAL = 130

_VIEW_WORDS = {"chamber": "chamber view", "port": "port view", "both": "both views"}


def reference_console(stderr: bool = False) -> Console:
    """A console that never reads text as markup and is wide enough for tables where there is no terminal."""
    console = Console(stderr=stderr, markup=False, emoji=False, highlight=False)
    if not console.is_terminal:
        console.width = WIDTH_WITHOUT_TERMINAL
    return console


def _table(title: str, *columns: str, right: Sequence[str] = ()) -> Table:
    table = Table(title=Text(title), title_justify="left", header_style="bold", show_edge=False, pad_edge=False)
    for column in columns:
        justify = "right" if column in right else "left"
        table.add_column(Text(column), justify=justify, overflow="fold")  # type: ignore[arg-type]
    return table


def _row(table: Table, *cells: object) -> None:
    table.add_row(*(Text("" if cell is None else str(cell)) for cell in cells))


def families_table(families: Sequence[Family], kits_of: Mapping[str, frozenset[str]], title: str) -> Table:
    """One line a family."""
    table = _table(
        title, "family_id", "maker", "family", "size", "port", "joint", "bolts", "body", "chamber mm", "kits",
        right=("bolts", "chamber mm", "kits"),
    )  # fmt: skip
    for family in families:
        chamber = family.lengths.get("chamber_diameter")
        port = " ".join(part for part in (family.port_standard, family.port_position) if part)
        _row(
            table, family.family_id, family.maker, family.family, family.port_nominal_in or family.size_label,
            port, (family.housing_joint or "").replace("_", " "), family.chamber_bolt_count,
            family.wetted_material, f"{chamber.mean_mm:.1f}" if chamber else "",
            len(kits_of.get(family.family_id, ())),
        )  # fmt: skip
    return table


def attributes_table(family: Family) -> Table:
    """What is known of a family besides its lengths."""
    table = _table(f"{family.family_id}: {family.maker} {family.family} {family.size_label}", "attribute", "value")
    swivel = None if family.swivel_flange is None else ("yes" if family.swivel_flange else "no")
    known: dict[str, object] = {
        "connection": family.connection,
        "port_standard": family.port_standard,
        "port_nominal_in": family.port_nominal_in,
        "port_position": family.port_position,
        "swivel_flange": swivel,
        "bolt_hole_count": family.bolt_hole_count,
        "housing_joint": family.housing_joint,
        "chamber_bolt_count": family.chamber_bolt_count,
        "wetted_material": family.wetted_material,
        "air_valve_side": family.air_valve_side,
        "max_flow_lpm": None if family.max_flow_lpm is None else f"{family.max_flow_lpm:g} L/min",
        **family.extras,
        "notes": family.notes or None,
    }
    for name, value in known.items():
        _row(table, name, "not known" if value is None else value)
    return table


def lengths_table(family: Family, readings: Sequence[Measurement]) -> Table:
    """Every length with its spread, and how the shop's own readings agree."""
    table = _table(
        "Lengths", "length", "mean mm", "sd mm", "count", "shop readings", "low to high mm",
        right=("mean mm", "sd mm", "count", "shop readings", "low to high mm"),
    )  # fmt: skip
    for name in LENGTH_NAMES:
        known = family.lengths.get(name)
        values = [reading.value_mm for reading in readings if reading.name == name]
        if known is None:
            continue
        spread = f"{min(values):.2f} to {max(values):.2f}" if values else ""
        sd = "not known" if known.sd_mm is None else f"{known.sd_mm:.2f}"
        _row(table, name, f"{known.mean_mm:.2f}", sd, known.count or "", len(values) or "", spread)
    return table


def kits_table(kits: Sequence[Kit]) -> Table:
    """Kits of a family."""
    table = _table(
        "Kits",
        "kit_no",
        "section",
        "elastomer",
        "contents",
        "price",
        "lead time",
        "stock",
        "superseded by",
        right=("price", "stock"),
    )
    for kit in kits:
        price = "" if kit.price is None else f"{kit.price:,.2f} {kit.currency}"
        lead = "" if kit.lead_time_days is None else f"{kit.lead_time_days:g} days"
        _row(table, kit.kit_no, kit.section, kit.elastomer, kit.contents, price, lead, kit.stock, kit.superseded_by)
    return table


def agreement_table(names: Sequence[str], readings: Sequence[Measurement], before: Family, after: Family) -> Table:
    """How the readings just added agree with each other and with what was known."""
    table = _table(
        "Repeat readings", "length", "readings", "mean mm", "sd mm", "low to high mm", "known before",
        "known now", right=("readings", "mean mm", "sd mm", "low to high mm", "known before", "known now"),
    )  # fmt: skip
    for name in dict.fromkeys(names):
        own = agreement([reading.value_mm for reading in readings if reading.name == name])
        sd = "one reading" if own.sd_mm is None else f"{own.sd_mm:.2f}"
        spread = f"{own.low_mm:.2f} to {own.high_mm:.2f}"
        states = (_state(before.lengths.get(name)), _state(after.lengths.get(name)))
        _row(table, name, own.count, f"{own.mean_mm:.2f}", sd, spread, *states)
    return table


def _state(known: KnownLength | None) -> str:
    if known is None:
        return "nothing"
    sd = "" if known.sd_mm is None else f" sd {known.sd_mm:.2f}"
    return f"{known.mean_mm:.2f}{sd}"


def views_table(checks: Sequence[ViewCheck], family_count: int) -> Table:
    """How much each view can tell."""
    table = _table(
        f"What photos of {family_count} families cannot tell apart",
        "seen", "families with a look-alike", "most of one family", "pairs", "pairs with different kits",
        right=("families with a look-alike", "most of one family", "pairs", "pairs with different kits"),
    )  # fmt: skip
    for check in checks:
        _row(table, _VIEW_WORDS[check.view], check.families, check.largest_crowd, check.pairs, check.kit_pairs)
    return table


def look_alikes_table(check: ViewCheck, everything: bool) -> Table:
    """Pairs a view cannot tell apart and what would; without `everything` only those with different kits."""
    shown = [pair for pair in check.look_alikes if everything or not pair.same_kits]
    wanted = check.pairs if everything else check.kit_pairs
    which = "" if everything else ", different kits"
    title = f"Not told apart by {_VIEW_WORDS[check.view]}{which}: {wanted} {'pair' if wanted == 1 else 'pairs'}"
    if wanted > len(shown):
        title += f", the {len(shown)} most alike"
    table = _table(
        title, "family", "and", "photos differ", "kits", "or look at", "one measurement by hand",
        right=("photos differ",),
    )  # fmt: skip
    for pair in shown:
        kits = "the same" if pair.same_kits else "differ"
        apart = f"{pair.separation_sd:.1f} sd"
        _row(table, pair.first, pair.second, apart, kits, _looked_at(pair.attribute), _measured(pair.measurement))
    return table


def _looked_at(separator: Separator | None) -> str:
    if separator is None:
        return "nothing known"
    return f"{feature_words(separator.name)}: {value_words(separator.first)} or {value_words(separator.second)}"


def _measured(separator: Separator | None) -> str:
    """The measurement with its tool and what it gives for either family."""
    if separator is None:
        return "none known separates them"
    tool = f", {separator.tool}" if separator.tool else ""
    apart = "" if separator.separation_sd is None else f" ({separator.separation_sd:.0f} sd apart)"
    return f"{feature_words(separator.name)}{tool}: {separator.first} or {separator.second}{apart}"
