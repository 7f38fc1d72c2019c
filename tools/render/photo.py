"""The way of one scene: pump, look, place, references, cameras, light, pictures, truth. Read `make_scene` first.

Every stage has its own random stream derived from (seed, split, scene number, stage), so that a change in one stage
leaves the others as they were.
"""

import json
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from tools.render import develop as dev
from tools.render import surroundings
from tools.render.build_pump import own_bounds, piping_bounds
from tools.render.cameras import (
    TELE_LENSES_MM,
    Camera,
    Lens,
    View,
    draw_frame,
    draw_lens,
    from_higher,
    hold_camera,
    subject_of,
)
from tools.render.exif import draw_exif
from tools.render.finishes import draw_look
from tools.render.first_hits import FirstHits, first_hits
from tools.render.lights import draw_light
from tools.render.materials import PictureSizes
from tools.render.place_references import (
    REFERENCES,
    PlacedReference,
    Where,
    lay,
    make_reference,
    restings_for,
    surface_points,
)
from tools.render.pump_model import PumpModel, Resting
from tools.render.scene import REFERENCE_LABEL, BuiltScene, build_scene, render_linear
from tools.render.splits import SPLITS, Split, draw
from tools.render.truth import truth_record

Floats = NDArray[np.float64]
STAGES = (
    "pump",
    "look",
    "place",
    "references",
    "cameras",
    "light",
    "surroundings",
    "textures",
    "development",
)
ATTEMPTS = 4
VIEW_WEIGHTS: dict[View, float] = {"chamber": 0.4, "port": 0.25, "front": 0.15, "three_quarter": 0.2}


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


@dataclass(frozen=True, eq=False)
class MadeScene:
    """Everything of a scene that its photos share, and the camera and kind of view of each photo."""

    model: PumpModel
    references: tuple[PlacedReference, ...]
    cameras: tuple[Camera, ...]
    built: BuiltScene
    views: tuple[View, ...]
    kinds: dict[str, str]
    split: Split


def streams(seed: int, split: Split, scene: int, attempt: int = 0) -> dict[str, np.random.Generator]:
    """One random generator per stage of a scene."""
    root = np.random.SeedSequence([seed, SPLITS.index(split), scene, attempt])
    return {name: np.random.default_rng(s) for name, s in zip(STAGES, root.spawn(len(STAGES)), strict=True)}


def make_scene(
    sample: Callable[[np.random.Generator, Split], PumpModel], seed: int, scene: int, split: Split, photos: int,
    quality: Quality, wish: Wish, environments: tuple[Path, ...], watch: Stopwatch,
) -> MadeScene:  # fmt: skip
    """Draw and build one scene; a scene whose cameras do not see its subject is drawn again, a few times at most.

    Args:
        sample: makes a pump from a random generator and a split.
        seed, scene, split: what the scene is derived from.
        photos: number of cameras.
        quality, wish: see there.
        environments: panorama files.
        watch: where the time goes.
    """
    for attempt in range(ATTEMPTS):
        rng = streams(seed, split, scene, attempt)
        made = _draw_scene(sample, rng, split, photos, quality, wish, environments, watch)
        with watch.stage("check"):
            if all(_sees_subject(made, camera) for camera in made.cameras):
                break
    return made


def _sees_subject(made: MadeScene, camera: Camera) -> bool:
    """A glance at a thumbnail: enough pump in the picture, and nothing right before the lens."""
    scale = 120 / max(camera.width_px, camera.height_px)
    small = camera.resized(round(camera.width_px * scale), round(camera.height_px * scale))
    hits = first_hits(made.built.scene, small)
    mask = label_mask(made.built, hits)
    pump = float(((mask > 0) & ((mask & 255) != REFERENCE_LABEL)).mean())
    return pump > 0.06 and float(np.percentile(hits.depth_mm, 3)) > 90.0


