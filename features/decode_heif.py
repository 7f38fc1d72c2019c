"""Whether a HEIC file rotates or mirrors its picture itself, read from its boxes (ISO/IEC 14496-12).

Runs in the decoder process, so it imports the standard library only.
"""

from collections.abc import Iterator

_TRANSFORMS = (b"irot", b"imir")


def has_transform_box(data: bytes) -> bool:
    """True if the picture's properties (meta > iprp > ipco) hold a rotation or mirror box.

    Such a box also settles the matter when it says "not rotated": the writer has thought of it.
    """
    for start, end in _children(data, 0, len(data), b"meta"):
        after_version = start + 4  # meta is a full box: version and flags come before its children
        for iprp in _children(data, after_version, end, b"iprp"):
            for ipco in _children(data, *iprp, b"ipco"):
                return any(kind in _TRANSFORMS for kind, _, _ in _boxes(data, *ipco))
    return False


def _children(data: bytes, start: int, end: int, wanted: bytes) -> Iterator[tuple[int, int]]:
    return ((body, stop) for kind, body, stop in _boxes(data, start, end) if kind == wanted)


def _boxes(data: bytes, start: int, end: int) -> Iterator[tuple[bytes, int, int]]:
    """Type, start of body and end of the boxes between two offsets, up to the first that makes no sense."""
    while start + 8 <= end:
        size = int.from_bytes(data[start : start + 4], "big")
        header = 8
        if size == 1:
            size = int.from_bytes(data[start + 8 : start + 16], "big")
            header = 16
        elif size == 0:
            size = end - start
        if size < header or start + size > end:
            return
        yield data[start + 4 : start + 8], start + header, start + size
        start += size
