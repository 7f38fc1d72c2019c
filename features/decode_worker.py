"""The decoder process: picture files come in on its standard input, pixels go out on its standard output.

It is started once and serves many photos. Whatever a broken or hostile file does to it, the program only
sees its pipe close. It never opens a file, and limits itself: memory, time, no core dump, no file written.

Request: one JSON line (format, size, limits), then `size` bytes of file. Answer: one JSON line, then, if it
has `"width"`, width x height x 3 bytes of RGB rows. Standard library and Pillow only.
"""

import json
import os
import signal
import sys
from dataclasses import asdict
from typing import TYPE_CHECKING, BinaryIO

if TYPE_CHECKING:
    from features.decode_pixels import DecodedPicture

_LATE_S = 5.0
"""The caller ends a decoder that is late; this much later the decoder ends itself, in case the caller is
gone."""


def main() -> None:
    """Serve until the caller closes the pipe."""
    source = sys.stdin.buffer
    # Libraries that print must not write into the answers: the answer pipe moves away from descriptor 1.
    sink = os.fdopen(os.dup(1), "wb", buffering=0)
    os.dup2(2, 1)
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the caller's business
    _limit_resources(memory_bytes=int(sys.argv[1]))
    _serve(source, sink)


def _limit_resources(memory_bytes: int) -> None:
    try:
        import resource
    except ImportError:  # Windows: the caller's time limit and the pipe still stand
        return
    wanted = ((resource.RLIMIT_AS, memory_bytes), (resource.RLIMIT_CORE, 0), (resource.RLIMIT_FSIZE, 0))
    for limit, value in wanted:
        try:
            hard = resource.getrlimit(limit)[1]
            value = value if hard == resource.RLIM_INFINITY else min(value, hard)
            resource.setrlimit(limit, (value, value))
        except (ValueError, OSError):  # not every system can limit everything (macOS: address space)
            continue


def _serve(source: BinaryIO, sink: BinaryIO) -> None:
    # Imported here, after the limits are in force.
    from features.decode_pixels import RefusedPictureError, decode_picture

    _answer(sink, {"ready": True})
    while line := source.readline():
        request = json.loads(line)
        data = source.read(request["size"])
        if len(data) < request["size"]:
            return
        _set_alarm(request["seconds"] + _LATE_S)
        try:
            picture = decode_picture(
                data,
                request["format"],
                max_pixels=request["max_pixels"],
                min_side_px=request["min_side_px"],
            )
        except RefusedPictureError as refused:
            _answer(sink, {"refused": refused.code, "detail": refused.detail})
        else:
            _send(sink, picture)
            del picture
        del data
        _set_alarm(0)


def _send(sink: BinaryIO, picture: "DecodedPicture") -> None:
    head = {
        "width": picture.image.width,
        "height": picture.image.height,
        "stored": [picture.stored_width_px, picture.stored_height_px],
        "facts": asdict(picture.facts),
        "notes": picture.notes,
    }
    _answer(sink, head)
    for rows in picture.rows_rgb():
        _write_all(sink, rows)


def _set_alarm(seconds: float) -> None:
    if hasattr(signal, "setitimer"):
        signal.setitimer(signal.ITIMER_REAL, seconds)


def _answer(sink: BinaryIO, message: dict[str, object]) -> None:
    _write_all(sink, json.dumps(message).encode("ascii") + b"\n")


def _write_all(sink: BinaryIO, data: bytes) -> None:
    view = memoryview(data)
    while view:
        view = view[sink.write(view) or 0 :]


if __name__ == "__main__":
    main()
