"""Lengths and ports of rendered photos beside their truth: `python -m tools.bench.rendered_photos FOLDER...`.

A folder holds photos with their truth.jsonl, as `tools.render` writes them. Bars: with the reference in the circle's
plane, chamber, flange and bolt circle within 0.5 % median and 1.5 % at the 95th percentile, bore 1 % median; with the
reference off the plane and its place not told, the 95 % interval of one photo holds in 93 to 97 % and is no wider than
twice what the errors need; by two photos 10 to 40 degrees apart with the card left in place 0.3 % median and the same
hold; flange standard and size right in 97 % where holes are visible, and not from the side, thread size in 90 % where
the mouth is; without a reference the flange's nominal size right in 90 %. What was asked and not measured is counted
beside every figure.
"""

import csv
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict
from itertools import pairwise
from multiprocessing import get_context
from pathlib import Path
from typing import Annotated

import numpy as np
import typer
from numpy.typing import NDArray

from tools.bench.photo_readings import (
    IN_PLANE_MM,
    SEEN,
    PortReading,
    Reading,
    SceneReadings,
    folder_scenes,
    read_scene,
)
from tools.bench.rendered_folder import RenderedPhoto

HOLD = (0.93, 0.97)
WIDEST = 2.0
IN_PLANE_BARS = {
    "chamber_diameter": (0.005, 0.015),
    "flange_diameter": (0.005, 0.015),
    "bolt_circle_diameter": (0.005, 0.015),
    "port_bore": (0.01, None),
}
TWO_PHOTOS_MEDIAN = 0.003
SURENESS = (0.0, 0.3, 0.5, 0.7, 0.85, 0.95, 1.0)


def main(
    folders: Annotated[list[Path], typer.Argument(help="folders with photos and truth.jsonl")],
    processes: Annotated[int, typer.Option(help="photos measured at once", min=1)] = 1,
    worst: Annotated[int, typer.Option(help="how many of the worst readings to name under each figure")] = 0,
    rows: Annotated[Path | None, typer.Option(help="CSV file for every single reading")] = None,
) -> None:
    """Print every figure beside its bar."""
    told = list(_read(folder_scenes(folders), processes))
    circles = [reading for scene in told for reading in scene.circles]
    ports = [reading for scene in told for reading in scene.ports]
    unreadable = [name for scene in told for name in scene.unreadable]
    photos = {reading.photo for reading in ports}
    typer.echo(f"{len(photos)} photos, {len(told)} scenes; not read: {', '.join(unreadable) or 'none'}")
    typer.echo("asked: circles with at least " + ", ".join(f"{part:.0%} of a {_words(n)}" for n, part in SEEN.items()))
    say_in_plane(circles, worst)
    say_off_plane(circles, worst)
    say_two_photos(circles, worst)
    say_ports(ports)
    if rows is not None:
        _write(rows, circles)


def _read(scenes: Sequence[tuple[RenderedPhoto, ...]], processes: int) -> Iterable[SceneReadings]:
    if processes == 1:
        yield from map(read_scene, scenes)
        return
    with ProcessPoolExecutor(processes, mp_context=get_context("spawn")) as pool:
        yield from pool.map(read_scene, scenes)


def say_in_plane(circles: Sequence[Reading], worst: int) -> None:
    """Print the figures of references in the circle's plane, their place told."""
    typer.echo(f"reference in the circle's plane (up to {IN_PLANE_MM:.0f} mm before or behind it), place told:")
    for name, (median, tail) in IN_PLANE_BARS.items():
        asked = [r for r in circles if r.way == "told" and r.in_plane and r.name == name]
        _say(_words(name), asked, median, tail, False, worst)


def say_off_plane(circles: Sequence[Reading], worst: int) -> None:
    """Print the figures of references whose place is not told."""
    typer.echo("place of the reference not told, one photo:")
    for words, in_plane in (("off the circle's plane", False), ("in it, though not told", True)):
        asked = [r for r in circles if r.way == "unknown" and r.in_plane == in_plane]
        _say(f"all circles, {words}", asked, None, None, True, worst)
        for name in SEEN:
            _say(f"  {_words(name)}", [r for r in asked if r.name == name], None, None, True, 0)
    hidden = [r for r in circles if r.way == "hidden"]
    _say("reference hidden or its back seen", hidden, None, None, True, 0)


def say_two_photos(circles: Sequence[Reading], worst: int) -> None:
    """Print the figures of two photos with the card left in place."""
    typer.echo("two photos, card left in place, 10 to 40 degrees apart:")
    for name in SEEN:
        asked = [r for r in circles if r.way == "two photos" and r.name == name]
        _say(_words(name), asked, TWO_PHOTOS_MEDIAN, None, True, worst)


