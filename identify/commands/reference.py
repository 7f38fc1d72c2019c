"""The commands `untagged reference ...`: a shop's own reference set read in, shown, added to and checked."""

from collections.abc import Iterator, Mapping
from datetime import date
from pathlib import Path
from typing import Annotated

import typer

from identify.commands.reference_access import (
    kits_by_family,
    load_or_stop,
    say_demo,
    stop_refused,
    stop_without_family,
    store_of,
)
from identify.commands.reference_bench import Bench, record
from identify.commands.reference_help import (
    ADD_HELP,
    CHECK_HELP,
    EXPORT_HELP,
    IMPORT_HELP,
    LIST_HELP,
    SHOW_HELP,
)
from identify.commands.reference_tables import (
    attributes_table,
    families_table,
    kits_table,
    lengths_table,
    look_alikes_table,
    reference_console,
    views_table,
)
from identify.commands.screen import EXIT_NOT_WRITTEN, EXIT_UNREADABLE, GROUP_LOOK, say
from reference_geometry.additions import parse_pairs
from reference_geometry.families import Family, ReferenceSet
from reference_geometry.look_alikes import check_view
from reference_geometry.measurement_rows import parse_day
from reference_geometry.measurements import Measurement
from reference_geometry.standards import parse_size
from reference_geometry.store import StoreChange
from reference_geometry.table_import import TableKind, table_kind
from reference_geometry.transfer import export_families, export_kits, export_measurements, import_tables

reference_app = typer.Typer(
    help="Keep the shop's own reference set: measured pump families and their kits.",
    **GROUP_LOOK,
)

_SQL_HELP = "The reference set as a database URL. Example: --reference sqlite:///shop.db"
Url = Annotated[str | None, typer.Option("--reference", metavar="URL", show_default=False, help=_SQL_HELP)]
FamilyId = Annotated[str, typer.Argument(metavar="FAMILY_ID", show_default=False, help="Identifier of the family.")]


@reference_app.command("import", help=IMPORT_HELP)
def import_command(
    files: Annotated[
        list[Path],
        typer.Argument(
            metavar="FILE.csv...",
            show_default=False,
            help="families.csv, kits.csv, measurements.csv, in "
            "any order; at most one of each. What a file is follows from its headings.",
        ),
    ],
    reference: Url = None,
) -> None:
    """Read tables into the reference set: all of them, or on any bad row nothing."""
    by_kind = _by_kind(files)
    with store_of(reference, create=True) as store:
        report = import_tables(store, by_kind.get("families"), by_kind.get("kits"), by_kind.get("measurements"))
    if not report:
        count = len(report.problems)
        say(f"untagged: nothing was imported; {count} problem{'s' if count > 1 else ''}:\n{report}")
        raise typer.Exit(EXIT_UNREADABLE)
    for notice in report.notices:
        say(f"untagged: note: {notice}")
    for line in _change_lines(report.change, by_kind):
        typer.echo(line)


@reference_app.command("export", help=EXPORT_HELP)
def export_command(
    families: Annotated[Path, typer.Argument(metavar="FAMILIES.csv", show_default=False, help="File to write.")],
    kits: Annotated[Path, typer.Argument(metavar="KITS.csv", show_default=False, help="File to write.")],
    measurements: Annotated[
        Path | None,
        typer.Argument(metavar="MEASUREMENTS.csv", show_default=False, help="File for the shop's own readings."),
    ] = None,
    overwrite: Annotated[
        bool, typer.Option("--overwrite", help="Replace files that are there. Example: --overwrite")
    ] = False,
    reference: Url = None,
) -> None:
    """Write the reference set as tables that import reads back exactly."""
    paths = [path for path in (families, kits, measurements) if path]
    if len({path.absolute() for path in paths}) < len(paths):
        raise typer.BadParameter("Each table needs a file of its own.", param_hint="FILE")
    there = [path for path in paths if path.exists() and (path.is_dir() or path.stat().st_size > 0)]
    if there and not overwrite:
        raise typer.BadParameter(f"{there[0]} is there already; add --overwrite to replace it.", param_hint="FILE")
    listed, loaded, readings = _whole_set(reference)
    try:
        export_families(families, listed)
        export_kits(kits, loaded.kits)
        if measurements:
            export_measurements(measurements, readings)
    except OSError as error:
        say(f"untagged: not everything was written: {error.filename}: {error.strerror or error}")
        raise typer.Exit(EXIT_NOT_WRITTEN) from error
    typer.echo(f"{families}: {len(listed)} families")
    typer.echo(f"{kits}: {len(loaded.kits)} kit rows")
    if measurements:
        typer.echo(f"{measurements}: {len(readings)} shop readings")
    elif readings:
        say(f"untagged: note: {len(readings)} shop readings are not in these files; name a third for them")


@reference_app.command("list", help=LIST_HELP)
def list_command(
    find: Annotated[
        str,
        typer.Option(
            "--find",
            metavar="TEXT",
            show_default=False,
            help="Only families whose id, maker, family or notes hold this. Example: --find stainless",
        ),
    ] = "",
    size: Annotated[
        str,
        typer.Option(
            "--size",
            metavar="SIZE",
            show_default=False,
            help="Only this nominal port size. Example: --size 1-1/2",
        ),
    ] = "",
    reference: Url = None,
) -> None:
    """List the families of the reference set."""
    wanted = parse_size(size) if size else None
    if wanted is not None and not wanted:
        raise typer.BadParameter(f"{wanted.reason}.", param_hint="--size")
    loaded = load_or_stop(reference)
    families = [
        family
        for family in loaded.families
        if (wanted is None or family.port_nominal_in == wanted.nominal_in) and _mentions(family, find)
    ]
    say_demo(loaded)
    title = f"{len(families)} of {len(loaded.families)} families, {len({kit.kit_no for kit in loaded.kits})} kits"
    reference_console().print(families_table(families, kits_by_family(loaded), title))


