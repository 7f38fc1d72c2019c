"""Records what was typed at the bench into a store, and shows how repeat readings agree."""

from dataclasses import dataclass
from datetime import date

import typer

from identify.commands.reference_access import stop_refused, stop_without_family
from identify.commands.reference_tables import agreement_table, reference_console
from reference_geometry.additions import Addition, AdditionRefused, family_with, measurements_of
from reference_geometry.families import Family
from reference_geometry.store import ReferenceStore
from reference_geometry.store_rows import family_with_readings


@dataclass(frozen=True)
class Bench:
    """Who measured, when and with what, and whether a reading far from what is known is meant."""

    by: str
    day: date
    instrument: str
    insist: bool


def record(store: ReferenceStore, family_id: str, addition: Addition, bench: Bench, new: bool) -> None:
    """Keep attributes and readings of one family, all or none of them, and show the outcome."""
    before = _family_to_add_to(store, family_id, new)
    family = family_with(before, family_id, addition.cells)
    if isinstance(family, AdditionRefused):
        stop_refused(family)
    known = _as_known(store, family)
    readings = measurements_of(known, addition, bench.by, bench.day, bench.instrument, bench.insist)
    if isinstance(readings, AdditionRefused):
        stop_refused(readings)
    store.put([family], measurements=readings)
    _show_addition(store, known, addition, is_new=before is None)


def _family_to_add_to(store: ReferenceStore, family_id: str, new: bool) -> Family | None:
    family = store.listed_family(family_id)
    if family is None and not new:
        stop_without_family(family_id, sorted(store.family_ids()), "; a new one needs --new")
    if family is not None and new:
        raise typer.BadParameter(f"{family_id} is in the set already; leave --new out.", param_hint="--new")
    return family


def _as_known(store: ReferenceStore, family: Family) -> Family:
    """The family with its earlier shop readings worked in."""
    readings: dict[tuple[str, str], list[float]] = {}
    for reading in store.measurements(family.family_id):
        readings.setdefault((family.family_id, reading.name), []).append(reading.value_mm)
    return family_with_readings(family, readings)


def _show_addition(store: ReferenceStore, known: Family, addition: Addition, is_new: bool) -> None:
    typer.echo(f"{known.family_id}: {'new family' if is_new else 'family known'}, kept in {store.shown_url}")
    for name, cell in addition.cells.items():
        typer.echo(f"  {name} = {cell}")
    if addition.readings:
        names = [name for name, _ in addition.readings]
        table = agreement_table(names, store.measurements(known.family_id), known, _as_listed(store, known))
        reference_console().print(table)


def _as_listed(store: ReferenceStore, known: Family) -> Family:
    listed = store.listed_family(known.family_id)
    return known if listed is None else _as_known(store, listed)
