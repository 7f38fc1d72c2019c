"""Files that are written whole or not at all, and never over a photo that was read."""

import contextlib
import os
import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from identify.typed.options import WrongUsage

REPORT_SUFFIXES = (".pdf", ".html", ".htm")


class NotWritten(OSError):  # noqa: N818 - it is named after what it tells the user
    """A file could not be written; the message names it and the reason in one line."""


@dataclass(frozen=True)
class OutputPlan:
    """Where one call writes.

    Attributes:
        overlay_dir: folder of the annotated pictures, None when not asked for.
        report_path: the report, None when not asked for.
    """

    overlay_dir: Path | None = None
    report_path: Path | None = None

    def overlay_paths(self, photos: Sequence[Path]) -> list[Path]:
        """One path a photo, `<stem>_measured.jpg`, numbered where two photos share a stem."""
        if self.overlay_dir is None:
            return []
        taken: set[str] = set()
        paths = []
        for photo in photos:
            stem = f"{photo.stem}_measured"
            name = next(n for n in _numbered(stem) if n.lower() not in taken)
            taken.add(name.lower())
            paths.append(self.overlay_dir / f"{name}.jpg")
        return paths

    def check(self, photos: Sequence[Path]) -> None:
        """Refuse before any work what could not be written after it.

        Raises:
            WrongUsage: naming the option, the path and the reason.
        """
        if self.report_path is not None:
            _check_report(self.report_path, photos)
        if self.overlay_dir is not None:
            if self.overlay_dir.exists() and not self.overlay_dir.is_dir():
                raise WrongUsage("--overlay", f"{self.overlay_dir} is a file, not a folder.")
            _check_writable("--overlay", self.overlay_dir)
            for target in self.overlay_paths(photos):
                _check_not_an_input("--overlay", target, photos)


def _numbered(stem: str) -> "list[str]":
    return [stem, *(f"{stem}-{n}" for n in range(2, 1000))]


def _check_report(path: Path, photos: Sequence[Path]) -> None:
    if path.suffix.lower() not in REPORT_SUFFIXES:
        raise WrongUsage("--report", f"{path} must end in .pdf or .html, which says what kind of report to write.")
    if path.is_dir():
        raise WrongUsage("--report", f"{path} is a folder; give the name of a file in it.")
    _check_not_an_input("--report", path, photos)
    _check_writable("--report", path.parent)


def _check_not_an_input(option: str, target: Path, photos: Sequence[Path]) -> None:
    for photo in photos:
        same = target.exists() and photo.exists() and target.samefile(photo)
        if same or target.absolute() == photo.absolute():
            raise WrongUsage(option, f"{target} would overwrite the photo {photo}; choose another place.")


def _check_writable(option: str, folder: Path) -> None:
    """Look at the nearest folder that exists; none is made yet, since photos may turn out unreadable."""
    nearest = next((f for f in (folder, *folder.absolute().parents) if f.exists()), folder)
    if not nearest.is_dir():
        raise WrongUsage(option, f"{nearest} is a file, so no folder can be made in it.")
    if not os.access(nearest, os.W_OK | os.X_OK):
        raise WrongUsage(option, f"{nearest} can not be written to; choose another folder or ask for permission.")


def write_atomically(path: Path, content: bytes) -> None:
    """Write a file so that it is either there whole or not there; folders are made as needed.

    Raises:
        NotWritten: with the file's name and the reason.
    """
    draft = path.with_name(f".{path.name[:80]}.{secrets.token_hex(4)}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with draft.open("xb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        draft.replace(path)
    except OSError as error:
        with contextlib.suppress(OSError):
            draft.unlink(missing_ok=True)
        raise NotWritten(f"{path} was not written: {error.strerror or error}.") from error
