"""Measurements on real photographs with known lengths: `python -m tools.bench.real_photos`.

The photographs are not part of the project; the folder is named by UNTAGGED_REAL_PHOTOS or lies in
../shared/real_photos beside the checkout. Bars: every ChArUco square away from the ones used within 0.5 %; euro coins,
each in turn the only scale: median error at most 1.5 %, the 95 % interval holds in at least 90 %.
"""

import os
from pathlib import Path
from typing import Annotated

import numpy as np
import typer

from tools.bench.charuco_squares import square_errors
from tools.bench.euro_coins import coin_figures

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
    typer.echo("ChArUco photo: squares away from the scale patch (bar: each within 0.5 %)")
    for name, (rows, columns) in PATCHES.items():
        errors, uncertainty = square_errors(folder / "opencv-aruco" / "choriginal.jpg", rows, columns)
        worst = float(np.abs(errors).max())
        typer.echo(
            f"  scale: {name:26} {len(errors):2d} squares  median {np.median(np.abs(errors)):.2%}  worst {worst:.2%}"
            f"  stated sd {uncertainty.mean():.2%}  {'met' if worst <= 0.005 else 'missed'}"
        )
    typer.echo("euro coins: each in turn the only scale (bar: median 1.5 %, interval holds 90 %)")
    table = folder / "euro-coins" / "coins_groundtruth.csv"
    medians, held = [], []
    for path in sorted(table.parent.glob("*.[jJ][pP][gG]")):
        figures = coin_figures(path, table)
        if not figures.errors:
            typer.echo(f"  {path.name:14} no coins found")
            continue
        size = np.abs(figures.errors)
        medians.append(float(np.median(size)))
        held.append(figures.covered)
        typer.echo(f"  {path.name:14} {figures.coins:2d} coins  median {medians[-1]:.2%}  held {figures.covered:.0%}")
    met = max(medians, default=1.0) <= 0.015 and min(held, default=0.0) >= 0.9
    verdict = "met" if met else "missed"
    typer.echo(f"  worst: median {max(medians, default=1.0):.2%}, held {min(held, default=0.0):.0%}  {verdict}")


if __name__ == "__main__":
    typer.run(main)
