"""The way of one scene: pump, look, place, references, cameras, light, pictures, truth. Read `make_scene` first.

Every stage has its own random stream derived from (seed, split, scene number, stage), so that a change in one stage
leaves the others as they were.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

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
from tools.render.finishes import PumpLook, draw_look
from tools.render.first_hits import FirstHits, first_hits
from tools.render.lay_references import lay_references
from tools.render.lights import draw_light
from tools.render.orders import Quality, Stopwatch, Wish
from tools.render.place_references import (
    PlacedReference,
)
from tools.render.pump_model import PumpModel
from tools.render.scene import REFERENCE_LABEL, BuiltScene, build_scene, render_linear
from tools.render.splits import SPLITS, Split
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
OF_THE_PUMP = ("pump", "look")
ATTEMPTS = 4
LEAST_QUALITY = 60
VIEW_WEIGHTS: dict[View, float] = {"chamber": 0.4, "port": 0.25, "front": 0.15, "three_quarter": 0.2}


@dataclass(frozen=True, eq=False)
class MadeScene:
    """Everything of a scene that its photos share, and the camera and kind of view of each photo."""

    model: PumpModel
    look: PumpLook
    references: tuple[PlacedReference, ...]
    cameras: tuple[Camera, ...]
    built: BuiltScene
    views: tuple[View, ...]
    kinds: dict[str, str]
    split: Split


def streams(seed: int, split: Split, scene: int, attempt: int = 0) -> dict[str, np.random.Generator]:
    """One random generator per stage of a scene."""
    first, now = (
        np.random.SeedSequence([seed, SPLITS.index(split), scene, number]).spawn(len(STAGES)) for number in (0, attempt)
    )
    # Another attempt is another photo of the same pump, so that runs with other views of one seed show the same pumps.
    chosen = (a if name in OF_THE_PUMP else b for name, a, b in zip(STAGES, first, now, strict=True))
    return {name: np.random.default_rng(source) for name, source in zip(STAGES, chosen, strict=True)}


def make_scene(
    sample: Callable[[np.random.Generator, Split], PumpModel], seed: int, scene: int, split: Split, photos: int,
    quality: Quality, wish: Wish, environments: tuple[Path, ...], watch: Stopwatch,
    build: Callable[..., BuiltScene] = build_scene,
) -> MadeScene:  # fmt: skip
    """Draw and build one scene; a scene whose cameras do not see its subject is drawn again, a few times at most.

    Args:
        sample: makes a pump from a random generator and a split.
        seed, scene, split: what the scene is derived from.
        photos: number of cameras.
        quality, wish: see there.
        environments: panorama files.
        watch: where the time goes.
        build: puts the scene together; takes what `build_scene` takes.
    """
    for attempt in range(ATTEMPTS):
        rng = streams(seed, split, scene, attempt)
        made = _draw_scene(sample, rng, split, photos, quality, wish, environments, watch, build)
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
    build: Callable[..., BuiltScene],
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
        references = lay_references(model, view, instance, wish, split, rng["references"])
    # The references were laid for the first view; the other photos of a scene walk round the pump.
    views = [(view, instance), *(_draw_view(model, wish, rng["cameras"]) for _ in range(photos - 1))]
    cameras = tuple(_draw_camera(model, references, *one, wish, quality, rng["cameras"]) for one in views)
    low, high = own_bounds(model.parts)
    outlines = [r.outline_pump_mm for r in references]
    low = np.min([low, *[o.min(axis=0) for o in outlines]], axis=0)
    high = np.max([high, *[o.max(axis=0) for o in outlines]], axis=0)
    with watch.stage("surroundings"):
        props = surroundings.surround(
            place,
            list(cameras),
            low,
            high,
            piping_bounds(model.parts),
            quality.pictures.ground,
            split,
            rng["surroundings"],
        )
    middle = (low + high) / 2
    light = draw_light(split, environments, place.outdoors, cameras[0], middle, rng["light"], wish.light)
    with watch.stage("build"):
        built = build(model, look, references, props, light, split, quality.pictures, rng["textures"])
    kinds = {
        "wetted": look.wetted_kind, "wear": look.wear_kind, "place": place.kind, "ground": place.ground,
        "wall": place.wall, "light": light.kind,
    }  # fmt: skip
    return MadeScene(model, look, references, cameras, built, tuple(name for name, _ in views), kinds, split)


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
        while wish.most_bytes and len(jpeg) > wish.most_bytes and how.kept_quality > LEAST_QUALITY:
            how = how.with_quality(how.kept_quality - 3)
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
        "jpeg_quality": how.kept_quality, "message": how.is_message,
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
