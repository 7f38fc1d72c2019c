"""Measures the photos of a case, each once for the same pixels and the same corrections, in a warm process."""

import os
import threading
from collections import OrderedDict
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

from PIL import Image

from features.photo import PhotoRefused, prepare_to_load
from features.photo_survey import PhotoSurvey, SurveyRequest
from features.problems import Problem
from features.scale.reference import ScaleRequest
from features.survey import Survey, combine_surveys, survey_photos
from identify.typed.options import TypedOptions, understand
from identify.web.case_record import CaseRecord, KeptPhoto
from identify.web.case_store import CaseStore
from identify.web.first_look import Glance, glance
from identify.web.kept_photo import FirstLook, keep_photo
from identify.web.worker_process import WorkerProcess

REMEMBERED = 400
TELL_SECONDS = 0.4
"""How often somebody who waits is told how far the work is."""


@dataclass(frozen=True)
class Step:
    """How far the measuring of a case is: photo `number` of `count` is being measured."""

    number: int
    count: int
    name: str


def warm_up(scratch: Path) -> None:
    """Load what the first photo would otherwise wait for, by measuring an empty picture."""
    prepare_to_load()
    path = scratch / f"empty-{os.getpid()}.png"
    Image.new("RGB", (480, 360), (128, 128, 128)).save(path)
    survey_photos([path], SurveyRequest())
    path.unlink()


def measure_photo(path: Path, name: str, request: SurveyRequest) -> PhotoSurvey | PhotoRefused:
    """Measure one kept photo under the name people know it by. Runs in the worker process."""
    survey = survey_photos([path], request)
    if survey.refused:
        return replace(survey.refused[0], name=name)
    return renamed(survey.photos[0], name)


def renamed(survey: PhotoSurvey, name: str) -> PhotoSurvey:
    """The survey under another name of its photo; the names of its errors stay, they are unique in a case."""
    circles = tuple(replace(circle, length=replace(circle.length, photos=(name,))) for circle in survey.circles)
    spans = tuple(replace(span, length=replace(span.length, photos=(name,))) for span in survey.spans)
    attributes = tuple(replace(evidence, photos=(name,)) for evidence in survey.attributes)
    return replace(survey, name=name, circles=circles, spans=spans, attributes=attributes)


def request_of(record: CaseRecord, photo: KeptPhoto) -> SurveyRequest:
    """What people said about the scale and the parts of one photo.

    What they said of the pump itself is weighed by the matching alone, so that a typed caliper value is answered at
    once and no photo is measured again for it.
    """
    typed = TypedOptions(
        card_at=photo.card_at,
        coin=record.coin,
        scale_points=photo.scale_points,
        sheet=record.sheet,
        look_at=photo.look_at,
    )
    return understand(typed).request


class Measurer:
    """Two warm processes: one looks at new photos at once, the other measures.

    Args:
        store: the cases.
        scratch: folder for files of a moment.
    """

    def __init__(self, store: CaseStore, scratch: Path) -> None:
        self._store = store
        warm = partial(warm_up, scratch)
        self._first_looks = WorkerProcess("untagged first look", warm)
        self._surveys = WorkerProcess("untagged measuring", warm)
        self._threads = ThreadPoolExecutor(8, thread_name_prefix="untagged")
        self._lock = threading.Lock()
        self._known: OrderedDict[str, PhotoSurvey] = OrderedDict()
        self._stops: dict[str, threading.Event] = {}
        self._taken_in: dict[str, threading.Event] = {}

    def start(self) -> None:
        """Warm both processes without waiting."""
        self._first_looks.start()
        self._surveys.start()

    def close(self) -> None:
        """End both processes."""
        self.stop_all()
        self._first_looks.close()
        self._surveys.close()
        self._threads.shutdown(wait=False, cancel_futures=True)

    def glance(self, upload: Path, scale: ScaleRequest) -> Glance | Problem:
        """The first word on a new photo; see `first_look.glance`."""
        seen: Glance | Problem = self._first_looks.run(glance, upload, scale)
        return seen

    def first_look(self, upload: Path, target: Path, scale: ScaleRequest) -> FirstLook | Problem:
        """Look at a new photo and keep it; see `keep_photo`."""
        seen: FirstLook | Problem = self._first_looks.run(keep_photo, upload, target, scale)
        return seen

    def is_measured(self, record: CaseRecord) -> bool:
        """Whether every photo of the case has been measured as it is asked for now."""
        with self._lock:
            return all(self._key(record, photo) in self._known for photo in record.photos)

    def measure(self, record: CaseRecord) -> Iterator[Step | Survey]:
        """Measure a case: steps again and again while there is something to wait for, the survey at last.

        Raises:
            Stopped: somebody cancelled it.
            JobFailed: the program met an error of its own.
        """
        surveys: list[PhotoSurvey] = []
        stop = self._event(self._stops, record.number)
        for number, photo in enumerate(record.photos, start=1):
            job = self._threads.submit(self._measured, record, photo, stop)
            for _ in _while_working(job):
                yield Step(number, len(record.photos), photo.name)
            measured = job.result()
            if isinstance(measured, PhotoSurvey):
                surveys.append(measured)
        yield combine_surveys(surveys)

    def measured(self, record: CaseRecord) -> Survey:
        """The survey of a case, waited for."""
        return next(said for said in self.measure(record) if isinstance(said, Survey))

    def survey(self, paths: list[Path], request: SurveyRequest) -> Survey:
        """Survey photos that belong to no case."""
        survey: Survey = self._surveys.run(survey_photos, paths, request)
        return survey

    def stop(self, number: str) -> None:
        """Give up what is being measured for a case, say since it will be measured anew."""
        self._set(self._stops, number)

    def taking_in(self, number: str) -> threading.Event:
        """What is set if somebody gives up the case while its photos are still taken in: they shall not be measured."""
        return self._event(self._taken_in, number)

    def give_up(self, number: str) -> None:
        """Give up all work on a case, that which has not begun, too."""
        self._set(self._taken_in, number)
        self.stop(number)

    def stop_all(self) -> None:
        """Give up everything."""
        for number in list(self._stops):
            self.stop(number)

    def _event(self, events: dict[str, threading.Event], number: str) -> threading.Event:
        with self._lock:
            return events.setdefault(number, threading.Event())

    def _set(self, events: dict[str, threading.Event], number: str) -> None:
        """Tell all who wait for it; who asks for it later gets another."""
        with self._lock:
            event = events.pop(number, None)
        if event is not None:
            event.set()

    def _measured(self, record: CaseRecord, photo: KeptPhoto, stop: threading.Event) -> Any:
        key = self._key(record, photo)
        with self._lock:
            if key in self._known:
                self._known.move_to_end(key)
                return self._known[key]
        path = self._store.photo_path(record.number, photo.photo_id)
        survey = self._surveys.run(measure_photo, path, photo.name, request_of(record, photo), stop=stop)
        if isinstance(survey, PhotoSurvey):
            with self._lock:
                self._known[key] = survey
                while len(self._known) > REMEMBERED:
                    self._known.popitem(last=False)
        return survey

    def _key(self, record: CaseRecord, photo: KeptPhoto) -> str:
        said = (record.coin, record.sheet, photo.card_at, photo.look_at, photo.scale_points)
        return repr((record.number, photo.photo_id, photo.digest, photo.name, said))


def _while_working(job: "Future[Any]") -> Iterator[None]:
    """Nothing at all for a job that is done in no time, else something every `TELL_SECONDS`."""
    while True:
        try:
            job.exception(timeout=TELL_SECONDS)
        except TimeoutError:
            yield None
        else:
            return
