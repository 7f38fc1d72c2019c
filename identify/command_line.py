"""The command `untagged`: reads options, calls one action, says on the screen what came of it.

Heavy libraries are imported inside the commands, so that help and mistakes in typing answer at once.
"""

import os
import sys
from collections.abc import Sequence
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal, NoReturn

import typer

from identify.commands.late_reference import late_reference_app
from identify.commands.photo_options import (
    CARD_HELP,
    IDENTIFY_HELP,
    MEASURE_HELP,
    AsJson,
    Brief,
    CardAt,
    Coin,
    Known,
    LookAt,
    MinuteCost,
    OrderAt,
    Overlay,
    Photos,
    Reference,
    Report,
    ScalePoints,
    Sheet,
    WrongKitCost,
)
from identify.commands.screen import EXIT_NOT_WRITTEN, EXIT_UNREADABLE, GROUP_LOOK, say
from identify.commands.serving import SERVE_HELP, serve, users_app
from identify.output_files import OutputPlan
from identify.typed.costs import TypedCosts
from identify.typed.options import TypedOptions, Understood, WrongUsage, check_places, understand

if TYPE_CHECKING:
    from identify.answering import Unreadable
    from reference_geometry.families import ReferenceSet

Form = Literal["full", "brief", "json"]
"""How an answer is printed."""

CARD_SIZES: tuple[Literal["pocket", "large"], ...] = ("pocket", "large")
CARD_PAPERS: tuple[Literal["a4", "letter"], ...] = ("a4", "letter")

app = typer.Typer(
    name="untagged",
    help="Tell which air-operated double-diaphragm pump is in a photo once its nameplate is gone, "
    "and which rebuild kit fits it.",
    epilog="Start with: untagged identify PHOTO.jpg --card-at rim",
    add_completion=False,
    pretty_exceptions_enable=False,
    **GROUP_LOOK,
)


def _print_version(wanted: bool) -> None:
    if wanted:
        try:
            typer.echo(f"untagged {version('untagged')}")
        except PackageNotFoundError:  # run from a checkout that was not installed
            typer.echo("untagged (not installed)")
        raise typer.Exit


@app.callback()
def _untagged(
    show_version: Annotated[
        bool,
        typer.Option(
            "--version",
            help="Print the version. Example: untagged --version",
            callback=_print_version,
            is_eager=True,
        ),
    ] = False,
) -> None:
    pass


@app.command(help=IDENTIFY_HELP)
def identify(
    photos: Photos = None,
    reference: Reference = None,
    card_at: CardAt = "unknown",
    coin: Coin = "",
    scale_points: ScalePoints = "",
    sheet: Sheet = "",
    known: Known = None,
    look_at: LookAt = None,
    as_json: AsJson = False,
    brief: Brief = False,
    overlay: Overlay = None,
    report: Report = None,
    wrong_kit_cost: WrongKitCost = "",
    minute_cost: MinuteCost = "",
    order_at: OrderAt = "",
) -> None:
    """Say which pump is in the photos and which rebuild kit fits it."""
    costs = TypedCosts(wrong_kit_cost, minute_cost, order_at)
    typed = TypedOptions(card_at, coin, scale_points, sheet, tuple(known or ()), tuple(look_at or ()), costs)
    if brief and as_json:
        raise typer.BadParameter("--json is always whole; give one of the two.", param_hint="--brief")
    if not photos and not known:
        raise typer.BadParameter(
            "Give at least one photo, or what is known of the pump with --known.", param_hint="PHOTO..."
        )
    form: Form = "json" if as_json else "brief" if brief else "full"
    _run(photos or [], typed, OutputPlan(overlay, report), form, reference, matching=True)


@app.command(help=MEASURE_HELP)
def measure(
    photos: Photos = None,
    reference: Reference = None,
    card_at: CardAt = "unknown",
    coin: Coin = "",
    scale_points: ScalePoints = "",
    sheet: Sheet = "",
    known: Known = None,
    look_at: LookAt = None,
    as_json: AsJson = False,
    overlay: Overlay = None,
    report: Report = None,
) -> None:
    """Measure the pump in the photos, without matching it."""
    typed = TypedOptions(card_at, coin, scale_points, sheet, tuple(known or ()), tuple(look_at or ()))
    if not photos:
        raise typer.BadParameter("Give at least one photo.", param_hint="PHOTO...")
    _run(photos, typed, OutputPlan(overlay, report), "json" if as_json else "full", reference, matching=False)


app.add_typer(late_reference_app, name="reference")
app.add_typer(users_app, name="users")