def _draw_scene(
    sample: Callable[[np.random.Generator, Split], PumpModel], rng: dict[str, np.random.Generator], split: Split,
    photos: int, quality: Quality, wish: Wish, environments: tuple[Path, ...], watch: Stopwatch,
) -> MadeScene:  # fmt: skip
    """One attempt at a scene: pump, look, place, references, cameras, surroundings, light."""
    with watch.stage("pump"):
        model = sample(rng["pump"], split)
    words = model.attributes
    look = draw_look(
        words.get("wetted_material", "plastic"), split, rng["look"], words.get("body_color", ""), wish.wear
    )  # fmt: skip
    place = surroundings.draw_place(split, rng["place"], wish.place)
    view, instance = _draw_view(model, wish, rng["cameras"])
    with watch.stage("references"):
        references = _lay_references(model, view, instance, wish, split, rng["references"])
    # The references were laid for the first view; the other photos of a scene walk round the pump.
    views = [(view, instance), *(_draw_view(model, wish, rng["cameras"]) for _ in range(photos - 1))]
    cameras = tuple(_draw_camera(model, references, *one, wish, quality, rng["cameras"]) for one in views)
    low, high = own_bounds(model.parts)
    outlines = [r.outline_pump_mm for r in references]
    low = np.min([low, *[o.min(axis=0) for o in outlines]], axis=0)
    high = np.max([high, *[o.max(axis=0) for o in outlines]], axis=0)
    with watch.stage("surroundings"):
        props = surroundings.surround(
            place, list(cameras), low, high, piping_bounds(model.parts), quality.pictures.ground, split,
            rng["surroundings"],
        )
    middle = (low + high) / 2
    light = draw_light(split, environments, place.outdoors, cameras[0], middle, rng["light"], wish.light)
    with watch.stage("build"):
        built = build_scene(model, look, references, props, light, split, quality.pictures, rng["textures"])
    kinds = {
        "wetted": look.wetted_kind, "wear": look.wear_kind, "place": place.kind, "ground": place.ground,
        "wall": place.wall, "light": light.kind,
    }  # fmt: skip
    return MadeScene(model, references, cameras, built, tuple(name for name, _ in views), kinds, split)


def take_photo(
    scene: MadeScene, number: int, seed: int, index: int, quality: Quality, wish: Wish, watch: Stopwatch
) -> tuple[bytes, NDArray[np.uint16], dict[str, Any]]:
    """Render and develop one photo of a scene.

    Args:
        scene: the scene.
        number: which of its cameras.
        seed, index: of the photo.
        quality, wish: as for the scene.
        watch: where the time goes.

    Returns:
        JPEG bytes, the mask at the size of the upright photo, the truth record.
    """
    camera = scene.cameras[number]
    rng = np.random.default_rng([seed, SPLITS.index(scene.split), index, 77])
    how = _draw_development(wish, scene, rng)
    with watch.stage("render"):
        linear = render_linear(scene.built, camera, quality.samples, index, quality.denoise)
    with watch.stage("develop"):
        pixels = dev.develop(dev.distort(linear, camera), camera, how, rng)
        exif, exif_bytes = draw_exif(camera, how, rng)
        jpeg = dev.encode(pixels, how, exif_bytes)
    if how.is_message:
        camera = camera.resized(*dev.message_size(camera.width_px, camera.height_px))
    with watch.stage("truth"):
        hits = first_hits(scene.built.scene, camera)
        mask = label_mask(scene.built, hits)
        record = truth_record(scene.model, scene.references, camera, hits, mask, exif)
    record |= {"view": scene.views[number], "split": scene.split, "seed": seed, "index": index, "kinds": scene.kinds}
    record["development"] = {
        "exposure_ev": round(how.exposure_ev, 3), "noise": round(how.noise, 3), "motion_px": round(how.motion_px, 2),
        "jpeg_quality": how.message_quality or how.jpeg_quality, "message": how.is_message,
    }  # fmt: skip
    return jpeg, mask, record


def label_mask(built: BuiltScene, hits: FirstHits) -> NDArray[np.uint16]:
    """(height, width) label + 256 * instance of each pixel; 0 is background."""
    mask = np.zeros(hits.shape.shape, np.uint16)
    for k, name in enumerate(hits.names):
        if name in built.codes:
            here = hits.shape == k
            mask[here] = built.codes[name][hits.face[here]]
    return mask


def write_photo(
    folder: Path, name: str, jpeg: bytes, mask: NDArray[np.uint16] | None, record: dict[str, Any]
) -> dict[str, Any]:
    """Write photo and mask so that a stopped run leaves no half file; returns the record with file names."""
    mask_name = None if mask is None else f"{name}_mask.png"
    if mask is not None and mask_name:
        _write_whole(folder / mask_name, lambda path: Image.fromarray(mask).save(path, "PNG"))
    _write_whole(folder / f"{name}.jpg", lambda path: path.write_bytes(jpeg))
    return {"photo": f"{name}.jpg", "mask": mask_name, **record}


def _write_whole(path: Path, write: Callable[[Path], Any]) -> None:
    partial = path.with_suffix(path.suffix + ".part")
    write(partial)
    partial.replace(path)


def append_truth(folder: Path, record: dict[str, Any]) -> None:
    """Add one line to truth.jsonl."""
    with (folder / "truth.jsonl").open("a", encoding="utf-8") as file:
        file.write(json.dumps(record, separators=(",", ":")) + "\n")


def _draw_view(model: PumpModel, wish: Wish, rng: np.random.Generator) -> tuple[View, int]:
    views = tuple(VIEW_WEIGHTS)
    view = views[int(rng.choice(len(views), p=list(VIEW_WEIGHTS.values())))]
    instance = int(rng.integers(2))
    return wish.view or view, instance if wish.instance is None else wish.instance


