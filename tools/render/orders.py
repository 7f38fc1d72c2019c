"""What a caller may fix of a scene, how much work a photo gets, and where the time goes."""

import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

from tools.render.cameras import View
from tools.render.materials import PictureSizes
from tools.render.place_references import Where


@dataclass(frozen=True)
class Wish:
    """What a caller fixes of a scene; None means drawn at random.

    Attributes:
        view: kind of view; instance: which chamber or port it shows.
        references: names as `make_reference` takes them, empty for none.
        card_at: where the first reference is laid; flat: references are not bent.
        wear: how the pump has aged; place, light: kinds.
        lens_mm: 35 mm-equivalent focal length.
        size_px: upright width and height, instead of `Quality.long_side_px` with a drawn aspect.
        message: sent through a messaging app or not.
        decent: keep exposure, shake and noise of the good kind (demo photos).
        most_bytes: of the photo's file; its JPEG quality is lowered until it fits, but not below 60.
    """

    view: View | None = None
    instance: int | None = None
    references: tuple[str, ...] | None = None
    card_at: Where | None = None
    flat: bool = False
    wear: str | None = None
    place: str | None = None
    light: str | None = None
    lens_mm: float | None = None
    size_px: tuple[int, int] | None = None
    message: bool | None = None
    decent: bool = False
    most_bytes: int | None = None


@dataclass(frozen=True)
class Quality:
    """How much work a photo gets.

    Attributes:
        long_side_px: of the photo.
        samples: per pixel.
        denoise: run the denoiser that is there.
        pictures: sizes of texture pictures; see `for_size`.
    """

    long_side_px: int
    samples: int
    denoise: bool
    pictures: PictureSizes

    @staticmethod
    def for_size(long_side_px: int, samples: int, denoise: bool) -> "Quality":
        """Pictures about as fine as the photo, in steps, so that runs of many sizes share GPU kernels."""
        if long_side_px <= 256:
            return Quality(long_side_px, samples, denoise, PictureSizes(256, 256, 256))
        if long_side_px <= 1024:
            return Quality(long_side_px, samples, denoise, PictureSizes(768, 512, 768))
        if long_side_px <= 2048:
            return Quality(long_side_px, samples, denoise, PictureSizes(1536, 768, 1536))
        return Quality(long_side_px, samples, denoise, PictureSizes(3072, 1024, 2048))


@dataclass
class Stopwatch:
    """Seconds spent per stage, for `--profile`."""

    seconds: dict[str, float] = field(default_factory=dict)

    @contextmanager
    def stage(self, name: str) -> Iterator[None]:
        """Time a block."""
        start = time.perf_counter()
        try:
            yield
        finally:
            self.seconds[name] = self.seconds.get(name, 0.0) + time.perf_counter() - start
