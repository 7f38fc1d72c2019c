"""The options that `identify` and `measure` share, and the help of every command, each with an example."""

from pathlib import Path
from typing import Annotated

import typer

from identify.typed.options import CARD_PLACES, SHEETS

Photos = Annotated[
    list[Path] | None,
    typer.Argument(
        metavar="PHOTO...",
        readable=False,  # the loader says what is wrong with a file, in its own words and exit code
        help="Photos of one and the same pump: JPEG, PNG, WebP or HEIC.",
        show_default=False,
    ),
]
Reference = Annotated[
    str | None,
    typer.Option(
        "--reference",
        metavar="URL",
        show_default=False,
        help="The shop's own reference set, for example "
        "sqlite:///shop.db. Without it the packaged demo set is used, whose makers and pumps are invented.",
    ),
]
CardAt = Annotated[
    str,
    typer.Option(
        "--card-at",
        metavar="PLACE",
        help=f"Where the card, coin or sheet lies: {', '.join(CARD_PLACES)}. "
        "It tells how far the measured edges lie behind it. Where it differs, one place a photo, in their order. "
        "Examples: --card-at rim, --card-at rim,flange",
    ),
]
Coin = Annotated[
    str,
    typer.Option(
        "--coin",
        metavar="NAME|MM",
        show_default=False,
        help="A coin is the scale: its name or its diameter. Examples: --coin us-25c, --coin eur-2, --coin 24.26mm",
    ),
]
ScalePoints = Annotated[
    str,
    typer.Option(
        "--scale-points",
        metavar="X1,Y1,X2,Y2=MM",
        show_default=False,
        help="Two points of the photo, in "
        "pixels from its top left corner, and the true distance between them, or the thread size of the bolt head or "
        "nut across whose flats they lie. Examples: --scale-points 410,220,1630,240=152.4, "
        "--scale-points 880,410,931,420=M10",
    ),
]
Sheet = Annotated[
    str,
    typer.Option(
        "--sheet",
        metavar="SIZE",
        show_default=False,
        help=f"A sheet of paper is the scale: {', '.join(SHEETS)}. Example: --sheet a4",
    ),
]
Known = Annotated[
    list[str] | None,
    typer.Option(
        "--known",
        metavar="NAME=VALUE",
        show_default=False,
        help="Something already known; may be given "
        "again and again. Lengths are in mm unless a unit follows. Examples: --known connection=flanged, "
        "--known chamber_bolt_count=8, --known port_bore=1.5in",
    ),
]
LookAt = Annotated[
    list[str] | None,
    typer.Option(
        "--look-at",
        metavar="NAME=X,Y,R",
        show_default=False,
        help="A feature, or the coin, lies about X,Y in the photo, R pixels from there to its edge; may be "
        "given again. Examples: --look-at chamber_diameter=2010,1480,900, --look-at coin=900,640,120",
    ),
]
AsJson = Annotated[
    bool,
    typer.Option("--json", help="Print one JSON object instead of words. Example: untagged identify a.jpg --json"),
]
Brief = Annotated[
    bool,
    typer.Option("--brief", help="Print about fifteen lines: pump, kits, what to ask next. Example: --brief"),
]
WrongKitCost = Annotated[
    str,
    typer.Option(
        "--wrong-kit-cost",
        metavar="AMOUNT",
        show_default=False,
        help="What a wrong kit costs you: return, freight, days down; 400 USD if not said. It is set against "
        "the cost of one more question. Example: --wrong-kit-cost 350EUR",
    ),
]
MinuteCost = Annotated[
    str,
    typer.Option(
        "--minute-cost",
        metavar="AMOUNT",
        show_default=False,
        help="What a minute of asking costs you and the customer; 1.50 if not said. Example: --minute-cost 2",
    ),
]
OrderAt = Annotated[
    str,
    typer.Option(
        "--order-at",
        metavar="PERCENT",
        show_default=False,
        help='Chance that a kit fits, below which it is never called "order"; 99 if not said. Example: --order-at 99.5',
    ),
]
Overlay = Annotated[
    Path | None,
    typer.Option(
        "--overlay",
        metavar="DIR",
        readable=False,
        show_default=False,
        help="Write each photo with scale, circles and sizes drawn on it into this folder. Example: --overlay measured",
    ),
]
Report = Annotated[
    Path | None,
    typer.Option(
        "--report",
        metavar="FILE",
        readable=False,
        show_default=False,
        help="Write a sheet to attach to a quote; the name ends in .pdf or .html. Example: --report pump.pdf",
    ),
]

IDENTIFY_HELP = """Say which pump is in the photos and which rebuild kit fits it.

All photos of one call are of one pump. Lay the printed scale card (untagged card), a bank card or a coin on
the part and say where it lies. Without a photo, --known alone is matched, as on the phone.

\b
Examples:
  untagged identify front.jpg port.jpg --card-at rim,flange
  untagged identify front.jpg --coin us-25c --report pump.pdf
  untagged identify --known connection=flanged --known port_bore=1.5in
  untagged identify front.jpg --card-at rim --brief --wrong-kit-cost 600

\b
Exit codes:
  0  an answer, even "not in the set"
  1  the answer was shown, but a file could not be written
  2  wrong usage
  3  an input could not be read; nothing was answered or written
"""

MEASURE_HELP = """Measure the pump in the photos, without matching it.

Takes the options of identify, and its exit codes; --reference makes no difference here.

\b
Examples:
  untagged measure port.jpg --card-at flange
  untagged measure port.jpg --scale-points 410,220,1630,240=152.4
"""

CARD_HELP = """Write the printable scale card as a PDF page.

Print it at 100 %, not fitted to the page, and check its 50 mm bar with a rule: a card of the wrong size
measures everything wrong.

\b
Example:
  untagged card card.pdf --paper letter
"""
