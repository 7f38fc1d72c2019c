"""Measurements on real photographs with known lengths: `python -m tools.bench.real_photos`.

The photographs are not part of the project; the folder is named by UNTAGGED_REAL_PHOTOS or lies in
../shared/real_photos beside the checkout. Bars: ChArUco squares away from the ones used within 0.4 % median and 1 % at
the 95th percentile; chessboards with a 50 mm patch: the far diagonal's interval holds in at least 90 %, within 1 % once
the lens is solved from the board's lines; euro coins, each in turn the only scale: median error at most 1.5 %, the 95 %
interval holds in at least 90 %.
"""

import os
from pathlib import Path
from typing import Annotated

import numpy as np
import typer

from tools.bench.charuco_squares import square_errors
from tools.bench.chessboards import board_figures
from tools.bench.euro_coins import CoinFigures, Errors, coin_figures

PATCHES = {
    "two columns": (slice(0, 6), slice(0, 2)),
    "upper half": (slice(0, 3), slice(0, 4)),
    "lower half": (slice(3, 6), slice(0, 4)),
    "upper left 2 x 2 squares": (slice(0, 3), slice(0, 3)),
    "one square in the middle": (slice(2, 4), slice(1, 3)),
}


def photo_folder() -> Path:
    """Where the real photographs lie."""
    beside = Path(__file__).parents[2].parent / "shared" / "real_photos"
    return Path(os.environ.get("UNTAGGED_REAL_PHOTOS", beside))


def main(folder: Annotated[Path | None, typer.Option(help="folder of real photographs")] = None) -> None:
    """Print every figure beside its bar."""
    folder = folder or photo_folder()
    if not folder.is_dir():
        typer.echo(f"no real photographs in {folder}", err=True)
        raise typer.Exit(3)
    typer.echo("ChArUco photo: squares away from the scale patch (bar: median 0.4 %, 95th percentile 1 %)")
    every, stated = [], []
    for name, (rows, columns) in PATCHES.items():
        errors, uncertainty = square_errors(folder / "opencv-aruco" / "choriginal.jpg", rows, columns)
        every.append(errors)
        stated.append(uncertainty)
        typer.echo(
            f"  scale: {name:26} {len(errors):2d} squares  median {np.median(np.abs(errors)):.2%}"
            f"  worst {np.abs(errors).max():.2%}  stated sd {uncertainty.mean():.2%}"
        )
    size = np.abs(np.concatenate(every))
    held = float(np.mean(size <= 1.96 * np.concatenate(stated)))
    median, tail = float(np.median(size)), float(np.quantile(size, 0.95))
    verdict = "met" if median <= 0.004 and tail <= 0.01 else "missed"
    typer.echo(f"  all: median {median:.2%}, 95th percentile {tail:.2%}, held {held:.0%}  {verdict}")
    say_boards(folder)
    say_coins(folder)


def say_boards(folder: Path) -> None:
    """Print the chessboards' figures."""
    typer.echo("chessboards: a patch of 50 mm the only scale, the diagonal of 236 mm measured by five patches each")
    boards = [board_figures(path) for path in sorted((folder / "opencv-chessboard").glob("*.jpg"))]
    for words, diagonals, bar in (
        ("lens left to its prior (bar: interval holds at least 90 %)", [d for b in boards for d in b.by_prior], 0.9),
        ("distortion by straight lines (bar: within 1 %)", [d for b in boards for d in b.by_straight_lines], None),
        ("focal length by square lines too (bar: within 1 %)", [d for b in boards for d in b.by_square_lines], None),
    ):
        size = np.abs([d.error for d in diagonals])
        held = float(np.mean([d.held for d in diagonals]))
        width = float(np.mean([d.stated for d in diagonals]) / np.sqrt(np.mean(size**2)))
        met = held >= bar if bar else size.max() <= 0.01
        typer.echo(
            f"  {words}: {len(size)} diagonals, median {np.median(size):.2%}, within 1 % {np.mean(size <= 0.01):.0%},"
            f" worst {size.max():.2%}, held {held:.0%}, width {width:.1f} x needed  {'met' if met else 'missed'}"
        )
    focal, k1 = [b.lens.focal_px for b in boards], [b.lens.k1 for b in boards]
    typer.echo(
        f"  one lens a photo: focal length {np.mean(focal):.0f} +/- {np.std(focal):.0f} px, k1 {np.mean(k1):.3f} +/-"
        f" {np.std(k1):.3f} (all photos together calibrated by OpenCV: 536 px, -0.266 with k3)"
    )


def say_coins(folder: Path) -> None:
    """Print the coins' figures."""
    typer.echo("euro coins: each in turn the only scale (bar: median at most 1.5 %, interval holds at least 90 %)")
    table = folder / "euro-coins" / "coins_groundtruth.csv"
    seen = []
    for path in sorted(table.parent.glob("*.[jJ][pP][gG]")):
        figures = coin_figures(path, table)
        if not len(figures.together.relative):
            typer.echo(f"  {path.name:14} no coins found")
            continue
        seen.append(figures)
        typer.echo(f"  {path.name:14} {figures.coins:2d} coins  {_words([figures])}")
    medians, holds = zip(*[(f.together.median, f.together.held.mean()) for f in seen], strict=True)
    met = max(medians) <= 0.015 and min(holds) >= 0.9
    typer.echo(f"  all photos               {_words(seen)}")
    typer.echo(f"  worst photo: median {max(medians):.2%}, held {min(holds):.0%}  {'met' if met else 'missed'}")


def _words(figures: list[CoinFigures]) -> str:
    """Both ways of measuring, over some photos."""
    said = []
    for words, errors in (
        ("all circles together", [f.together for f in figures]),
        ("one other coin in view", [f.alone for f in figures]),
    ):
        one = Errors(*(np.concatenate([getattr(e, name) for e in errors]) for name in ("relative", "stated", "held")))
        width = one.width_over_needed
        said.append(f"{words}: median {one.median:.2%} held {one.held.mean():.0%} width {width:.1f} x needed")
    return ", ".join(said)


if __name__ == "__main__":
    typer.run(main)
