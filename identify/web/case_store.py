"""Keeps every case in a folder of its own, saved at each change, so that a crash or a refresh loses nothing."""

import shutil
import threading
from collections.abc import Callable
from pathlib import Path

from pydantic import ValidationError

from identify.output_files import write_atomically
from identify.web.case_record import CaseRecord, as_case_number, new_case_number, now

_RECORD = "case.json"


class NoSuchCase(KeyError):  # noqa: N818 - it is named after what it tells the user
    """There is no case of that number."""


class CaseStore:
    """The cases under one folder.

    A case is a folder named by its number with `case.json` and its photos in it; removing the folder removes
    everything of the case. Records are written whole or not at all.

    Args:
        folder: made when it is missing, readable by this user only.
    """

    def __init__(self, folder: Path) -> None:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        self._folder = folder
        self._lock = threading.RLock()
        self._read: dict[str, tuple[int, CaseRecord]] = {}

    def open_case(self, made_by: str) -> CaseRecord:
        """A new case with a number of its own."""
        with self._lock:
            number = next(n for n in iter(new_case_number, "") if not self._home(n).exists())
            self._home(number).mkdir(mode=0o700)
            moment = now()
            record = CaseRecord(number=number, opened=moment, changed=moment, made_by=made_by)
            self._write(record)
        return record

    def load(self, number: str) -> CaseRecord:
        """The case of this number, however it is typed.

        Raises:
            NoSuchCase: there is none, or its record can not be read.
        """
        path = self._home(number) / _RECORD
        with self._lock:
            try:
                written_ns = path.stat().st_mtime_ns
                known = self._read.get(number)
                if known is None or known[0] != written_ns:
                    known = written_ns, CaseRecord.model_validate_json(path.read_bytes())
                    self._read[number] = known
            except (OSError, ValidationError) as error:
                raise NoSuchCase(number) from error
        return known[1]

    def change(self, number: str, change: Callable[[CaseRecord], CaseRecord]) -> CaseRecord:
        """Change one case; what is returned is on the disk.

        Args:
            number: of the case.
            change: from the record as it is now to what it shall be.
        """
        with self._lock:
            before = self.load(number)
            after = change(before)
            if after is before or after == before:
                return before
            after = after.model_copy(update={"changed": now()})
            self._write(after)
        return after

    def listed(self, made_by: str | None = None) -> list[CaseRecord]:
        """Cases, the last changed first; only those somebody opened when `made_by` is given."""
        with self._lock:
            numbers = [path.name for path in self._folder.iterdir() if as_case_number(path.name) == path.name]
            records = [record for number in numbers if (record := self._if_there(number)) is not None]
        own = [record for record in records if made_by is None or record.made_by == made_by]
        return sorted(own, key=lambda record: record.changed, reverse=True)

    def remove(self, number: str) -> None:
        """Remove a case and everything of it."""
        with self._lock:
            shutil.rmtree(self._home(number))
            self._read.pop(number, None)

    def new_photo(self, number: str) -> str:
        """The number of a photo to come; its place is taken at once, so that two uploads never share one."""
        with self._lock:
            taken = [int(path.stem) for path in self._home(number).glob("*.jpg") if path.stem.isdigit()]
            photo_id = str(1 + max(taken, default=0))
            self.photo_path(number, photo_id).touch(mode=0o600, exist_ok=False)
        return photo_id

    def photo_path(self, number: str, photo_id: str) -> Path:
        """Where a photo of a case is kept.

        Raises:
            NoSuchCase: the number is none.
            ValueError: the photo's number is none.
        """
        if not (photo_id.isascii() and photo_id.isdigit() and len(photo_id) <= 4):
            raise ValueError(photo_id)
        return self._home(number) / f"{photo_id}.jpg"

    def _home(self, number: str) -> Path:
        if not number or as_case_number(number) != number:
            raise NoSuchCase(number)
        return self._folder / number

    def _if_there(self, number: str) -> CaseRecord | None:
        try:
            return self.load(number)
        except NoSuchCase:
            return None

    def _write(self, record: CaseRecord) -> None:
        path = self._home(record.number) / _RECORD
        write_atomically(path, record.model_dump_json(indent=1).encode("utf-8"))
        self._read[record.number] = path.stat().st_mtime_ns, record
