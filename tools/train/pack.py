"""Packs rendered photos for training: every photo on one square canvas, with its class map and targets.

`python -m tools.train.pack RENDERED... --out photos.npz`
"""

from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

import cv2
import numpy as np
import typer
from numpy.typing import NDArray
from PIL import Image, ImageOps

from tools.render.check_truth import read_truth
from tools.train.targets import class_map, targets_of

LEAST_CANVAS_PX = 640
"""Side of the canvas in whose top left corner photos lie; longer photos get a canvas as long as the longest."""
MOST_LEFT_OUT = 0.01


@dataclass(frozen=True, eq=False)
class Packed:
    """Photos and targets of N photos.

    Attributes:
        photos: (N, C, C, 3) uint8 RGB; classes: (N, C, C) uint8; C is the canvas's side.
        size: (N, 2) width and height that are photo.
        points, rounds, attributes, seen, chamber_bolts: see `targets.PhotoTargets`, stacked.
        names: (N,) file names.
    """

    photos: NDArray[np.uint8]
    classes: NDArray[np.uint8]
    size: NDArray[np.int64]
    points: NDArray[np.float32]
    rounds: NDArray[np.float32]
    attributes: NDArray[np.int64]
    seen: NDArray[np.bool_]
    chamber_bolts: NDArray[np.int64]
    names: NDArray[np.str_]

    def save(self, path: Path) -> None:
        """Write to an .npz file."""
        np.savez(path, **self.__dict__)

    @staticmethod
    def load(path: Path) -> "Packed":
        """Read from an .npz file."""
        with np.load(path) as file:
            return Packed(**{name: file[name] for name in file.files})


def pack(folders: list[Path], processes: int = 1) -> Packed:
    """Pack all photos of rendered folders; a photo that can not be packed is named on stderr and left out.

    Raises:
        ValueError: there are none, or more than `MOST_LEFT_OUT` of them were left out.
    """
    photos = [(folder, record) for folder in folders for record in read_truth(folder)]
    if not photos:
        raise ValueError("no photos to pack")
    canvas_px = max(LEAST_CANVAS_PX, *(max(record["width"], record["height"]) for _, record in photos))
    jobs = [(folder, record, canvas_px) for folder, record in photos]
    if processes > 1:
        with ProcessPoolExecutor(processes) as pool:
            tried = list(pool.map(_try_one, jobs, chunksize=32))
    else:
        tried = [_try_one(job) for job in jobs]
    rows = [row for row in tried if not isinstance(row, str)]
    left_out = [row for row in tried if isinstance(row, str)]
    for reason in left_out:
        typer.echo(f"left out: {reason}", err=True)
    if len(left_out) > MOST_LEFT_OUT * len(jobs):
        raise ValueError(f"{len(left_out)} of {len(jobs)} photos can not be packed")
    names = ("photos", "classes", "size", "points", "rounds", "attributes", "seen", "chamber_bolts", "names")
    return Packed(**{name: np.stack([row[k] for row in rows]) for k, name in enumerate(names)})


def _try_one(job: tuple[Path, dict[str, Any], int]) -> tuple[Any, ...] | str:
    """A packed photo, or why it can not be."""
    try:
        return _pack_one(job)
    except (OSError, ValueError, KeyError, np.linalg.LinAlgError) as error:
        return f"{job[1].get('photo', 'a record without a photo')}: {error!r}"


def _pack_one(job: tuple[Path, dict[str, Any], int]) -> tuple[Any, ...]:
    folder, record, canvas_px = job
    photo = np.asarray(ImageOps.exif_transpose(Image.open(folder / record["photo"])).convert("RGB"))
    classes = class_map(np.asarray(Image.open(folder / record["mask"])).astype(np.uint16))
    targets = targets_of(record, classes)
    height, width = classes.shape
    right, below = canvas_px - width, canvas_px - height
    return (
        cv2.copyMakeBorder(photo, 0, below, 0, right, cv2.BORDER_CONSTANT),
        cv2.copyMakeBorder(classes, 0, below, 0, right, cv2.BORDER_CONSTANT),
        np.array([width, height]), targets.points, targets.rounds, targets.attributes, targets.seen,
        np.array(targets.chamber_bolts), np.array(record["photo"]),
    )  # fmt: skip


def main(
    folders: Annotated[list[Path], typer.Argument(help="folders made by tools.render")],
    out: Annotated[Path, typer.Option(help=".npz file to write")],
    processes: Annotated[int, typer.Option(min=1)] = 1,
) -> None:
    """Pack rendered photos for training."""
    packed = pack(folders, processes)
    packed.save(out)
    typer.echo(f"{len(packed.names)} photos in {out}")


if __name__ == "__main__":
    typer.run(main)