def _say(
    words: str, asked: Sequence[Reading], median: float | None, tail: float | None, hold: bool, worst: int
) -> None:
    """Print one line: how many were asked and measured, errors, hold and width, and the verdict on what has a bar."""
    if not asked:
        typer.echo(f"  {words:38} none asked")
        return
    measured = [r for r in asked if r.value_mm is not None]
    line = f"  {words:38} asked {len(asked):3d}  not measured {len(asked) - len(measured):3d}"
    if not measured:
        typer.echo(line)
        return
    error = np.array([r.error for r in measured])
    size = np.abs(error)
    held = float(np.mean([r.held for r in measured]))
    width = _width_over_needed(error, np.array([r.log_high - r.log_low for r in measured]))
    middle, far = float(np.median(size)), float(np.quantile(size, 0.95))
    met = (median is None or middle <= median) and (tail is None or far <= tail)
    if hold:
        met = met and HOLD[0] <= held <= HOLD[1] and width <= WIDEST
    typer.echo(
        f"{line}  median {middle:.2%}  95th {far:.2%}  bias {np.median(error):+.2%}  held {held:.1%}"
        f"  width {width:.1f} x needed  {'met' if met else 'missed'}"
    )
    for r in sorted(measured, key=lambda r: -abs(r.error))[:worst]:
        typer.echo(
            f"      {'+'.join(r.photos)} {r.error:+.2%} {'in' if r.held else 'OUT'} sd {r.relative_sd:.2%} "
            f"visible {r.visible:.2f} offset {r.offset_mm:.1f} ({r.budget})"
        )


def _width_over_needed(error: NDArray[np.float64], widths: NDArray[np.float64]) -> float:
    """Mean half width of the intervals over 1.96 standard deviations of the errors."""
    return float(0.5 * np.mean(widths) / (1.96 * np.sqrt(np.mean(error**2))))


def say_ports(ports: Sequence[PortReading]) -> None:
    """Print how often the port is named right."""
    flanged = [p for p in ports if p.asked and p.connection == "flanged"]
    threaded = [p for p in ports if p.asked and p.connection == "threaded" and p.way == "told"]
    told, bare = ([p for p in flanged if p.way == way] for way in ("told", "none"))
    _say_share("flange, holes visible: standard and size", told, [p.told == p.true_port for p in told], 0.97)
    _say_share("thread, mouth visible: nominal size", threaded, [_size_right(p) for p in threaded], 0.90)
    for words, some in (
        ("  its reference read", [p for p in threaded if p.has_scale]),
        ("  no reference read", [p for p in threaded if not p.has_scale]),
        ("  a reference in view", [p for p in threaded if p.in_view]),
    ):
        _say_share(words, some, [_size_right(p) for p in some], None)
    _say_share("thread, mouth visible: standard too", threaded, [p.told == p.true_port for p in threaded], None)
    _say_share("flange without any reference: size", bare, [_size_right(p) for p in bare], 0.90)
    typer.echo("  how often the likeliest is right, by the probability it is given:")
    told_right = [(p.probability, p.told == p.true_port) for p in told]
    _say_sureness("flange, holes visible: standard and size", told_right)
    _say_sureness("thread: nominal size", [(p.size_probability, _size_right(p)) for p in threaded])
    _say_sureness("flange without any reference: size", [(p.size_probability, _size_right(p)) for p in bare])


def _say_sureness(words: str, told: Sequence[tuple[float, bool]]) -> None:
    """Print per bin of probabilities how many there are, their mean, and how often they came true."""
    bins = []
    for low, high in pairwise(SURENESS):
        inside = [(said, right) for said, right in told if low < said <= high]
        if inside:
            said, right = np.mean(inside, axis=0)
            bins.append(f"{len(inside)} said {said:.2f} right {right:.2f}")
    typer.echo(f"    {words:40} " + "; ".join(bins))


def _size_right(port: PortReading) -> bool:
    return port.told_size == port.true_port[1]


def _say_share(words: str, asked: Sequence[PortReading], right: Sequence[bool], bar: float | None) -> None:
    if not asked:
        typer.echo(f"  {words:42} none asked")
        return
    share = float(np.mean(right))
    unnamed = sum(port.told is None for port in asked)
    verdict = "" if bar is None else f"(bar {bar:.0%}) {'met' if share >= bar else 'missed'}"
    typer.echo(f"  {words:42} asked {len(asked):3d}  not named {unnamed:3d}  right {share:.1%}  {verdict}")
    if bar is not None:
        for port, good in zip(asked, right, strict=True):
            if not good:
                told = f"told {port.told} ({port.probability:.2f}), size {port.told_size}"
                typer.echo(f"      {port.photo} is {port.true_port}, {told}")


def _words(name: str) -> str:
    return name.replace("_diameter", "").replace("_", " ")


def _write(path: Path, circles: Sequence[Reading]) -> None:
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, [*asdict(circles[0]), "error", "held"])
        writer.writeheader()
        for r in circles:
            writer.writerow({**asdict(r), "error": round(r.error, 5), "held": r.held})


if __name__ == "__main__":
    typer.run(main)
