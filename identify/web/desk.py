"""What all pages share: the cases, the measuring, the reference set and the track record."""

import threading
from dataclasses import dataclass
from pathlib import Path

from features.survey import Survey
from identify.answer import PreparedReference, prepare_reference
from identify.web.case_answer import CaseAnswer, answer_case, summary_of
from identify.web.case_record import CaseRecord
from identify.web.case_store import CaseStore
from identify.web.measuring import Measurer
from reference_geometry.store import load_reference


class ShopSet:
    """The reference set that answers are made from, read again when the shop has changed it.

    Args:
        url: SQLAlchemy URL of the shop's own set, None for the packaged demo set.
    """

    def __init__(self, url: str | None) -> None:
        self.url = url
        self._lock = threading.Lock()
        self._prepared = prepare_reference(load_reference(url))

    @property
    def prepared(self) -> PreparedReference:
        """The set as it is now."""
        return self._prepared

    def read_again(self) -> None:
        """After a change."""
        with self._lock:
            self._prepared = prepare_reference(load_reference(self.url))


@dataclass(frozen=True)
class Desk:
    """What all pages share.

    Attributes:
        cases: kept on the disk.
        measurer: the worker processes.
        shop: the reference set.
        uploads: the one folder files may be taken from.
        has_logins: whether people sign in.
    """

    cases: CaseStore
    measurer: Measurer
    shop: ShopSet
    uploads: Path
    has_logins: bool = False

    def answer(self, record: CaseRecord, survey: Survey) -> CaseAnswer:
        """Answer a case, and keep its one-line summary for the list."""
        answered = answer_case(record, survey, self.shop.prepared)
        summary = summary_of(answered.answer)
        if summary != record.summary:
            self.cases.change(record.number, lambda case: case.model_copy(update={"summary": summary}))
        return answered

    def uploaded(self, path: str) -> Path:
        """A file that was uploaded; anything else a request may name is refused.

        Raises:
            PermissionError: it lies elsewhere.
        """
        real = Path(path).resolve()
        if not real.is_relative_to(self.uploads.resolve()):
            raise PermissionError("not an uploaded file")
        return real
