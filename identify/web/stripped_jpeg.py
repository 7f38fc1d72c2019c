"""A JPEG with its picture untouched and everything else left behind: no pixel is coded a second time.

Segments by ISO/IEC 10918-1 annex B (the JPEG standard): tables, frames and scans are the picture; application and
comment segments are kept only where the picture's colors depend on them. What follows the end of the picture, as
films and second pictures of phones do, is dropped.
"""

_START, _END = b"\xff\xd8", b"\xff\xd9"
_SCAN, _APP0, _APP2, _APP14, _COMMENT = 0xDA, 0xE0, 0xE2, 0xEE, 0xFE
_APPS = range(0xE0, 0xF0)
_PICTURE = frozenset({0xC4, 0xCC, 0xDA, 0xDB, 0xDC, 0xDD, *(set(range(0xC0, 0xD0)) - {0xC8})})
_LONGEST_PROFILE = 4_000_000


def stripped_jpeg(data: bytes, exif: bytes) -> bytes | None:
    """The picture of a JPEG with an EXIF segment of our own.

    Args:
        data: whole file.
        exif: content of the EXIF segment, beginning with `Exif` and two zero bytes.

    Returns:
        The new file; None where the file is built in a way not foreseen here.
    """
    if not data.startswith(_START):
        return None
    parts = [_START, _segment(0xE1, exif)]
    at, profile_bytes = 2, 0
    while True:
        marker, body_at = _next_marker(data, at)
        if marker == 0xD9 and len(parts) > 3:
            return b"".join((*parts, _END))
        length = int.from_bytes(data[body_at : body_at + 2], "big")
        end = body_at + length
        if length < 2 or end > len(data):
            return None
        body = data[body_at + 2 : end]
        if marker in _PICTURE:
            parts.append(_segment(marker, body))
        elif marker == _APP2 and body.startswith(b"ICC_PROFILE\0"):
            profile_bytes += len(body)
            parts.append(_segment(marker, body))
        elif marker == _APP14 and body.startswith(b"Adobe") and len(body) >= 12:
            parts.append(_segment(marker, body[:12]))
        elif marker != _COMMENT and marker not in _APPS:
            return None
        if profile_bytes > _LONGEST_PROFILE:
            return None
        at = end
        if marker == _SCAN:
            at = _scan_end(data, end)
            if at < 0:
                return None
            parts.append(data[end:at])


def _segment(marker: int, body: bytes) -> bytes:
    return bytes((0xFF, marker)) + (len(body) + 2).to_bytes(2, "big") + body


def _next_marker(data: bytes, at: int) -> tuple[int, int]:
    """The marker that begins here, fill bytes skipped, and where its length stands; (0, at) where there is none."""
    if data[at : at + 1] != b"\xff":
        return 0, at
    while data[at : at + 1] == b"\xff":
        at += 1
    return (data[at], at + 1) if at < len(data) else (0, at)


def _scan_end(data: bytes, at: int) -> int:
    """Where the coded data of a scan end: the first marker that is neither stuffing nor a restart; -1 for none."""
    while (at := data.find(b"\xff", at)) >= 0 and at + 1 < len(data):
        following = data[at + 1]
        if following == 0xFF:
            at += 1
        elif following == 0 or 0xD0 <= following <= 0xD7:
            at += 2
        else:
            return at
    return -1
