"""Pictures without a pump: cut from any photographs, and from rendered photos beside the pump.

`python -m tools.train.empty FOLDER... --out empty.npz` cuts squares from the photographs in folders. Use photographs of
anything but pumps, for example the desktop backgrounds that Debian packages carry, or panoramas; never the real
photographs that the benchmarks use.
"""

from pathlib import Path
from typing import Annotated

import cv2
import numpy as np
import typer
from numpy.typing import NDArray

from features.parts.part_vocabulary import PICTURE_PX
from tools.train.pack import Packed

SUFFIXES = (".jpg", ".jpeg", ".png", ".webp")
WORK_PX = 1600


def squares_of(path: Path, count: int, rng: np.random.Generator) -> list[NDArray[np.uint8]]:
    """Random squares of one photograph, resized to `PICTURE_PX`; empty when it cannot be read."""
    picture = cv2.imread(str(path), cv2.IMREAD_COLOR_RGB)
    if picture is None or min(picture.shape[:2]) < 300:
        return []
    scale = min(1.0, WORK_PX / max(picture.shape))
    picture = cv2.resize(picture, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    height, width = picture.shape[:2]
    squares = []
    for _ in range(count):
        side = int(rng.uniform(0.3, 1.0) * min(height, width))
        top, left = int(rng.integers(height - side + 1)), int(rng.integers(width - side + 1))
        square = picture[top : top + side, left : left + side]
        how = cv2.INTER_AREA if side > PICTURE_PX else cv2.INTER_LINEAR
        squares.append(np.asarray(cv2.resize(square, (PICTURE_PX, PICTURE_PX), interpolation=how), np.uint8))
    return squares


def beside_pumps(packed: Packed, most: int, rng: np.random.Generator) -> NDArray[np.uint8]:
    """(N, P, P, 3) squares of rendered photos that show surroundings only.

    A scale reference in them would be taught as background.
    """
    squares: list[NDArray[np.uint8]] = []
    for k in rng.permutation(len(packed.names)):
        width, height = packed.size[k]
        side = int(rng.uniform(0.3, 0.6) * min(width, height))
        for _ in range(8):
            top, left = int(rng.integers(height - side + 1)), int(rng.integers(width - side + 1))
            window = (slice(top, top + side), slice(left, left + side))
            if not packed.classes[k][window].any():
                square = cv2.resize(packed.photos[k][window], (PICTURE_PX, PICTURE_PX), interpolation=cv2.INTER_LINEAR)
                squares.append(np.asarray(square, np.uint8))
                break
        if len(squares) >= most:
            break
    return np.stack(squares) if squares else np.zeros((0, PICTURE_PX, PICTURE_PX, 3), np.uint8)


def main(
    folders: Annotated[list[Path], typer.Argument(help="folders with photographs of anything but pumps")],
    out: Annotated[Path, typer.Option(help=".npz file to write")],
    each: Annotated[int, typer.Option(help="squares a photograph", min=1)] = 8,
    seed: Annotated[int, typer.Option()] = 0,
) -> None:
    """Cut squares from photographs and keep them as JPEG, several hundred in a few megabytes."""
    rng = np.random.default_rng(seed)
    paths = sorted(p for folder in folders for p in folder.rglob("*") if p.suffix.lower() in SUFFIXES)
    squares = [square for path in paths for square in squares_of(path, each, rng)]
    coded = [cv2.imencode(".jpg", square[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 85])[1] for square in squares]
    lengths = np.array([len(one) for one in coded])
    np.savez(out, lengths=lengths, coded=np.concatenate(coded) if coded else np.zeros(0, np.uint8))
    typer.echo(f"{len(squares)} squares of {len(paths)} photographs in {out}")


def load_squares(path: Path) -> NDArray[np.uint8]:
    """(N, P, P, 3) the squares of a file that `main` wrote."""
    with np.load(path) as file:
        ends = np.cumsum(file["lengths"])
        parts = np.split(file["coded"], ends[:-1])
    return np.stack([np.asarray(cv2.imdecode(part, cv2.IMREAD_COLOR_RGB), np.uint8) for part in parts])


if __name__ == "__main__":
    typer.run(main)
