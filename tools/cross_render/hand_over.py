"""Draws pumps, references and cameras as `tools.render` does, keeps their truth, and hands the scenes over.

The surroundings, surfaces, lamps and development of `tools.render` are left out: the other renderer has its own.
"""

import pickle
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import mitsuba as mi
import numpy as np
from numpy.typing import NDArray

from tools.cross_render.scene_file import HandedCamera, HandedPart, HandedPicture, HandedScene, PlainFinish, write_scene
from tools.render.cameras import Camera
from tools.render.develop import Development, draw_development, message_size
from tools.render.exif import draw_exif
from tools.render.finishes import PumpLook
from tools.render.first_hits import first_hits, pinhole
from tools.render.lights import Light
from tools.render.materials import PictureSizes
from tools.render.mesh_shading import ShadedMesh
from tools.render.orders import Quality, Stopwatch, Wish
from tools.render.photo import MadeScene, label_mask, make_scene
from tools.render.place_references import PlacedReference
from tools.render.pump_model import PumpModel
from tools.render.run import pump_source
from tools.render.scene import LABELS, REFERENCE_LABEL, BuiltScene, mask_value, to_mitsuba
from tools.render.splits import Split
from tools.render.surroundings import Prop
from tools.render.truth import truth_record

CARD_TEXELS = 1536
SPLIT: Split = "test"


@dataclass(frozen=True, eq=False)
class UntakenPhoto:
    """What a photo needs once its light is there: camera and handling, EXIF bytes, and the truth.

    Attributes:
        camera: that takes it; how: its handling as far as the file goes (message copy, JPEG quality).
        exif: bytes; mask: of the photo as kept; record: its line of truth.
    """

    camera: Camera
    how: Development
    exif: bytes
    mask: NDArray[np.uint16]
    record: dict[str, Any]


def hand_over(
    out: Path, scenes: range, photos_per_scene: int, seed: int, wish: Wish, family_set: str, long_side_px: int
) -> None:
    """Write `NAME.npz` (for the other renderer) and `NAME.untaken` (for `develop`) of every photo of some scenes.

    Args:
        out: folder; scenes: their numbers; photos_per_scene: cameras of each.
        seed, wish, family_set: as `tools.render` takes them.
        long_side_px: of the photos.
    """
    quality = Quality(long_side_px, 1, False, PictureSizes(64, 64, CARD_TEXELS))
    out.mkdir(parents=True, exist_ok=True)
    source = pump_source(family_set)
    for scene in scenes:
        made = make_scene(source, seed, scene, SPLIT, photos_per_scene, quality, wish, (), Stopwatch(), bare_scene)
        for number, camera in enumerate(made.cameras):
            index = scene * photos_per_scene + number
            name = f"{SPLIT}_{seed}_{index:06d}"
            untaken = _untaken(made, number, seed, index)
            (out / f"{name}.untaken").write_bytes(pickle.dumps(untaken))
            write_scene(out / f"{name}.npz", _handed(made, camera, (seed, scene)))


def bare_scene(
    model: PumpModel, look: PumpLook, references: Sequence[PlacedReference], props: Sequence[Prop], light: Light,
    split: Split, sizes: PictureSizes, rng: np.random.Generator,
) -> BuiltScene:  # fmt: skip
    """Pump and references in gray, alone: enough to tell what each pixel sees first. Arguments as `build_scene`'s."""
    gray = mi.load_dict({"type": "diffuse"})
    scene: dict[str, Any] = {"type": "scene", "sky": {"type": "constant"}}
    codes: dict[str, NDArray[np.uint16]] = {}
    for k, part in enumerate(model.parts):
        vertices, faces = np.asarray(part.mesh.vertices, np.float64), np.asarray(part.mesh.faces, np.int64)
        up, uvs = np.tile([0.0, 0.0, 1.0], (len(vertices), 1)), np.zeros((len(vertices), 2))
        scene[f"pump_{k}"] = to_mitsuba(f"pump_{k}", ShadedMesh(vertices, up, uvs, faces), gray)
        codes[f"pump_{k}"] = np.full(len(faces), mask_value(LABELS.index(part.label) + 1, part.instance), np.uint16)
    for number, placed in enumerate(references):
        for k, piece in enumerate(placed.thing.pieces):
            name = f"reference_{number}_{k}"
            scene[name] = to_mitsuba(name, piece.mesh.moved(placed.rotation, placed.origin_mm), gray)
            if piece.is_reference:
                codes[name] = np.full(len(piece.mesh.faces), mask_value(REFERENCE_LABEL, number), np.uint16)
    return BuiltScene(mi.load_dict(scene), codes)


def _untaken(made: MadeScene, number: int, seed: int, index: int) -> UntakenPhoto:
    camera = made.cameras[number]
    rng = np.random.default_rng([seed, index])
    how = draw_development(rng, max(camera.width_px, camera.height_px))
    exif, exif_bytes = draw_exif(camera, how, rng)
    kept = camera.resized(*message_size(camera.width_px, camera.height_px)) if how.is_message else camera
    hits = first_hits(made.built.scene, kept)
    mask = label_mask(made.built, hits)
    record = truth_record(made.model, made.references, kept, hits, mask, exif)
    record |= {"view": made.views[number], "split": made.split, "seed": seed, "index": index, "kinds": made.kinds}
    return UntakenPhoto(camera, how, exif_bytes, mask, record)


def _handed(made: MadeScene, camera: Camera, seed: tuple[int, ...]) -> HandedScene:
    parts = tuple(
        HandedPart(np.asarray(p.mesh.vertices, np.float32), np.asarray(p.mesh.faces, np.int32), p.material)
        for p in made.model.parts
    )
    finishes: dict[str, PlainFinish] = {
        slot: PlainFinish(finish.color, finish.roughness, float(finish.metallic > 0.5))
        for slot, finish in made.look.finishes.items()
    }
    pictures = []
    for placed in made.references:
        for piece in placed.thing.pieces:
            mesh, surface = piece.mesh.moved(placed.rotation, placed.origin_mm), piece.surface
            color = np.asarray(surface.color, np.float32)
            pictures.append(
                HandedPicture(
                    mesh.positions.astype(np.float32), mesh.faces.astype(np.int32), mesh.uvs.astype(np.float32),
                    color, float(surface.roughness), float(surface.metallic),
                )
            )  # fmt: skip
    width, height, focal_px = pinhole(camera)
    handed = HandedCamera(
        width, height, focal_px, camera.rotation, camera.position_mm, camera.lens.aperture_radius_mm, camera.focus_mm
    )
    return HandedScene(parts, finishes, tuple(pictures), handed, seed)
