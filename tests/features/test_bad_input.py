"""Every kind of bad input gives one clear line with the file's name and reason, and leaves nothing behind.

The table `BAD_INPUT` is the list; each row is tried at the loader and through the command line.
"""

import io
import os
import socket
import struct
import subprocess
import sys
import tempfile
import zlib
from pathlib import Path

import numpy as np
import pillow_heif
import pytest
from PIL import Image

from features.decode_input import MAX_FILE_BYTES
from features.decode_process import DecodePool
from features.photo import PhotoRefused, load_photo, load_photos

pillow_heif.register_heif_opener()


# --- how each kind is made --------------------------------------------------------------------------


def picture_bytes(picture_format, width=640, height=480, **options):
    noise = np.random.default_rng(5).integers(0, 256, (height // 4, width // 4, 3), dtype=np.uint8)
    buffer = io.BytesIO()
    Image.fromarray(noise).resize((width, height)).save(buffer, picture_format, **options)
    return buffer.getvalue()


def png_chunk(kind, body):
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def png_of(width, height, *chunks):
    header = png_chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0))
    return b"\x89PNG\r\n\x1a\n" + header + b"".join(chunks) + png_chunk(b"IEND", b"")


def png_bomb():
    """Some 40 kB that ask for 3,600 megapixels."""
    return png_of(60_000, 60_000, png_chunk(b"IDAT", zlib.compress(bytes(40_000_000), 9)))


def png_with_a_huge_text():
    """A compressed comment of 200 MB before a harmless picture."""
    text = png_chunk(b"zTXt", b"Comment\0\0" + zlib.compress(bytes(200_000_000), 9))
    rows = zlib.compress((b"\0" + bytes(300)) * 300)
    return png_of(300, 300, text, png_chunk(b"IDAT", rows))


def png_with_a_broken_checksum():
    data = bytearray(picture_bytes("PNG"))
    data[data.find(b"IDAT") + 20] ^= 0xFF
    return bytes(data)


def jpeg_claiming_4295_megapixels():
    data = picture_bytes("JPEG")
    frame = data.find(b"\xff\xc0")
    return data[: frame + 5] + struct.pack(">HH", 65_535, 65_535) + data[frame + 9 :]


def webp_claiming_16383_by_16383():
    body = b"VP8X" + struct.pack("<I", 10) + b"\0\0\0\0" + (16_382).to_bytes(3, "little") * 2
    body += b"VP8 " + struct.pack("<I", 4) + bytes(4)
    return b"RIFF" + struct.pack("<I", len(body) + 4) + b"WEBP" + body


def heic_claiming_many_pixels():
    """A real HEIC whose spatial extents say 60,000 x 60,000."""
    data = bytearray(picture_bytes("HEIF"))
    at = data.find(b"ispe")
    data[at + 8 : at + 16] = struct.pack(">II", 60_000, 60_000)
    return bytes(data)


def written(data):
    def make(path):
        path.write_bytes(data() if callable(data) else data)

    return make


def cut(picture_format, share):
    def data():
        whole = picture_bytes(picture_format)
        return whole[: int(len(whole) * share)]

    return written(data)


def saved_as(picture_format):
    return written(lambda: picture_bytes(picture_format))


def make_socket(path):
    with socket.socket(socket.AF_UNIX) as endpoint, _working_in(path.parent):
        endpoint.bind(path.name)  # by its short name: socket paths have a small limit


class _working_in:  # noqa: N801  reads like contextlib.chdir, which is 3.11 too but typed for str
    def __init__(self, folder):
        self.folder = folder

    def __enter__(self):
        self.before = Path.cwd()
        os.chdir(self.folder)

    def __exit__(self, *_):
        os.chdir(self.before)


def make_too_large(path):
    with path.open("wb") as file:  # sparse: costs no disk
        file.write(picture_bytes("JPEG"))
        file.truncate(MAX_FILE_BYTES + 1)


def make_loop(path):
    path.symlink_to(path.name)


def make_forbidden(path):
    path.write_bytes(picture_bytes("JPEG"))
    path.chmod(0)


def nothing(path):
    pass


