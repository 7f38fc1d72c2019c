"""Reads a photo file's bytes and tells what kind of file it is, without decoding anything.

Only a regular file of bearable size is read, and only the four picture formats go on; everything else is
named.
"""

import os
import stat
import unicodedata
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from features.photo_problems import (
    FILE_EMPTY,
    FILE_MISSING,
    FILE_NOT_A_FILE,
    FILE_TOO_LARGE,
    FILE_UNREADABLE,
    FORMAT_UNSUPPORTED,
    NOT_A_PHOTO,
)
from features.problems import Problem

if TYPE_CHECKING:  # the decoders themselves are never loaded into this process
    from features.decode_pixels import PictureFormat

MAX_FILE_BYTES = 64_000_000

_OPEN_FLAGS = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
"""Not blocking: a pipe put in the place of the file between the check and the opening must not hang us."""

_HEIF_BRANDS = {b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1"}
_AVIF_BRANDS = {b"avif", b"avis"}

_OTHER_KINDS: tuple[tuple[int, bytes, str], ...] = (
    (0, b"GIF8", "a GIF picture"),
    (0, b"II*\0", "a TIFF or camera raw file"),
    (0, b"MM\0*", "a TIFF or camera raw file"),
    (0, b"II+\0", "a TIFF file"),
    (0, b"IIU\0", "a camera raw file"),
    (0, b"FUJIFILMCCD-RAW", "a camera raw file"),
    (0, b"BM", "a BMP picture"),
    (0, b"8BPS", "a Photoshop file"),
    (0, b"\0\0\x01\0", "an icon"),
    (0, b"\0\0\0\x0cjP  ", "a JPEG 2000 picture"),
    (0, b"\xff\x4f\xff\x51", "a JPEG 2000 picture"),
    (0, b"\0\0\0\x0cJXL ", "a JPEG XL picture"),
    (0, b"\xff\x0a", "a JPEG XL picture"),
    (0, b"PK\x03\x04", "a zip archive or office document"),
    (0, b"\x1f\x8b", "a gzip archive"),
    (0, b"\xd0\xcf\x11\xe0", "an office document"),
    (0, b"{\\rtf", "a text document"),
    (0, b"\x7fELF", "a program"),
    (0, b"MZ", "a program"),
    (0, b"\x1aE\xdf\xa3", "a video"),
    (4, b"ftyp", "a video or other media file"),
    (0, b"RIFF", "a video or sound file"),
    (0, b"SQLite format 3\0", "a database"),
)
"""Offset, first bytes and name of common files that are not photos for us (signatures from memory)."""


@dataclass(frozen=True)
class PhotoBytes:
    """A file that starts like a photo."""

    data: bytes
    picture_format: "PictureFormat"


def read_photo_bytes(path: Path) -> PhotoBytes | Problem:
    """Read a file that may be a photo, or say why not."""
    try:
        data = _read(path)
    except FileNotFoundError:
        return Problem(FILE_MISSING)
    except (OSError, ValueError) as error:  # ValueError: a NUL character in the path
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        return Problem(FILE_UNREADABLE, reason)
    if isinstance(data, Problem):
        return data
    return _sniff(data)


def _read(path: Path) -> bytes | Problem:
    status = path.stat()  # before opening: opening some devices does something
    if not stat.S_ISREG(status.st_mode):
        return Problem(FILE_NOT_A_FILE, _kind_of(status.st_mode))
    descriptor = os.open(path, _OPEN_FLAGS)
    with os.fdopen(descriptor, "rb", buffering=0) as file:
        status = os.fstat(descriptor)
        if not stat.S_ISREG(status.st_mode):
            return Problem(FILE_NOT_A_FILE, _kind_of(status.st_mode))
        if status.st_size > MAX_FILE_BYTES:
            return Problem(FILE_TOO_LARGE, f"{status.st_size / 1e6:.0f} MB")
        chunks: list[bytes] = []
        left = MAX_FILE_BYTES + 1  # the size on record may lie, or grow while we read
        while left and (chunk := file.read(left)):
            chunks.append(chunk)
            left -= len(chunk)
    if not left:
        return Problem(FILE_TOO_LARGE, f"more than {MAX_FILE_BYTES / 1e6:.0f} MB")
    data = b"".join(chunks)
    return data or Problem(FILE_EMPTY)


def _kind_of(mode: int) -> str:
    kinds = {stat.S_IFDIR: "a folder", stat.S_IFIFO: "a pipe", stat.S_IFSOCK: "a socket"}
    return kinds.get(stat.S_IFMT(mode), "a device")


def _sniff(data: bytes) -> PhotoBytes | Problem:
    picture_format = _picture_format(data)
    if picture_format:
        return PhotoBytes(data, picture_format)
    other = _other_kind(data)
    return Problem(FORMAT_UNSUPPORTED, other) if other else Problem(NOT_A_PHOTO)


def _picture_format(data: bytes) -> "PictureFormat | None":
    if data.startswith(b"\xff\xd8\xff"):
        return "JPEG"
    if data.startswith(b"\x89PNG\r\n\x1a\n"):
        return "PNG"
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return "WEBP"
    brands = _brands(data)
    if brands & _HEIF_BRANDS and not brands & _AVIF_BRANDS:
        return "HEIF"
    return None


def _brands(data: bytes) -> set[bytes]:
    """Brands an ISO base media file claims (ISO/IEC 14496-12): major brand, then the compatible ones."""
    if data[4:8] != b"ftyp":
        return set()
    end = min(int.from_bytes(data[:4], "big"), 256)
    return {data[8:12], *(data[i : i + 4] for i in range(16, end, 4))}


def _other_kind(data: bytes) -> str:
    if _brands(data) & _AVIF_BRANDS:
        return "an AVIF picture"
    for offset, signature, name in _OTHER_KINDS:
        if data.startswith(signature, offset):
            return name
    start = data[:1024].lstrip(b"\xef\xbb\xbf \t\r\n").lower()
    if b"%pdf-" in start:
        return "a PDF document"
    if b"<svg" in start:
        return "an SVG drawing"
    if start.startswith((b"<!doctype", b"<html", b"<?xml")):
        return "a web page or XML file"
    return ""


def printable_name(name: str) -> str:
    """A file name that is safe to print: control, direction and undecodable characters become escapes."""
    return "".join(_printable(character) for character in name)


def _printable(character: str) -> str:
    if unicodedata.category(character) not in {"Cc", "Cf", "Cs", "Zl", "Zp"}:
        return character
    code = ord(character)
    if 0xDC80 <= code <= 0xDCFF:  # a byte of the name that is not UTF-8
        return f"\\x{code - 0xDC00:02x}"
    return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"
