"""From the bytes of a picture file to upright 8-bit sRGB rows, with Pillow, inside the decoder process.

The order is: size limit, decode, note what was odd, turn upright once, then row by row strips are brought
to sRGB. Strips keep memory low and let the reader receive the first rows while later ones are still being
converted.

Runs in the decoder process, so it imports Pillow and the standard library only (not even numpy: 80 ms).
"""

import io
import re
import warnings
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Literal

from PIL import (
    Image,
    ImageCms,
    JpegImagePlugin,
    PngImagePlugin,
    TiffImagePlugin,
    UnidentifiedImageError,
    WebPImagePlugin,
)

from features.decode_heif import has_transform_box
from features.decode_tags import TAG_ORIENTATION, CameraFacts, read_camera_facts

_PLUGINS = (JpegImagePlugin, PngImagePlugin, TiffImagePlugin, WebPImagePlugin)
"""Imported so that the decoders are registered before the first photo (TIFF reads EXIF; no TIFF file is
opened)."""

PictureFormat = Literal["JPEG", "PNG", "WEBP", "HEIF"]
RefusalCode = Literal["damaged", "too_many_pixels", "too_small", "out_of_memory", "heic_unavailable"]
NoteCode = Literal["exif_damaged", "orientation_ignored", "first_frame", "profile_ignored", "transparency", "cmyk"]

_STRIP_PIXELS = 1 << 19
_THREADS = 2
_SAME_COLOR_LEVELS = 2
"""A profile that moves no color by more than this is sRGB under another name; converting it would only cost
time."""

_UPRIGHT = {
    2: Image.Transpose.FLIP_LEFT_RIGHT,
    3: Image.Transpose.ROTATE_180,
    4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE,
    6: Image.Transpose.ROTATE_270,
    7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_90,
}
"""What makes a picture of EXIF orientation n upright."""


class RefusedPictureError(Exception):
    """The picture cannot be used; `code` and `detail` go to the caller."""

    def __init__(self, code: RefusalCode, detail: str = "") -> None:
        super().__init__(code, detail)
        self.code = code
        self.detail = detail


