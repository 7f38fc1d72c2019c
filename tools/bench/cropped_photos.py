"""Rendered photos cropped as people do, for the other benchmarks: `python -m tools.bench.cropped_photos FROM TO`.

The window keeps the scale reference and every circle of which a quarter is in view, and lies anywhere else: each of its
sides is put between those and the photo's own, up to half of the way. Truth moves along: the principal point and all
places in pixels. What is left of the tags is up to `--tags`: none, as of a screen's picture or by a messenger, or the
focal length with the window's own size, as phones write it. Masks are not cropped.
"""

import json
from pathlib import Path
from typing import Annotated, Any

import numpy as np
import typer
from numpy.typing import NDArray
from PIL import Image, ImageOps

from tools.bench.rendered_folder import PAPER, RenderedPhoto, read_folder

Array = NDArray[np.float64]
SEEN, ROOM, OUTWARD = 0.25, 1.06, 0.5
"""Circles at least so much in view are kept, with so much room; windows reach outward up to such a share of the way."""
LEAST_PX = 200
QUALITY = 93
_EXIF, _WIDTH, _HEIGHT, _ORIENTATION = 0x8769, 0xA002, 0xA003, 0x0112


def main(
    source: Annotated[Path, typer.Argument(help="folder with photos and truth.jsonl")],
    target: Annotated[Path, typer.Argument(help="folder to write")],
    tags: Annotated[bool, typer.Option(help="keep the focal length, with the window's size")] = False,
    seed: Annotated[int, typer.Option(help="same seed, same windows")] = 0,
) -> None:
    """Write cropped photos with their truth."""
    target.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(seed)
    lines = []
    for photo in read_folder(source):
        window = window_of(photo, rng)
        if window is not None:
            _write(photo, window, target / photo.path.name, tags)
            lines.append(json.dumps(moved(photo.truth, window)))
    (target / "truth.jsonl").write_text("".join(f"{line}\n" for line in lines), encoding="utf-8")
    typer.echo(f"{len(lines)} photos")


def window_of(photo: RenderedPhoto, rng: np.random.Generator) -> NDArray[np.int64] | None:
    """(4,) left, top, right, bottom of a window round what is to be kept; None where little is left."""
    size = np.array([photo.truth["width"], photo.truth["height"]], float)
    outlines = [_paper(np.array(one["outline_px"], float)) for one in photo.truth["scale_references"]]
    seen = [circle for circle in photo.circles if circle.visible_fraction >= SEEN]
    outlines += [np.array([photo.project(place) for place in circle.rim_mm(ROOM)]) for circle in seen]
    if not outlines:
        return None
    kept = np.clip(np.concatenate(outlines), 0.0, size)
    first, last = kept.min(axis=0), kept.max(axis=0)
    outward = OUTWARD * rng.random(4)
    left_top, right_bottom = first * (1.0 - outward[:2]), last + (size - last) * outward[2:]
    window = np.concatenate([left_top, right_bottom]).astype(np.int64)
    return window if min(window[2:] - window[:2]) >= LEAST_PX else None


def moved(truth: dict[str, Any], window: NDArray[np.int64]) -> dict[str, Any]:
    """The truth of a photo in the pixels of a window of it."""
    left_top = window[:2].astype(float)

    def shifted(told: Any, name: str = "") -> Any:
        if isinstance(told, dict):
            return {key: shifted(value, key) for key, value in told.items()}
        if name.endswith("_px") and isinstance(told, list) and told and isinstance(told[0], list):
            return (np.array(told, float) - left_top).tolist()
        return [shifted(one) for one in told] if isinstance(told, list) else told

    cut: dict[str, Any] = shifted(truth)
    cut["width"], cut["height"] = (int(n) for n in window[2:] - window[:2])
    camera = cut["camera"]
    camera["cx"], camera["cy"] = camera["cx"] - left_top[0], camera["cy"] - left_top[1]
    cut["exif"] = {**cut["exif"], "orientation": 1}
    return cut


def _write(photo: RenderedPhoto, window: NDArray[np.int64], path: Path, tags: bool) -> None:
    with Image.open(photo.path) as stored:
        exif = stored.getexif()
        left, top, right, bottom = map(int, window)
        part = ImageOps.exif_transpose(stored).crop((left, top, right, bottom))
    if not tags:
        part.save(path, quality=QUALITY)
        return
    exif[_ORIENTATION] = 1
    exif.get_ifd(_EXIF).update({_WIDTH: part.width, _HEIGHT: part.height})
    part.save(path, quality=QUALITY, exif=exif.tobytes())


def _paper(outline_px: Array) -> Array:
    """A reference's outline with the paper round it."""
    middle = outline_px.mean(axis=0)
    return np.asarray(middle + PAPER * (outline_px - middle))


if __name__ == "__main__":
    typer.run(main)
