"""Takes uploaded photos into a case, one after the other, each looked at before it is kept."""

import contextlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from features.photo_problems import DECODER_CRASHED
from features.problems import Problem
from features.scale.reference import ScaleRequest
from identify.typed.options import TypedOptions, WrongUsage, understand
from identify.web.case_record import CaseRecord, KeptPhoto
from identify.web.desk import Desk
from identify.web.first_look import Glance
from identify.web.kept_photo import FirstLook, shown_name
from identify.web.worker_process import JobFailed

MOST_PHOTOS = 12


@dataclass(frozen=True)
class Taken:
    """How far the taking in is.

    Attributes:
        record: the case as it is now.
        number, count: photo `number` of `count` was just dealt with; 0 before the first.
        glanced: (name, glance) of photos that are still to be kept.
        refused: (name, problem) of files that are no usable photos.
        left_out: photos beyond the most a case can hold.
    """

    record: CaseRecord
    number: int
    count: int
    glanced: tuple[tuple[str, Glance], ...] = ()
    refused: tuple[tuple[str, Problem], ...] = ()
    left_out: int = 0


def take_in(desk: Desk, record: CaseRecord, uploads: Sequence[str], card_at: str) -> Iterator[Taken]:
    """Take photos into a case: first a glance at each, said at once, then each is kept; saved each time.

    Args:
        desk: what the pages share.
        record: the case.
        uploads: files as they were uploaded; each is deleted once it has been dealt with.
        card_at: where the scale lies in them.
    """
    room = MOST_PHOTOS - len(record.photos)
    wanted, left_out = uploads[: max(room, 0)], max(0, len(uploads) - max(room, 0))
    refused: list[tuple[str, Problem]] = []
    waiting: list[tuple[Path, Glance]] = []

    def so_far(number: int) -> Taken:
        glanced = tuple((shown_name(path.name, set()), glance) for path, glance in waiting)
        return Taken(record, number, len(wanted), glanced, tuple(refused), left_out)

    yield so_far(0)
    for number, upload in enumerate(wanted, start=1):
        path = desk.uploaded(upload)
        glance = _glance(desk, record, path)
        if isinstance(glance, Problem):
            refused.append((shown_name(path.name, set()), glance))
        else:
            waiting.append((path, glance))
        yield so_far(number)
    while waiting:
        path, _ = waiting[0]
        outcome = _take_one(desk, record, path, card_at)
        del waiting[0]
        if isinstance(outcome, Problem):
            refused.append((shown_name(path.name, set()), outcome))
        else:
            record = outcome
        yield so_far(len(wanted) - len(waiting))
    for upload in uploads:
        with contextlib.suppress(OSError, PermissionError):
            desk.uploaded(upload).unlink()


def _glance(desk: Desk, record: CaseRecord, path: Path) -> Glance | Problem:
    try:
        return desk.measurer.glance(path, scale_said(record))
    except JobFailed:
        return Problem(DECODER_CRASHED)


def _take_one(desk: Desk, record: CaseRecord, path: Path, card_at: str) -> CaseRecord | Problem:
    photo_id = desk.cases.new_photo(record.number)
    target = desk.cases.photo_path(record.number, photo_id)
    look: FirstLook | Problem | None = None
    try:
        look = desk.measurer.first_look(path, target, scale_said(record))
    except JobFailed:
        look = Problem(DECODER_CRASHED)
    finally:
        if not isinstance(look, FirstLook):
            target.unlink(missing_ok=True)
    if isinstance(look, Problem):
        return look

    def with_it(case: CaseRecord) -> CaseRecord:
        name = shown_name(path.name, {photo.name for photo in case.photos})
        return case.model_copy(update={"photos": (*case.photos, _kept(photo_id, name, look, card_at))})

    return desk.cases.change(record.number, with_it)


def remove_photo(desk: Desk, number: str, photo_id: str) -> CaseRecord:
    """Take a photo out of a case and off the disk."""
    desk.measurer.stop(number)
    record = desk.cases.change(
        number,
        lambda case: case.model_copy(update={"photos": tuple(p for p in case.photos if p.photo_id != photo_id)}),
    )
    with contextlib.suppress(ValueError):
        desk.cases.photo_path(number, photo_id).unlink(missing_ok=True)
    return record


def _kept(photo_id: str, name: str, look: FirstLook, card_at: str) -> KeptPhoto:
    return KeptPhoto(
        photo_id=photo_id,
        name=name,
        digest=look.digest,
        width_px=look.width_px,
        height_px=look.height_px,
        problems=look.problems,
        scale_label=look.scale_label,
        card_at=card_at,
    )


def scale_said(record: CaseRecord) -> ScaleRequest:
    """The coin or sheet of a case, as the scale finders want it."""
    try:
        return understand(TypedOptions(coin=record.coin, sheet=record.sheet)).request.scale
    except WrongUsage:
        return ScaleRequest()
