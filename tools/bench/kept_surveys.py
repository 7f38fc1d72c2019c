"""Surveys of rendered photos, one a photo, kept in a folder so that another way of matching need not measure again."""

import pickle
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from tempfile import TemporaryDirectory

import typer

from features.photo_survey import PhotoSurvey
from features.survey import survey_photos
from identify.typed.options import TypedOptions, understand
from tools.bench.rendered_folder import RenderedPhoto

Pump = tuple[RenderedPhoto, ...]
"""Photos of one pump."""


def survey_pumps(
    pumps: Sequence[Pump], keep: Path | None, processes: int
) -> Iterator[tuple[Pump, tuple[PhotoSurvey, ...]]]:
    """Survey all photos of all pumps, each with what a user would say of its reference.

    Args:
        pumps: the photos by pump.
        keep: folder of surveys made before; only photos that are not there are measured. None keeps nothing.
        processes: photos measured at once.

    A photo that can not be read, or on which the program fails, is named and counts as one that shows nothing.
    """
    if keep is not None:
        keep.mkdir(parents=True, exist_ok=True)
    wanted = [(photo, keep) for pump in pumps for photo in pump]
    if processes == 1:
        found = map(_survey, wanted)
        yield from _by_pump(pumps, found)
        return
    with ProcessPoolExecutor(processes, mp_context=get_context("spawn")) as pool:
        yield from _by_pump(pumps, pool.map(_survey, wanted))


def _by_pump(pumps: Sequence[Pump], found: Iterator[PhotoSurvey]) -> Iterator[tuple[Pump, tuple[PhotoSurvey, ...]]]:
    with typer.progressbar(pumps, label="pumps measured") as bar:
        for pump in bar:
            yield pump, tuple(next(found) for _ in pump)


def _survey(wanted: tuple[RenderedPhoto, Path | None]) -> PhotoSurvey:
    photo, keep = wanted
    file = None if keep is None else keep / f"{photo.path.parent.name}_{photo.path.stem}.pickle"
    if file is not None and file.exists():
        survey: PhotoSurvey = pickle.loads(file.read_bytes())  # only what this module wrote for itself
        return survey
    try:
        survey = _measure(photo)
    except Exception as error:  # a photo that the program can not survey is one it has nothing to say of
        typer.echo(f"{photo.path}: {type(error).__name__}: {error}")
        return _nothing_seen(photo)
    if file is not None:
        file.write_bytes(pickle.dumps(survey))
    return survey


def _measure(photo: RenderedPhoto) -> PhotoSurvey:
    said = TypedOptions(card_at=photo.card_at, coin=photo.coin, sheet=photo.sheet)
    # Views of a pump carry one name in several folders, but they are photos of their own, with errors of their own.
    with TemporaryDirectory() as folder:
        path = Path(folder) / f"{photo.path.parent.name}_{photo.path.name}"
        path.symlink_to(photo.path.resolve())
        survey = survey_photos([path], understand(said).request)
    if survey.refused:
        raise ValueError(f"{photo.path}: {survey.refused[0].problem}")
    return survey.photos[0]


def _nothing_seen(photo: RenderedPhoto) -> PhotoSurvey:
    truth = photo.truth
    return PhotoSurvey(
        photo.path.name, photo.path, truth["width"], truth["height"], {}, None, 0.0, 0.0, (), {}, (), ()
    )  # fmt: skip