def _draw_development(wish: Wish, scene: MadeScene, rng: np.random.Generator) -> dev.Development:
    long_side = max(scene.cameras[0].width_px, scene.cameras[0].height_px)
    how = dev.draw_development(rng, long_side, dark=scene.kinds["light"] in ("bulb", "flash_in_the_dark"))
    if wish.message is not None:
        quality = (how.message_quality or int(rng.integers(60, 82))) if wish.message else 0
        how = replace(how, message_quality=quality, orientation=1 if wish.message else how.orientation)
    if wish.decent:
        how = replace(
            how, exposure_ev=float(np.clip(how.exposure_ev, -0.3, 0.3)), motion_px=min(how.motion_px, 0.7),
            noise=min(how.noise, 0.5), jpeg_quality=max(82, how.jpeg_quality - 4),
        )  # fmt: skip
    return how


def _draw_camera(
    model: PumpModel, references: tuple[PlacedReference, ...], view: View, instance: int, wish: Wish,
    quality: Quality, rng: np.random.Generator,
) -> Camera:  # fmt: skip
    """Hold a camera; retry with another one when the subject cannot be framed from a real distance."""
    size = wish.size_px or draw_frame(rng, quality.long_side_px)
    subject = subject_of(model, view, instance, rng)
    if any(r.where == "floor" for r in references):
        subject = from_higher(subject, rng)
    wanted = np.concatenate([np.zeros((0, 3)), *[r.outline_pump_mm for r in references if rng.random() < 0.95]])
    lens: Lens = draw_lens(rng, tele=rng.random() < 0.25)
    if wish.lens_mm is not None:
        lens = replace(lens, equivalent_mm=wish.lens_mm * float(np.exp(rng.normal(0, 0.012))))
    camera = hold_camera(subject, wanted, size, lens, rng)
    too_far = np.linalg.norm(camera.position_mm - subject.points_mm.mean(axis=0)) > 2900
    if too_far and lens.equivalent_mm >= min(TELE_LENSES_MM) and wish.lens_mm is None:
        camera = hold_camera(subject, wanted, size, draw_lens(rng, tele=False), rng)
    return camera


def _lay_references(
    model: PumpModel, view: View, instance: int, wish: Wish, split: Split, rng: np.random.Generator
) -> tuple[PlacedReference, ...]:
    """Lay none, one or two references where a user of this view would."""
    names = wish.references
    if names is None:
        count = int(rng.choice([0, 1, 2], p=[0.12, 0.72, 0.16]))
        # References are no held-out kind: the program must know them all.
        names = tuple(draw(REFERENCES, "train", rng) for _ in range(count))
    cloud = surface_points(model, rng)
    placed: list[PlacedReference] = []
    for number, name in enumerate(names):
        thing = make_reference(name, rng, flat=wish.flat)
        first = wish.card_at if number == 0 else None
        for where in _where_order(view, first, rng):
            if where != "floor" and first is None and max(thing.size_mm) > 0.55 * _chamber_mm(model):
                continue
            spots: list[Resting] = restings_for(model, (where,), instance)
            if where == "floor" and not spots:
                spots = [_beside(model, view, instance, rng)]
            laid = next((p for p in (lay(thing, spot, cloud, rng) for spot in spots[:4]) if p is not None), None)
            if laid is not None:
                placed.append(laid)
                cloud = np.concatenate([cloud, *[laid.to_pump(piece.mesh.positions) for piece in thing.pieces]])
                break
    return tuple(placed)


def _chamber_mm(model: PumpModel) -> float:
    return max((c.diameter_mm for c in model.circles if c.name == "chamber_diameter"), default=300.0)


def _where_order(view: View, first: Where | None, rng: np.random.Generator) -> list[Where]:
    """Places to try, the likeliest of the view first."""
    weights: dict[View, tuple[float, float, float, float]] = {
        "chamber": (0.55, 0.28, 0.09, 0.08),
        "port": (0.16, 0.1, 0.66, 0.08),
        "front": (0.2, 0.2, 0.15, 0.45),
        "three_quarter": (0.3, 0.25, 0.15, 0.3),
    }
    places: tuple[Where, ...] = ("rim", "cover", "flange", "floor")
    order = [places[int(k)] for k in rng.choice(4, 4, replace=False, p=weights[view])]
    return [first, *[p for p in order if p != first]] if first else order


def _beside(model: PumpModel, view: View, instance: int, rng: np.random.Generator) -> Resting:
    """A spot on the ground between the pump and the observer."""
    toward = subject_of(model, view, instance, rng).toward
    flat = np.array([toward[0], toward[1], 0.0]) + rng.normal(0, 0.25, 3) * [1, 1, 0]
    flat /= np.linalg.norm(flat)
    low, high = own_bounds(model.parts)
    middle, half = (low + high) / 2, (high - low) / 2
    reach = float(np.abs(flat[:2]) @ half[:2])
    center = np.array([middle[0], middle[1], 0.0]) + flat * (reach + rng.uniform(60, 160))
    return Resting("floor", 0, center, np.array([0.0, 0.0, 1.0]), -flat, 120.0)