@app.command(help=CARD_HELP)
def card(
    file: Annotated[Path, typer.Argument(metavar="FILE.pdf", help="Where to write the page.", show_default=False)],
    size: Annotated[
        str,
        typer.Option(
            "--size",
            metavar="SIZE",
            help="pocket (fits a shirt pocket, for parts up to about 300 mm) or "
            "large (a whole page, for whole pumps). Example: --size large",
        ),
    ] = "pocket",
    paper: Annotated[
        str, typer.Option("--paper", metavar="PAPER", help="a4 or letter. Example: --paper letter")
    ] = "a4",
) -> None:
    """Write the printable scale card as a PDF page."""
    card_size = next((known for known in CARD_SIZES if known == size.lower()), None)
    if card_size is None:
        raise typer.BadParameter(f"{size!r} is not a card size; say pocket or large.", param_hint="--size")
    card_paper = next((known for known in CARD_PAPERS if known == paper.lower()), None)
    if card_paper is None:
        raise typer.BadParameter(f"{paper!r} is not a paper size; say a4 or letter.", param_hint="--paper")
    if file.suffix.lower() != ".pdf":
        raise typer.BadParameter(f"{file} must end in .pdf.", param_hint="FILE.pdf")
    from features.scale.card_pdf import write_card

    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        write_card(file, card_size, card_paper)
    except OSError as error:
        say(f"untagged: {file} was not written: {error.strerror or error}.")
        raise typer.Exit(EXIT_NOT_WRITTEN) from error
    say(f"{file} written. Print it at 100 % (not fitted to the page) and check its 50 mm bar with a rule.")


app.command(help=SERVE_HELP)(serve)


def _run(
    photos: Sequence[Path],
    typed: TypedOptions,
    outputs: OutputPlan,
    form: Form,
    reference_url: str | None,
    matching: bool,
) -> None:
    """The way of one call: understand, read, survey, match, write, say."""
    photos = _once_each(photos)
    try:
        understood = understand(typed)
        outputs.check(photos)
        _check_places(photos, typed, understood)
    except WrongUsage as wrong:
        raise typer.BadParameter(str(wrong), param_hint=wrong.option) from wrong
    from identify.answer_output import show_answer, write_outputs
    from identify.answering import Unreadable, answer_photos

    answered = answer_photos(photos, understood, _reference_set(reference_url if matching else None))
    if isinstance(answered, Unreadable):
        _stop_unreadable(answered)
    not_written = write_outputs(answered, outputs, photos, matching)
    show_answer(answered, form, matching)
    for failure in not_written:
        say(f"untagged: {failure}")
    if not_written:
        raise typer.Exit(EXIT_NOT_WRITTEN)


def _check_places(photos: Sequence[Path], typed: TypedOptions, understood: Understood) -> None:
    """Pixels belong to one picture: with several, nobody knows which one is meant; and a place to one photo each."""
    check_places(understood, len(photos))
    option = "--scale-points" if typed.scale_points else "--look-at" if typed.look_at else ""
    if option and len(photos) != 1:
        raise WrongUsage(option, f"{option} speaks of pixels of one photo; give exactly one PHOTO with it.")


def _once_each(photos: Sequence[Path]) -> list[Path]:
    """The photos without repeats: the same file twice is no second witness."""
    kept: dict[Path, Path] = {}
    for photo in photos:
        if kept.setdefault(photo.absolute(), photo) is not photo:
            say(f"untagged: {photo} was given twice and is used once.")
    return list(kept.values())


def _reference_set(url: str | None) -> "ReferenceSet":
    from reference_geometry.store import load_reference
    from reference_geometry.store_engine import StoreError

    try:
        return load_reference(url)
    except StoreError as error:
        say(f"untagged: the reference set could not be read, so nothing was done. {error}")
        raise typer.Exit(EXIT_UNREADABLE) from error


def _stop_unreadable(unreadable: "Unreadable") -> NoReturn:
    """Name every unreadable input and every readable one, and end."""
    count = len(unreadable.bad) + len(unreadable.good)
    say(f"untagged: {len(unreadable.bad)} of {count} inputs could not be read, so nothing was answered or written.")
    for name, reason in unreadable.bad:
        say(f"  {name}: {reason}")
    if unreadable.good:
        say(f"  read without trouble: {', '.join(unreadable.good)}")
        say("Leave the unreadable ones out, or send them again, and run once more.")
    raise typer.Exit(EXIT_UNREADABLE)


def main() -> None:
    """Run the command and end with its exit code; no mistake of a user ever shows a traceback."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")  # a console that lacks a character shows ? instead of failing
    try:
        app(prog_name="untagged")
    except BrokenPipeError:
        # The reader of our output went away (`| head`): nothing is wrong, and nothing more can be said.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(0)
    except Exception as error:
        if os.environ.get("UNTAGGED_TRACEBACK"):
            raise
        say(
            f"untagged met an error of its own ({type(error).__name__}: {error}). "
            "Nothing you typed is to blame; please "
            "report it. With the environment variable UNTAGGED_TRACEBACK=1 the details are shown."
        )
        sys.exit(EXIT_NOT_WRITTEN)