@reference_app.command("show", help=SHOW_HELP)
def show_command(family_id: FamilyId, reference: Url = None) -> None:
    """Show everything known of one family: attributes, lengths with their spread, readings, kits."""
    loaded = load_or_stop(reference)
    family = next((f for f in loaded.families if f.family_id == family_id), None)
    if family is None:
        stop_without_family(family_id, [f.family_id for f in loaded.families])
    readings: tuple[Measurement, ...] = ()
    if reference:
        with store_of(reference) as store:
            readings = store.measurements(family_id)
    say_demo(loaded)
    console = reference_console()
    for table in (
        attributes_table(family),
        lengths_table(family, readings),
        kits_table([kit for kit in loaded.kits if kit.family_id == family_id]),
    ):
        console.print(table)
        console.print()


@reference_app.command("add", help=ADD_HELP)
def add_command(
    family_id: FamilyId,
    pairs: Annotated[
        list[str],
        typer.Argument(
            metavar="NAME=VALUE...",
            show_default=False,
            help="A length is a reading on one pump, in mm or "
            "with its unit; give it again for repeat readings. Anything else sets an attribute.",
        ),
    ],
    new: Annotated[
        bool, typer.Option("--new", help="The family is new; maker= and family= are needed. Example: --new")
    ] = False,
    by: Annotated[
        str, typer.Option("--by", metavar="NAME", show_default=False, help="Who measured. Example: --by Kim")
    ] = "",
    on: Annotated[
        str,
        typer.Option(
            "--on",
            metavar="DAY",
            show_default=False,
            help="When, today if not said. Example: --on 2026-03-31",
        ),
    ] = "",
    instrument: Annotated[
        str,
        typer.Option("--with", metavar="TOOL", show_default=False, help="With what. Example: --with caliper"),
    ] = "",
    anyway: Annotated[
        bool,
        typer.Option("--anyway", help="Take a reading that is far from what is known. Example: --anyway"),
    ] = False,
    reference: Url = None,
) -> None:
    """Record readings of a pump on the bench, or a new family, and show how repeat readings agree."""
    day = parse_day(on) if on else date.today()
    if day is None:
        raise typer.BadParameter(f'"{on}" is no day; write 2026-03-31.', param_hint="--on")
    addition = parse_pairs(pairs)
    if not addition:
        stop_refused(addition)
    with store_of(reference, create=new) as store:
        record(store, family_id, addition, Bench(by, day, instrument, anyway), new)


@reference_app.command("check", help=CHECK_HELP)
def check_command(
    photo_sd: Annotated[
        float,
        typer.Option(
            "--photo-sd",
            metavar="PERCENT",
            min=0.1,
            max=20.0,
            help="Standard uncertainty of a length measured in a photo. Example: --photo-sd 1.5",
        ),
    ] = 1.5,
    everything: Annotated[
        bool, typer.Option("--all", help="Show pairs that take the same kits too. Example: --all")
    ] = False,
    reference: Url = None,
) -> None:
    """Say which families photos cannot tell apart yet, and what would."""
    loaded = load_or_stop(reference)
    kits_of = kits_by_family(loaded)
    checks = [check_view(loaded.families, kits_of, view, photo_sd / 100.0) for view in ("chamber", "port", "both")]
    say_demo(loaded)
    console = reference_console()
    console.print(views_table(checks, len(loaded.families)))
    for check in checks:
        if check.view != "port":  # one port fits many pumps: that list says nothing
            console.print()
            console.print(look_alikes_table(check, everything))
    bare = [family.family_id for family in loaded.families if "chamber_diameter" not in family.lengths]
    if bare:
        typer.echo(f"\n{len(bare)} families have no chamber_diameter yet: {', '.join(bare[:10])}")
    typer.echo(
        f"\nTold apart means at most 1 mix-up in 20 (3.3 sd) by photos of {photo_sd:g} % standard uncertainty; sd: "
        "standard deviations of what a photo, or the tool, reads between the two."
    )


def _by_kind(files: list[Path]) -> dict[TableKind, Path]:
    found: dict[TableKind, Path] = {}
    for path in files:
        kind = table_kind(path)
        if kind in found:
            raise typer.BadParameter(f"{found[kind]} and {path} are both tables of {kind}.", param_hint="FILE.csv...")
        found[kind] = path
    return found


def _change_lines(change: StoreChange, given: Mapping[TableKind, Path]) -> Iterator[str]:
    for kind, rows in (
        ("families", change.families),
        ("kits", change.kits),
        ("measurements", change.measurements),
    ):
        if kind in given:
            yield f"{kind}: {rows.added} added, {rows.changed} changed, {rows.unchanged} unchanged"


def _whole_set(url: str | None) -> tuple[tuple[Family, ...], ReferenceSet, tuple[Measurement, ...]]:
    """Families as listed, the set, and the shop's readings."""
    loaded = load_or_stop(url)
    if not url:
        return loaded.families, loaded, ()
    with store_of(url) as store:
        return store.listed_families(), loaded, store.measurements()


def _mentions(family: Family, text: str) -> bool:
    said = f"{family.family_id} {family.maker} {family.family} {family.notes}"
    return text.lower() in said.lower()
