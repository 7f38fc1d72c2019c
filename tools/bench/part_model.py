"""The part model against its bars: `python -m tools.bench.part_model test.npz`.

`test.npz` holds at least 500 photos of the renderer's test split (`tools.render --split test --size 576`, packed by
`tools.train.pack`).
False alarms are counted on real photographs without any pump: the folder of real photos, and the pictures that
scikit-image carries. Bars are those the project set itself for the model.
"""

import resource
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Annotated, Any

import cv2
import numpy as np
import skimage.data
import typer
from numpy.typing import NDArray
from rich.console import Console
from rich.table import Table

from features.parts.closer_look import look_at_pump
from features.parts.part_model import PartModel, load_part_model
from features.photo import PhotoRefused, load_photo
from tools.bench.part_figures import Figures, Worse, figures_of, judge_photos
from tools.bench.real_photos import photo_folder
from tools.train.pack import Packed

Pixels = NDArray[np.uint8]
OVERLAP_BAR, BOLTS_BAR, CALIBRATION_BAR, ALARM_BAR = 0.85, 0.95, 0.03, 0.02
RIGHT_BARS = {
    "connection": 0.98,
    "housing_joint": 0.98,
    "wetted_material": 0.97,
    "port_position": 0.97,
    "view": 0.97,
}
LOSS_BAR = 0.04
"""Most that a figure may lose when photos get worse."""
HIDDEN_SHARE = 0.3
MILLISECONDS_BAR, MEGABYTES_BAR = 150.0, 600.0
SKIMAGE_PICTURES = (
    "astronaut", "camera", "chelsea", "coffee", "coins", "rocket", "brick", "grass", "gravel", "page", "text", "moon",
    "hubble_deep_field", "immunohistochemistry", "retina", "cat", "motorcycle_left",
)  # fmt: skip
"""Pictures of scikit-image; those its installation does not carry are left out."""


def worse_photos() -> dict[str, Worse]:
    """Ways a photo gets worse."""
    return {
        "JPEG 40": _whole(_jpeg),
        "blur": _whole(lambda pixels, k: cv2.GaussianBlur(pixels, (0, 0), 0.0025 * max(pixels.shape))),
        "noise": _whole(lambda pixels, k: pixels + np.random.default_rng(k).normal(0, 12, pixels.shape)),
        "low light": _whole(lambda pixels, k: 0.3 * pixels + np.random.default_rng(k).normal(0, 4, pixels.shape)),
        "color cast": _whole(lambda pixels, k: pixels * np.array([[1.3, 1.0, 0.65], [0.75, 1.0, 1.35]])[k % 2]),
        "30 % hidden": _partly_hidden,
    }


def _whole(change: Callable[[Pixels, int], NDArray[Any]]) -> Worse:
    """A change that hides nothing."""
    return lambda pixels, k: (np.asarray(np.clip(change(pixels, k), 0, 255), np.uint8), None)


def _jpeg(pixels: Pixels, k: int) -> NDArray[Any]:
    coded = cv2.imencode(".jpg", pixels[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 40])[1]
    return np.asarray(cv2.imdecode(coded, cv2.IMREAD_COLOR_RGB))


def _partly_hidden(pixels: Pixels, k: int) -> tuple[Pixels, NDArray[np.bool_]]:
    """30 % of the picture under ellipses of one color each."""
    rng = np.random.default_rng(k)
    out = pixels.copy()
    height, width = pixels.shape[:2]
    covered = np.zeros((height, width), np.uint8)
    while covered.mean() < HIDDEN_SHARE:
        center = (int(rng.integers(width)), int(rng.integers(height)))
        axes = (int(rng.uniform(0.05, 0.16) * width), int(rng.uniform(0.05, 0.16) * height))
        color = [int(c) for c in rng.integers(20, 235, 3)]
        angle = float(rng.uniform(0, 180))
        cv2.ellipse(out, center, axes, angle, 0, 360, color, -1, cv2.LINE_AA)
        cv2.ellipse(covered, center, axes, angle, 0, 360, 1, -1)
    return out, covered > 0