BAD_INPUT = {
    # what it is: (file name, how it is made, problem code)
    "missing file": ("photo.jpg", nothing, "file_missing"),
    "dangling link": ("photo.jpg", lambda p: p.symlink_to("nowhere.jpg"), "file_missing"),
    "folder": ("photo.jpg", Path.mkdir, "file_not_a_file"),
    "named pipe": ("photo.jpg", os.mkfifo, "file_not_a_file"),
    "socket": ("photo.jpg", make_socket, "file_not_a_file"),
    "link to a device": ("photo.jpg", lambda p: p.symlink_to("/dev/zero"), "file_not_a_file"),
    "link loop": ("photo.jpg", make_loop, "file_unreadable"),
    "permission denied": ("photo.jpg", make_forbidden, "file_unreadable"),
    "read error": ("photo.jpg", lambda p: p.symlink_to("/proc/self/mem"), "file_unreadable"),
    "name too long": ("x" * 300 + ".jpg", nothing, "file_unreadable"),
    "empty file": ("photo.jpg", written(b""), "file_empty"),
    "more bytes than allowed": ("photo.jpg", make_too_large, "file_too_large"),
    "text named jpg": ("photo.jpg", written(b"Dear all, the pump leaks.\n"), "not_a_photo"),
    "random bytes": ("photo.png", written(bytes(range(7, 250)) * 40), "not_a_photo"),
    "zeros": ("photo.jpg", written(bytes(100_000)), "not_a_photo"),
    "GIF named jpg": ("photo.jpg", saved_as("GIF"), "format_unsupported"),
    "TIFF named png": ("photo.png", saved_as("TIFF"), "format_unsupported"),
    "BMP": ("photo.bmp", saved_as("BMP"), "format_unsupported"),
    "AVIF named heic": ("photo.heic", saved_as("AVIF"), "format_unsupported"),
    "camera raw": (
        "photo.jpg",
        written(b"\0\0\0\x18ftypcrx \0\0\0\x01crx isom" + bytes(64)),
        "format_unsupported",
    ),
    "SVG named png": (
        "photo.png",
        written(b"<svg xmlns='http://www.w3.org/2000/svg'/>"),
        "format_unsupported",
    ),
    "PDF named jpg": ("photo.jpg", written(b"%PDF-1.7\n1 0 obj\n"), "format_unsupported"),
    "web page named jpg": (
        "photo.jpg",
        written(b"<!DOCTYPE html><title>Sign in</title>"),
        "format_unsupported",
    ),
    "zip archive": ("photo.heic", written(b"PK\x03\x04" + bytes(100)), "format_unsupported"),
    "video": ("photo.jpg", written(b"\0\0\0\x18ftypmp42\0\0\0\0mp42isom" + bytes(64)), "format_unsupported"),
    "PDF that is also a JPEG": (
        "photo.jpg",
        written(lambda: b"%PDF-1.7\n" + picture_bytes("JPEG")),
        "format_unsupported",
    ),
    "PNG head on a GIF body": (
        "photo.png",
        written(lambda: b"\x89PNG\r\n\x1a\n" + picture_bytes("GIF")),
        "photo_damaged",
    ),
    "JPEG of three bytes": ("photo.jpg", written(b"\xff\xd8\xff"), "photo_damaged"),
    "truncated JPEG": ("photo.jpg", cut("JPEG", 0.6), "photo_damaged"),
    "truncated PNG": ("photo.png", cut("PNG", 0.6), "photo_damaged"),
    "truncated WebP": ("photo.webp", cut("WEBP", 0.6), "photo_damaged"),
    "truncated HEIC": ("photo.heic", cut("HEIF", 0.6), "photo_damaged"),
    "HEIC head only": ("photo.heic", written(b"\0\0\0\x18ftypheic\0\0\0\0mif1heic"), "photo_damaged"),
    "PNG with a broken checksum": ("photo.png", written(png_with_a_broken_checksum), "photo_damaged"),
    "PNG with a text of 200 MB": ("photo.png", written(png_with_a_huge_text), "photo_damaged"),
    "PNG bomb": ("photo.png", written(png_bomb), "photo_too_many_pixels"),
    "JPEG claiming 4295 megapixels": (
        "photo.jpg",
        written(jpeg_claiming_4295_megapixels),
        "photo_too_many_pixels",
    ),
    "WebP claiming 268 megapixels": ("photo.webp", written(webp_claiming_16383_by_16383), "photo_damaged"),
    "HEIC claiming 3600 megapixels": (
        "photo.heic",
        written(heic_claiming_many_pixels),
        "photo_too_many_pixels",
    ),
    "thumbnail": ("photo.jpg", written(lambda: picture_bytes("JPEG", 160, 120)), "photo_too_small"),
    "strip 199 pixels high": (
        "photo.png",
        written(lambda: picture_bytes("PNG", 3000, 199)),
        "photo_too_small",
    ),
    "truncated, with a hostile name": ("a\nb\x1b[2J\u202e.jpg", cut("JPEG", 0.5), "photo_damaged"),
}

