"""From file to measurements, as a multiple of decoding the same JPEG: `python -m tools.bench.survey_speed`.

Bar: a photo of 12 megapixels in at most 1.2 s on 2 cores, and in at most 8 times the time of decoding it. Demo photos
of 3 megapixels are enlarged to 12 for it: that makes no detail but all the work. Times are the least of several runs;
processor time, which other work on the machine hardly changes, leaves out the decoding process. On 2 cores at rest no
survey takes less than its main thread's processor time, nor less than half of all threads'. Decoding is timed where
freed memory is kept (`features.kept_memory`): that halves its time, 49 ms to 26, and so doubles the multiple.

Enlarged photos are smooth and easy. With `--rendered FOLDER` photos of 10 megapixels and more that `tools.render` made
there are measured too, with grain that slows both the decoding and the measuring; no bar counts them.
"""

import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Annotated

import cv2
import numpy as np
import typer

from features.photo import Photo, load_photo, prepare_to_load
from features.photo_survey import SurveyRequest
from features.survey import survey_photos
from identify.typed.options import TypedOptions, understand
from tools.bench.photo_readings import folder_scenes, request_of

FOLDER = Path(__file__).parents[2] / "demo_photos"
CASES = (
    ("06_pocket_card_on_rim.jpg", TypedOptions(card_at="rim")),
    ("05_bank_card_on_rim.jpg", TypedOptions(card_at="rim")),
    ("11_quarter_on_cover.jpg", TypedOptions(card_at="cover", coin="us-25c")),
)
MOST_SECONDS, MOST_TIMES = 1.2, 8.0
LARGE_PX = 10e6


def seconds(work: Callable[[], object], runs: int) -> tuple[float, float, float]:
    """Least wall-clock time, least processor time, and least of the main thread's, of several runs."""
    taken = []
    for _ in range(runs):
        begun = time.perf_counter(), time.process_time(), time.thread_time()
        work()
        taken.append(np.subtract((time.perf_counter(), time.process_time(), time.thread_time()), begun))
    wall, processor, main_thread = np.min(taken, axis=0).tolist()
    return wall, processor, main_thread


def enlarged(path: Path, folder: Path) -> Path:
    """The photo at twice its size, with its EXIF left out."""
    picture = cv2.imread(str(path))
    if picture is None:
        raise ValueError(f"{path} cannot be read")
    larger = folder / path.name
    cv2.imwrite(str(larger), cv2.resize(picture, None, fx=2, fy=2, interpolation=cv2.INTER_CUBIC), [1, 92])
    return larger


def say(path: Path, request: SurveyRequest, runs: int) -> None:
    """Print one photo's figures."""
    data = np.frombuffer(path.read_bytes(), np.uint8)
    decode, decode_processor, _ = seconds(lambda: cv2.imdecode(data, cv2.IMREAD_COLOR), 2 * runs + 1)
    wall, processor, main_thread = seconds(lambda: survey_photos([path], request), runs)
    photo = load_photo(path)
    if not isinstance(photo, Photo):
        raise ValueError(str(photo))
    megapixels = photo.width_px * photo.height_px / 1e6
    met = wall <= MOST_SECONDS and wall <= MOST_TIMES * decode
    verdict = ("met" if met else "missed") if megapixels > 10 else ""
    typer.echo(
        f"{path.name:30} {megapixels:4.1f} MP  decode {1e3 * decode:4.0f} ms  file to measurements {wall:5.2f} s"
        f" ({wall / decode:4.0f} x), processor {processor:5.2f} s ({processor / decode_processor:4.0f} x),"
        f" {main_thread:5.2f} s of it in the main thread  {verdict}"
    )


def say_of_rendered(folder: Path, runs: int) -> None:
    """Print how long large photos of a rendered folder take."""
    walls, times = [], []
    for photo in (photo for scene in folder_scenes([folder]) for photo in scene):
        data = np.frombuffer(photo.path.read_bytes(), np.uint8)
        picture = cv2.imdecode(data, cv2.IMREAD_COLOR)
        if picture is None or picture.shape[0] * picture.shape[1] < LARGE_PX:
            continue
        decode, _, _ = seconds(partial(cv2.imdecode, data, cv2.IMREAD_COLOR), 2 * runs + 1)
        wall, _, _ = seconds(partial(survey_photos, [photo.path], request_of(photo, photo.card_at)), runs)
        walls.append(wall)
        times.append(wall / decode)
    if not walls:
        raise typer.BadParameter(f"{folder} has no photo of {LARGE_PX / 1e6:.0f} megapixels")
    within = np.mean(np.array(walls) <= MOST_SECONDS)
    typer.echo(
        f"{len(walls)} rendered photos of {LARGE_PX / 1e6:.0f} MP and more: file to measurements median"
        f" {np.median(walls):.2f} s, longest {max(walls):.2f} s, within {MOST_SECONDS} s {100 * within:.0f}%,"
        f" {np.median(times):.0f} x decoding"
    )


def main(
    runs: Annotated[int, typer.Option(help="runs of each, the fastest counts")] = 3,
    rendered: Annotated[Path | None, typer.Option(help="folder of large photos by tools.render")] = None,
) -> None:
    """Print the time of every case beside its JPEG's decoding."""
    prepare_to_load()
    with tempfile.TemporaryDirectory() as folder:
        for name, typed in CASES:
            request = understand(typed).request
            say(FOLDER / name, request, runs)
            say(enlarged(FOLDER / name, Path(folder)), request, runs)
    if rendered is not None:
        say_of_rendered(rendered, runs)


if __name__ == "__main__":
    typer.run(main)