def pictures_without_pump() -> Iterator[tuple[str, Pixels]]:
    """Real photographs and scikit-image's pictures."""
    folder = photo_folder()
    for path in sorted(folder.rglob("*")) if folder else []:
        if path.suffix.lower() in (".jpg", ".jpeg", ".png"):
            photo = load_photo(path)
            if not isinstance(photo, PhotoRefused):
                yield path.name, photo.pixels_rgb
    for name in SKIMAGE_PICTURES:
        try:
            picture = getattr(skimage.data, name)()
        except (AttributeError, OSError, ModuleNotFoundError, ValueError):
            continue
        if picture.ndim == 2:
            picture = np.repeat(picture[..., None], 3, axis=2)
        yield name, np.ascontiguousarray(picture[..., :3], np.uint8)


def add_figures(table: Table, figures: Figures) -> None:
    """Rows of the plain figures with their bars."""
    table.add_row("mean overlap of large parts", f"{figures.mean_overlap:.3f}", f">= {OVERLAP_BAR}")
    for name, value in figures.overlap.items():
        table.add_row(f"  {name}", f"{value:.3f}", "")
    for name, value in figures.right.items():
        bar = f">= {RIGHT_BARS[name]}" if name in RIGHT_BARS else ""
        table.add_row(f"{name} right", f"{value:.3f}", bar)
        error = f"{figures.calibration_error[name]:.3f} ({figures.calibration_if_true[name]:.3f} if all true)"
        table.add_row("  calibration error", error, f"<= {CALIBRATION_BAR}")
    table.add_row(f"bolts right ({figures.bolt_joints} joints in full view)", f"{figures.bolts_right:.3f}",
                  f">= {BOLTS_BAR}")  # fmt: skip
    for name, value in figures.found.items():
        table.add_row(f"{name} found", f"{value:.3f}", "")
        table.add_row("  outline off by, of its size", f"{figures.outline_median[name]:.4f}", "")


def main(
    packed: Annotated[Path, typer.Argument(help="packed photos of the test split")],
    worse: Annotated[int, typer.Option(help="photos that are made worse, 0 for none")] = 150,
) -> None:
    """Print the model's figures beside their bars."""
    model = load_part_model()
    if not isinstance(model, PartModel):
        raise typer.BadParameter(model.reason)
    photos = Packed.load(packed)
    console = Console()
    table = Table("figure", "measured", "bar", title=f"the part model on {len(photos.names)} photos")
    add_figures(table, figures_of(judge_photos(model, photos, range(len(photos.names)))))
    alarms = [(name, look_at_pump(model, pixels).attributes["pump"]["yes"]) for name, pixels in pictures_without_pump()]
    wrong = [f"{name} {share:.2f}" for name, share in alarms if share > 0.5]
    share = len(wrong) / max(len(alarms), 1)
    table.add_row(f"'a pump' on {len(alarms)} pictures without", f"{share:.3f} {' '.join(wrong)}", f"<= {ALARM_BAR}")
    milliseconds, megabytes = cost_of(model, photos)
    table.add_row("milliseconds a photo (this machine, now)", f"{milliseconds:.0f}", f"<= {MILLISECONDS_BAR:.0f}")
    table.add_row("memory of this process, MB", f"{megabytes:.0f}", f"<= {MEGABYTES_BAR:.0f}, packed photos included")
    console.print(table)
    if worse:
        console.print(worse_table(model, photos, range(min(worse, len(photos.names)))))


def cost_of(model: PartModel, photos: Packed) -> tuple[float, float]:
    """Median milliseconds of a photo, and the process's peak memory in MB."""
    times = []
    for k in range(15):
        width, height = photos.size[k % len(photos.names)]
        pixels = np.ascontiguousarray(photos.photos[k % len(photos.names), :height, :width])
        begin = time.perf_counter()
        look_at_pump(model, pixels)
        times.append(time.perf_counter() - begin)
    return 1000 * float(np.median(times)), resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def worse_table(model: PartModel, photos: Packed, which: range) -> Table:
    """What each figure loses when photos get worse."""
    plain = figures_of(judge_photos(model, photos, which))
    names = [name for name in plain.right if name != "pump"]
    table = Table("photos made worse", "overlap", *names, "bolts",
                  title=f"points lost, {len(which)} photos (bar: {100 * LOSS_BAR:.0f})")  # fmt: skip
    for label, change in worse_photos().items():
        figures = figures_of(judge_photos(model, photos, which, change))
        lost = [plain.right[name] - figures.right.get(name, 0.0) for name in names]
        lost = [plain.mean_overlap - figures.mean_overlap, *lost, plain.bolts_right - figures.bolts_right]
        table.add_row(label, *[f"{100 * value:.1f}" for value in lost])
    return table


if __name__ == "__main__":
    typer.run(main)