rows = pytest.mark.parametrize("kind", BAD_INPUT)


def test_the_table_lists_at_least_twenty_kinds():
    assert len(BAD_INPUT) >= 20


# --- the place where it is tried --------------------------------------------------------------------


@pytest.fixture
def place(tmp_path, monkeypatch):
    """Two empty folders, the working folder and the one for temporary files, and a third for the input."""
    for name in ("work", "temporary", "input"):
        (tmp_path / name).mkdir()
    monkeypatch.chdir(tmp_path / "work")
    monkeypatch.setenv("TMPDIR", str(tmp_path / "temporary"))
    monkeypatch.setattr(tempfile, "tempdir", None)
    return tmp_path


def bad_file(place, kind, monkeypatch):
    name, make, _ = BAD_INPUT[kind]
    path = place / "input" / name
    try:
        make(path)
    except AttributeError:  # pragma: no cover
        pytest.skip("this system has no such kind of file")
    if kind == "read error" and not Path("/proc/self/mem").exists():
        pytest.skip("a file that fails while being read is at hand on Linux only")
    if kind == "permission denied" and os.access(path, os.R_OK):
        # The superuser may read everything: let the system's answer to others be given for this file.
        really_open = os.open

        def open_or_refuse(wanted, *arguments, **options):
            if wanted == path:
                raise PermissionError(13, "Permission denied")
            return really_open(wanted, *arguments, **options)

        monkeypatch.setattr(os, "open", open_or_refuse)
    return path


def listing(folder):
    return sorted(str(path.relative_to(folder)) for path in folder.rglob("*"))


def shared_memory():
    folder = Path("/dev/shm")
    return {path.name for path in folder.iterdir()} if folder.is_dir() else set()


def decoders_running():
    """Children of this process, dead ones included, as Linux lists them."""
    lists = Path("/proc/self/task").glob("*/children")
    return {int(child) for text in lists for child in text.read_text().split()}


# --- the loader -------------------------------------------------------------------------------------


@rows
def test_the_loader_names_file_and_reason_in_one_line(place, monkeypatch, kind):
    path = bad_file(place, kind, monkeypatch)
    before = listing(place)
    refused = load_photo(path)
    assert isinstance(refused, PhotoRefused)
    assert not refused
    assert refused.problem.kind.code == BAD_INPUT[kind][2], str(refused)
    line = str(refused)
    assert line.startswith(refused.name + ": ")
    assert line.isprintable()
    assert refused.problem.kind.meaning in line
    assert "0x" not in line  # no object addresses
    assert "Error" not in line
    assert listing(place) == before


def test_the_particulars_tell_what_was_found(place, monkeypatch):
    expected = {
        "folder": "a folder",
        "named pipe": "a pipe",
        "link to a device": "a device",
        "permission denied": "Permission denied",
        "PDF named jpg": "a PDF document",
        "SVG named png": "an SVG drawing",
        "camera raw": "media file",
        "truncated JPEG": "ends before the picture does",
        "more bytes than allowed": "64 MB",
        "JPEG claiming 4295 megapixels": "4295 megapixels",
        "thumbnail": "160 x 120 pixels",
    }
    for number, (kind, words) in enumerate(expected.items()):
        (place / "input").rename(place / f"input{number}")
        (place / "input").mkdir()
        with monkeypatch.context() as patch:
            assert words in str(load_photo(bad_file(place, kind, patch))), kind


