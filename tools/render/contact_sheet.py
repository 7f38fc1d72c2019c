"""A contact sheet of rendered photos, with the truth drawn over them if wanted.

`python -m tools.render.contact_sheet DIR sheet.jpg [--truth]`
"""

from pathlib import Path
from typing import Annotated, Any

import cv2
import numpy as np
import typer
from numpy.typing import NDArray
from PIL import Image, ImageOps

from tools.render.check_truth import circle_px, read_truth

COLORS: dict[str, tuple[int, int, int]] = {
    "chamber_diameter": (60, 220, 60),
    "flange_diameter": (255, 170, 0),
    "bolt_circle_diameter": (255, 255, 0),
    "port_bore": (0, 200, 255),
    "thread_major_diameter": (200, 120, 255),
    "bolt_hole_diameter": (180, 180, 180),
}


def thumbnail(folder: Path, record: dict[str, Any], side_px: int, truth: bool) -> NDArray[np.uint8]:
    """(side, side, 3) picture of one photo, centered on dark gray."""
    photo = ImageOps.exif_transpose(Image.open(folder / record["photo"])).convert("RGB")
    pixels = np.array(photo)
    if truth:
        draw_truth(pixels, record)
    photo = Image.fromarray(pixels)
    photo.thumbnail((side_px, side_px), Image.Resampling.LANCZOS)
    square = np.full((side_px, side_px, 3), 32, np.uint8)
    top, left = (side_px - photo.height) // 2, (side_px - photo.width) // 2
    square[top : top + photo.height, left : left + photo.width] = np.asarray(photo)
    return square


def draw_truth(pixels: NDArray[np.uint8], record: dict[str, Any]) -> None:
    """Draw truth circles and reference outlines into the pixels."""
    width = max(1, round(max(pixels.shape) / 500))
    for feature in record["features"]:
        if feature["faces_camera"] and feature["visible_fraction"] > 0.1:
            points = np.round(circle_px(record["camera"], feature) * 8).astype(np.int32)
            color = COLORS.get(feature["name"], (255, 255, 255))
            cv2.polylines(pixels, [points.reshape(-1, 1, 2)], True, color, width, cv2.LINE_AA, 3)
    for reference in record["scale_references"]:
        outline = np.array(reference["outline_px"], np.float64)
        if np.isfinite(outline).all() and reference["visible_fraction"] > 0:
            points = np.round(outline * 8).astype(np.int32).reshape(-1, 1, 2)
            cv2.polylines(pixels, [points], True, (255, 40, 40), width, cv2.LINE_AA, 3)


def main(
    folder: Annotated[Path, typer.Argument(help="folder with photos and truth.jsonl")],
    out: Annotated[Path, typer.Argument(help="picture to write")],
    columns: Annotated[int, typer.Option(help="photos per row")] = 8,
    side: Annotated[int, typer.Option(help="pixels per photo")] = 240,
    first: Annotated[int, typer.Option(help="skip so many photos")] = 0,
    count: Annotated[int, typer.Option(help="how many photos at most")] = 200,
    truth: Annotated[bool, typer.Option(help="draw truth circles and reference outlines")] = False,
    quality: Annotated[int, typer.Option(help="JPEG quality")] = 82,
) -> None:
    """Write a contact sheet."""
    records = list(read_truth(folder))[first : first + count]
    if not records:
        raise typer.BadParameter(f"{folder} holds no photos from number {first} on")
    tiles = [thumbnail(folder, record, side, truth) for record in records]
    tiles += [np.full_like(tiles[0], 32)] * (-len(tiles) % columns)
    rows = [np.hstack(tiles[k : k + columns]) for k in range(0, len(tiles), columns)]
    Image.fromarray(np.vstack(rows)).save(out, quality=quality)


if __name__ == "__main__":
    typer.run(main)
