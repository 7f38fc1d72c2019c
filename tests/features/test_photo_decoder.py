"""A decoder that crashes, hangs or runs out of memory costs one photo and nothing else."""

import io
import os
import signal
import struct
import subprocess
import sys
import threading
import time
import zlib
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from features.decode_process import DecodedPixels, DecodeFailure, DecodeLimits, DecodePool, DecodeProcess
from features.photo import load_photo

needs_signals = pytest.mark.skipif(sys.platform == "win32", reason="stops and kills processes by signal")
needs_memory_limit = pytest.mark.skipif(sys.platform != "linux", reason="address space limits hold on Linux only")


def jpeg(width=400, height=300, color="teal"):
    buffer = io.BytesIO()
    Image.new("RGB", (width, height), color).save(buffer, "JPEG")
    return buffer.getvalue()


def white_png(width, height):
    """A one-bit PNG whose thousands of rows compress to almost nothing."""

    def chunk(kind, body):
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    rows = zlib.compress((b"\0" + b"\xff" * ((width + 7) // 8)) * height, 9)
    header = struct.pack(">IIBBBBB", width, height, 1, 0, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", rows) + chunk(b"IEND", b"")


@pytest.fixture
def make_process():
    processes = []

    def make(limits=None, search_path=()):
        process = DecodeProcess(limits or DecodeLimits(), search_path)
        processes.append(process)
        return process

    yield make
    for process in processes:
        process.close()


def test_one_process_serves_many_photos_and_survives_refusals(make_process):
    process = make_process()
    for _ in range(3):
        assert process.decode(jpeg(), "JPEG").pixels_rgb.shape == (300, 400, 3)
        assert process.decode(b"\xff\xd8\xff", "JPEG").code == "damaged"
        assert process.decode(jpeg(50, 50), "JPEG").code == "too_small"
        assert process.decode(white_png(9000, 9000), "PNG").code == "too_many_pixels"
    assert process.is_alive


@needs_signals
def test_a_crash_is_reported_and_leaves_no_zombie(make_process):
    process = make_process()
    assert process.decode(jpeg(), "JPEG")
    os.kill(process.pid, signal.SIGSEGV)
    result = process.decode(jpeg(), "JPEG")
    assert result == DecodeFailure("crashed", result.detail)
    assert not process.is_alive
    with pytest.raises(ChildProcessError):
        os.waitpid(process.pid, os.WNOHANG)


@needs_signals
def test_a_hanging_decoder_is_ended_in_time(make_process):
    process = make_process(DecodeLimits(seconds=0.5))
    assert process.decode(jpeg(), "JPEG")
    os.kill(process.pid, signal.SIGSTOP)
    start = time.monotonic()
    result = process.decode(jpeg(), "JPEG")
    assert time.monotonic() - start < 5.0
    assert result == DecodeFailure("timed_out", "0.5 s")
    assert not process.is_alive


@needs_memory_limit
def test_a_picture_that_needs_too_much_memory_is_refused(make_process):
    process = make_process(DecodeLimits(memory_bytes=160 << 20))
    assert process.decode(jpeg(), "JPEG")
    big = io.BytesIO()
    Image.new("RGB", (7000, 7000)).save(big, "PNG", compress_level=1)
    assert process.decode(big.getvalue(), "PNG").code == "out_of_memory"


@needs_memory_limit
def test_the_largest_allowed_picture_fits_the_memory_limit(make_process):
    """60 megapixels with transparency, the costliest kind short of lossless WebP, turned on its side."""
    exif = Image.Exif()
    exif[0x0112] = 6
    buffer = io.BytesIO()
    Image.new("RGBA", (7700, 7700), (10, 200, 30, 128)).save(buffer, "PNG", compress_level=1, exif=exif)
    result = make_process().decode(buffer.getvalue(), "PNG")
    assert isinstance(result, DecodedPixels)
    assert result.pixels_rgb.shape == (7700, 7700, 3)


def fake_module(folder, name, text):
    folder.mkdir(exist_ok=True)
    (folder / f"{name}.py").write_text(text)
    return folder


def test_without_pillow_heif_a_heic_is_refused_with_the_remedy_and_jpeg_still_works(tmp_path):
    missing = fake_module(tmp_path / "modules", "pillow_heif", "raise ImportError('not installed')\n")
    photo = tmp_path / "photo.heic"
    photo.write_bytes(b"\0\0\0\x18ftypheic\0\0\0\0mif1heic" + bytes(100))
    other = tmp_path / "photo.jpg"
    other.write_bytes(jpeg())
    pool = DecodePool(1, search_path=[missing])
    try:
        refused = load_photo(photo, pool)
        assert refused.problem.kind.code == "heic_unavailable"
        assert "pip install pillow-heif" in str(refused)
        assert load_photo(other, pool)
    finally:
        pool.close()


def test_a_decoder_that_cannot_start_is_said(tmp_path):
    broken = fake_module(tmp_path / "modules", "PIL", "raise ImportError('no Pillow')\n")
    photo = tmp_path / "photo.jpg"
    photo.write_bytes(jpeg())
    pool = DecodePool(1, search_path=[broken])
    try:
        assert load_photo(photo, pool).problem.kind.code == "decoder_unavailable"
    finally:
        pool.close()


LIES = {
    "gigantic": b'{"width": 1000000, "height": 1000000, "stored": [1, 1], "facts": {}, "notes": []}',
    "negative": b'{"width": -5, "height": 10, "stored": [1, 1], "facts": {}, "notes": []}',
    "no_json": b"<html>",
    "no_object": b"[1, 2]",
    "no_size": b'{"width": 300}',
    "other_facts": b'{"width": 9, "height": 9, "stored": [9, 9], "facts": {"serial": "20931"}, "notes": []}',
}


STRANGER = """
import sys
sys.stdout.buffer.write(b'{"ready": true}\\n')
sys.stdout.buffer.flush()
sys.stdin.buffer.readline()
sys.stdout.buffer.write(ANSWER)
sys.stdout.buffer.flush()
"""


@pytest.mark.parametrize("lie", LIES)
def test_a_decoder_taken_over_by_its_input_cannot_lie_its_way_out(tmp_path, make_process, lie):
    """Answers are checked like input, for a decoder bug may put a stranger at the other end of the pipe."""
    answer = LIES[lie] + b"\n" + bytes(1000)
    stranger = fake_module(tmp_path / "modules", "features", STRANGER.replace("ANSWER", repr(answer)))
    result = make_process(DecodeLimits(seconds=10), [stranger]).decode(b"\xff\xd8\xff", "JPEG")
    assert isinstance(result, DecodeFailure)
    assert result.code == "crashed"
    assert "pixels" not in result.detail


@pytest.mark.parametrize("photo_bytes", [3, 1 << 21], ids=["sent_whole", "pipe_broken_while_sending"])
def test_a_crash_in_the_middle_of_the_pixels_is_reported(tmp_path, make_process, photo_bytes):
    answer = b'{"width": 9, "height": 9, "stored": [9, 9], "facts": {}, "notes": []}\n' + bytes(100)
    stranger = fake_module(tmp_path / "modules", "features", STRANGER.replace("ANSWER", repr(answer)))
    result = make_process(search_path=[stranger]).decode(bytes(photo_bytes), "JPEG")
    assert result == DecodeFailure("crashed", "the decoder ended in the middle of the pixels")


@needs_signals
def test_a_pool_replaces_what_died_and_never_runs_more_than_it_may():
    pool = DecodePool(2)
    try:
        pool.start()
        assert pool.decode(jpeg(), "JPEG")
        os.kill(pool._idle[0].pid, signal.SIGKILL)
        pool._idle[0]._process.wait()
        assert pool.decode(jpeg(), "JPEG")
        threads = [threading.Thread(target=pool.decode, args=(jpeg(2000, 1500), "JPEG")) for _ in range(6)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert 1 <= len(pool._idle) <= 2
    finally:
        pool.close()


FORKED = """
import os, sys, time
from pathlib import Path
from features.photo import load_photo
before = load_photo(Path(sys.argv[1]))
child = os.fork()
if child == 0:
    os._exit(0 if load_photo(Path(sys.argv[1])) else 1)
assert os.waitpid(child, 0)[1] == 0, "the child could not load"
assert before and load_photo(Path(sys.argv[1])), "the parent could not load"
"""


@pytest.mark.skipif(not hasattr(os, "fork"), reason="this system has no fork")
def test_a_forked_program_and_its_parent_do_not_share_a_decoder(tmp_path):
    path = tmp_path / "photo.jpg"
    path.write_bytes(jpeg())
    run_python(FORKED, path)


ENDING = """
import os, sys
from pathlib import Path
from features.photo import load_photo
from features.decode_process import shared_pool
assert load_photo(Path(sys.argv[1]))
print(shared_pool()._idle[0].pid, flush=True)
if sys.argv[2] == "killed":
    os.kill(os.getpid(), 9)
"""


@pytest.mark.skipif(sys.platform != "linux", reason="looks into /proc")
@pytest.mark.parametrize("ending", ["in_order", "killed"])
def test_the_decoder_ends_with_the_program(tmp_path, ending):
    path = tmp_path / "photo.jpg"
    path.write_bytes(jpeg())
    pid = int(run_python(ENDING, path, ending, check=ending == "in_order"))
    deadline = time.monotonic() + 5.0
    while is_running(pid) and time.monotonic() < deadline:
        time.sleep(0.02)
    assert not is_running(pid)


def is_running(pid):
    try:
        state = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0]
    except FileNotFoundError:
        return False
    return state != "Z"  # an orphan waits for the system to collect it


def run_python(script, *arguments, check=True):
    root = Path(__file__).resolve().parents[2]
    result = subprocess.run(
        [sys.executable, "-W", "error", "-c", script, *map(str, arguments)],
        cwd=root,
        env={**os.environ, "PYTHONPATH": str(root)},
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert not check or (result.returncode == 0 and result.stderr == ""), result.stderr
    return result.stdout


def test_a_warm_decoder_costs_little_more_than_decoding_itself(tmp_path):
    """12 megapixels: the whole way through the process against Pillow in this one (best of 3)."""
    rng = np.random.default_rng(1)
    small = rng.integers(0, 256, (378, 504, 3), dtype=np.uint8)
    path = tmp_path / "photo.jpg"
    Image.fromarray(small).resize((4032, 3024)).save(path, quality=90)
    pool = DecodePool(1)
    try:
        load_photo(path, pool)
        through_process = min(timed(lambda: load_photo(path, pool)) for _ in range(3))
    finally:
        pool.close()
    in_process = min(timed(lambda: np.asarray(Image.open(path).convert("RGB"))) for _ in range(3))
    assert through_process < 4 * in_process + 0.1


def timed(action):
    start = time.perf_counter()
    action()
    return time.perf_counter() - start