@dataclass(frozen=True, eq=False)
class DecodedPicture:
    """A decoded picture whose rows can be asked for.

    Attributes:
        image: upright, in its own color mode.
        to_rgb: makes sRGB of a strip of `image`.
        stored_width_px, stored_height_px: size in the file, before it was turned upright.
        facts: the camera's geometry.
        notes: what was odd, code and particulars.
    """

    image: Image.Image
    to_rgb: Callable[[Image.Image], Image.Image]
    stored_width_px: int
    stored_height_px: int
    facts: CameraFacts
    notes: tuple[tuple[NoteCode, str], ...]

    def rows_rgb(self) -> Iterator[bytes]:
        """Packed 8-bit RGB rows from top to bottom, in strips, converted two at a time."""
        width, height = self.image.size
        step = max(1, _STRIP_PIXELS // width)
        tops = range(0, height, step)

        def convert(top: int) -> bytes:
            strip = self.image.crop((0, top, width, min(top + step, height)))
            return self.to_rgb(strip).tobytes()

        with ThreadPoolExecutor(_THREADS) as threads:
            waiting = [threads.submit(convert, top) for top in tops[:_THREADS]]
            for number in range(len(tops)):
                rows = waiting.pop(0).result()
                if number + _THREADS < len(tops):
                    waiting.append(threads.submit(convert, tops[number + _THREADS]))
                yield rows


def decode_picture(data: bytes, picture_format: PictureFormat, *, max_pixels: int, min_side_px: int) -> DecodedPicture:
    """Decode the first frame of a picture.

    Raises:
        RefusedPictureError: the picture is damaged, too large, too small, or its decoder is missing.
    """
    Image.MAX_IMAGE_PIXELS = max_pixels
    with warnings.catch_warnings(record=True) as warned:
        warnings.simplefilter("always")
        warnings.simplefilter("error", Image.DecompressionBombWarning)
        try:
            image = _open(data, picture_format)
            stored_width, stored_height = image.size
            _check_size(stored_width, stored_height, max_pixels, min_side_px)
            image.load()
            return _describe(image, data, picture_format, (stored_width, stored_height), warned)
        except RefusedPictureError:
            raise
        except (Image.DecompressionBombWarning, Image.DecompressionBombError) as bomb:
            raise RefusedPictureError("too_many_pixels", _bomb_size(bomb)) from bomb
        except MemoryError as error:
            raise RefusedPictureError("out_of_memory") from error
        except Exception as error:  # hostile input may raise anything from a decoder written in Python
            raise RefusedPictureError("damaged", _reason(error)) from error


def _open(data: bytes, picture_format: PictureFormat) -> Image.Image:
    if picture_format == "HEIF":
        try:
            import pillow_heif
        except ImportError as error:
            raise RefusedPictureError("heic_unavailable") from error
        pillow_heif.register_heif_opener(
            thumbnails=False, depth_images=False, aux_images=False, decode_threads=_THREADS
        )
    return Image.open(io.BytesIO(data), formats=[picture_format])


def _check_size(width: int, height: int, max_pixels: int, min_side_px: int) -> None:
    if width * height > max_pixels:
        raise RefusedPictureError("too_many_pixels", f"{width} x {height} pixels")
    if min(width, height) < min_side_px:
        raise RefusedPictureError("too_small", f"{width} x {height} pixels")


def _describe(
    image: Image.Image,
    data: bytes,
    picture_format: PictureFormat,
    stored_size: tuple[int, int],
    warned: list[warnings.WarningMessage],
) -> DecodedPicture:
    notes: list[tuple[NoteCode, str]] = []
    frames = getattr(image, "n_frames", 1)
    if frames > 1 and image.format != "MPO":  # further pictures of an MPO: previews and gain maps
        notes.append(("first_frame", f"{frames} pictures in the file"))
    facts, orientation = _read_exif(image, data, picture_format, notes)
    if any("exif" in str(w.message).lower() or "tiff" in str(w.message).lower() for w in warned):
        notes.append(("exif_damaged", ""))
    to_rgb = _color_converter(image, notes)
    upright = image.transpose(_UPRIGHT[orientation]) if orientation in _UPRIGHT else image
    return DecodedPicture(upright, to_rgb, *stored_size, facts, tuple(dict(notes).items()))


def _read_exif(
    image: Image.Image, data: bytes, picture_format: PictureFormat, notes: list[tuple[NoteCode, str]]
) -> tuple[CameraFacts, int]:
    """The camera's geometry, and the orientation (1 to 8) that is still to be applied."""
    try:
        if raw := image.info.get("exif"):
            Image.Exif().load(raw)  # Pillow has swallowed an error here once already, while opening
        exif = image.getexif()
        facts = read_camera_facts(exif)
        tag = exif.get(TAG_ORIENTATION)
    except Exception:  # metadata is nobody's promise: a photo is not refused for it
        notes.append(("exif_damaged", ""))
        return CameraFacts(), 1
    if picture_format == "HEIF":
        # The decoder has already obeyed the file's rotation and mirror boxes, which are what counts
        # (ISO/IEC 23008-12 makes them part of the picture, EXIF only a remark). Some phones write no such box
        # and mean the EXIF tag. Applying both would turn the picture twice.
        tag = None if has_transform_box(data) else image.info.get("original_orientation")
    if tag is None:
        return facts, 1
    if isinstance(tag, int) and 1 <= tag <= 8:
        return facts, tag
    notes.append(("orientation_ignored", f"orientation {str(tag)[:20]}"))
    return facts, 1


def _color_converter(image: Image.Image, notes: list[tuple[NoteCode, str]]) -> Callable[[Image.Image], Image.Image]:
    """A function that makes 8-bit sRGB of any strip of this image."""
    transparent = image.has_transparency_data and not image.mode.startswith("I")
    if transparent:
        notes.append(("transparency", ""))
    profile_mode = _profile_mode(image)
    apply_profile = _profile_converter(image, profile_mode, notes)
    if profile_mode == "CMYK" and apply_profile is None:
        notes.append(("cmyk", ""))

    def to_rgb(strip: Image.Image) -> Image.Image:
        # A palette strip keeps its transparent entries only through RGBA.
        alpha = strip.convert("RGBA").getchannel("A") if transparent else None
        base = _to_8_bit(strip, profile_mode)
        rgb = apply_profile(base) if apply_profile else base.convert("RGB")
        if alpha is None:
            return rgb
        white = Image.new("RGB", rgb.size, (255, 255, 255))
        white.paste(rgb, mask=alpha)
        return white

    return to_rgb


def _profile_mode(image: Image.Image) -> Literal["L", "RGB", "CMYK"]:
    """The mode in which the file's color profile applies."""
    if image.mode == "CMYK":
        return "CMYK"
    return "L" if image.mode in ("1", "L", "LA") or image.mode.startswith("I") else "RGB"


def _to_8_bit(strip: Image.Image, mode: Literal["L", "RGB", "CMYK"]) -> Image.Image:
    if strip.mode == mode:
        return strip
    if strip.mode.startswith("I;16"):
        # Pillow's own conversion clips at 255 instead of scaling; this reads the high byte of each sample,
        # which is what Pillow does with 16-bit color.
        raw = strip.tobytes("raw", strip.mode)
        return Image.frombytes("L", strip.size, raw, "raw", "L;16B" if strip.mode == "I;16B" else "L;16")
    return strip.convert(mode)


def _profile_converter(
    image: Image.Image, mode: Literal["L", "RGB", "CMYK"], notes: list[tuple[NoteCode, str]]
) -> Callable[[Image.Image], Image.Image] | None:
    """How to bring strips of `mode` to sRGB by the embedded ICC profile; None if there is none or no need."""
    embedded = image.info.get("icc_profile")
    if not embedded:
        return None
    try:
        profile = ImageCms.ImageCmsProfile(io.BytesIO(embedded))
        # No cache: one transform serves two threads.
        transform = ImageCms.buildTransform(
            profile, ImageCms.createProfile("sRGB"), mode, "RGB", flags=ImageCms.Flags.NOCACHE
        )
        if mode == "RGB" and _changes_nothing(transform):
            return None
    except (ImageCms.PyCMSError, OSError, ValueError, TypeError):
        notes.append(("profile_ignored", ""))
        return None
    return lambda strip: _applied(transform, strip)


def _applied(transform: ImageCms.ImageCmsTransform, strip: Image.Image) -> Image.Image:
    result = ImageCms.applyTransform(strip, transform)
    assert result is not None  # only the in-place form returns nothing
    return result


def _changes_nothing(transform: ImageCms.ImageCmsTransform) -> bool:
    levels = range(0, 256, 17)
    cube = bytes(channel for r in levels for g in levels for b in levels for channel in (r, g, b))
    probe = Image.frombytes("RGB", (len(cube) // 3, 1), cube)
    moved = _applied(transform, probe).tobytes()
    return all(abs(a - b) <= _SAME_COLOR_LEVELS for a, b in zip(cube, moved, strict=True))


def _bomb_size(bomb: Warning | Exception) -> str:
    found = re.search(r"\((\d+) pixels\)", str(bomb))
    return f"{int(found.group(1)) / 1e6:.0f} megapixels" if found else ""


def _reason(error: Exception) -> str:
    text = str(error)
    if "truncated" in text.lower() or isinstance(error, EOFError):
        return "the file ends before the picture does"
    if isinstance(error, UnidentifiedImageError):
        return "its header makes no sense"
    return text[:120]