@pytest.mark.skipif(sys.platform != "linux", reason="counts processes and shared memory in /proc and /dev/shm")
def test_all_of_them_together_leave_no_process_no_memory_and_no_file(place, monkeypatch):
    paths = []
    for number, kind in enumerate(kind for kind in BAD_INPUT if kind != "permission denied"):
        (place / "input" / str(number)).mkdir()
        name, make, _ = BAD_INPUT[kind]
        paths.append(place / "input" / str(number) / name)
        make(paths[-1])
    good = place / "input" / "good.jpg"
    good.write_bytes(picture_bytes("JPEG"))
    files, memory, processes = listing(place), shared_memory(), decoders_running()
    pool = DecodePool(2)
    results = load_photos([*paths, good], pool)
    assert [bool(result) for result in results] == [False] * len(paths) + [True]
    pool.close()
    assert listing(place) == files
    assert shared_memory() == memory
    assert decoders_running() == processes


def test_a_path_that_is_no_path_is_refused():
    assert load_photo(Path("photo\0.jpg")).problem.kind.code == "file_unreadable"
    assert load_photo(Path(__file__) / "photo.jpg").problem.kind.code == "file_unreadable"
    assert load_photo(Path()).problem.kind.code == "file_not_a_file"


def test_damaged_bytes_anywhere_never_raise_and_never_hang(tmp_path):
    """A few hundred random injuries of each format (a fixed seed): refused or decoded, never an exception."""
    injuries = np.random.default_rng(11)
    path = tmp_path / "photo"
    answers = {True: 0, False: 0}
    for picture_format in ("JPEG", "PNG", "WEBP", "HEIF"):
        exif = Image.Exif()
        exif[0x0112], exif[0x010F] = 6, "Inventcam"
        exif.get_ifd(0x8769)[0xA405] = 26
        whole = picture_bytes(picture_format, 240, 220, exif=exif.tobytes())
        for _ in range(60):
            data = bytearray(whole)
            reach = len(data) if injuries.random() < 0.5 else min(len(data), 600)  # headers and metadata
            for at in injuries.integers(0, reach, injuries.integers(1, 8)):
                data[at] = injuries.integers(0, 256)
            path.write_bytes(data)
            answers[bool(load_photo(path))] += 1
    assert answers[True] > 0
    assert answers[False] > 0


# --- the command line -------------------------------------------------------------------------------


@rows
def test_the_command_line_ends_with_code_3_and_names_the_file(place, monkeypatch, capfd, kind):
    from identify.command_line import main

    path = bad_file(place, kind, monkeypatch)
    before = listing(place)
    monkeypatch.setattr(sys, "argv", ["untagged", "measure", str(path)])
    with pytest.raises(SystemExit) as ended:
        main()
    said = capfd.readouterr()
    assert ended.value.code == 3
    assert said.out == ""
    assert load_photo(path).name in said.err
    assert load_photo(path).problem.kind.meaning in said.err
    assert "Traceback" not in said.err
    assert "\x1b" not in said.err
    assert listing(place) == before


def test_all_kinds_in_one_call_of_the_installed_command_are_each_named(place):
    """A program of its own in an empty folder, with one good photo among the bad ones."""
    paths = []
    for number, (kind, (name, make, _)) in enumerate(BAD_INPUT.items()):
        (place / "input" / str(number)).mkdir()
        path = place / "input" / str(number) / (f"{number}-{name}" if "too long" not in kind else name)
        if kind != "permission denied":  # the superuser would be let in
            make(path)
            paths.append(path)
    good = place / "input" / "good.jpg"
    good.write_bytes(picture_bytes("JPEG"))
    before = listing(place)
    root = Path(__file__).resolve().parents[2]
    result = subprocess.run(
        [sys.executable, "-B", "-m", "identify", "measure", *map(str, paths), str(good)],
        cwd=place / "work",
        env={**os.environ, "PYTHONPATH": str(root)},
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert result.returncode == 3, result.stderr
    assert result.stdout == ""
    for path in paths:
        assert load_photo(path).name in result.stderr
    assert "good.jpg" in result.stderr
    assert "Traceback" not in result.stderr
    assert listing(place) == before
