"""Writes photos, masks and truth so that a stopped run leaves no half file."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image


def write_photo(
    folder: Path, name: str, jpeg: bytes, mask: NDArray[np.uint16] | None, record: dict[str, Any]
) -> dict[str, Any]:
    """Write photo and mask so that a stopped run leaves no half file; returns the record with file names."""
    mask_name = None if mask is None else f"{name}_mask.png"
    if mask is not None and mask_name:
        write_whole(folder / mask_name, lambda path: Image.fromarray(mask).save(path, "PNG"))
    write_whole(folder / f"{name}.jpg", lambda path: path.write_bytes(jpeg))
    return {"photo": f"{name}.jpg", "mask": mask_name, **record}


def write_whole(path: Path, write: Callable[[Path], Any]) -> None:
    """Let `write` fill a file beside it, then put that in its place."""
    partial = path.with_suffix(path.suffix + ".part")
    write(partial)
    partial.replace(path)


def append_truth(folder: Path, record: dict[str, Any]) -> None:
    """Add one line to truth.jsonl."""
    with (folder / "truth.jsonl").open("a", encoding="utf-8") as file:
        file.write(json.dumps(record, separators=(",", ":")) + "\n")
