"""Puts pump, references, surroundings and light together as one Mitsuba scene, and renders cameras in it."""

import ctypes
import importlib
import importlib.util
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, get_args

import mitsuba as mi
import numpy as np
from numpy.typing import NDArray

from tools.render import materials
from tools.render.atlas import unwrap
from tools.render.cameras import Camera
from tools.render.finishes import PumpLook
from tools.render.first_hits import photo_sensor
from tools.render.lights import Lamp, Light
from tools.render.materials import PictureSizes, Surface, picture_class
from tools.render.mesh_shading import ShadedMesh, flat_grid, join
from tools.render.place_references import PlacedReference
from tools.render.pump_model import PartLabel, PumpModel
from tools.render.splits import Split
from tools.render.surroundings import Prop
from tools.render.weathering import paint

LABELS: tuple[str, ...] = get_args(PartLabel)
"""Mask value of a part is 1 + its place here; 0 is everything that is not the pump or a reference."""
REFERENCE_LABEL = LABELS.index("scale_reference") + 1
PATH_DEPTH = 6
PATHS_AT_ONCE = 2**26
"""Light paths that a GPU follows at once: all those of a photo as large as phones take do not fit its memory."""
SEEDS_APART = 1_000_003
"""Between the seeds of two passes over one photo: photos of one run differ by less."""
SHAPES = 24
SURFACES = {"small": 16, "card": 2, "ground": 4}
"""Meshes, and plain surfaces of each class, that every scene is filled up to (see `_fill_up`)."""


@dataclass(frozen=True, eq=False)
class BuiltScene:
    """A Mitsuba scene and what its shapes are.

    Attributes:
        scene: the Mitsuba object.
        codes: shape id -> (faces,) mask value of each of its triangles; shapes not listed are background.
    """

    scene: Any
    codes: dict[str, NDArray[np.uint16]]


def mask_value(label: int, instance: int) -> int:
    """How a mask stores a label and an instance."""
    return label + 256 * instance


def build_scene(
    model: PumpModel, look: PumpLook, references: Sequence[PlacedReference], props: Sequence[Prop], light: Light,
    split: Split, sizes: PictureSizes, rng: np.random.Generator,
) -> BuiltScene:  # fmt: skip
    """Assemble a scene.

    Args:
        model: the pump; look: its surfaces.
        references: scale references, already placed.
        props: surroundings; light: lamps and sky.
        split: whose textures may be used.
        sizes: of all pictures.
        rng: random source.
    """
    scene: dict[str, Any] = {"type": "scene", "sky": light.sky}
    for number, lamp in enumerate(light.lamps):
        scene[f"lamp_{number}"] = _lamp(f"lamp_{number}", lamp)
    surfaces = _Surfaces(sizes)
    codes: dict[str, NDArray[np.uint16]] = {}
    _add_pump(scene, codes, model, look, split, sizes.pump, rng)
    for number, placed in enumerate(references):
        for k, piece in enumerate(placed.thing.pieces):
            name = f"reference_{number}_{k}"
            bsdf = surfaces.plain(piece.surface)
            scene[name] = to_mitsuba(name, piece.mesh.moved(placed.rotation, placed.origin_mm), bsdf)
            if piece.is_reference:
                codes[name] = np.full(len(piece.mesh.faces), mask_value(REFERENCE_LABEL, number), np.uint16)
    by_surface: dict[int, list[Prop]] = {}
    for prop in props:
        by_surface.setdefault(id(prop.surface), []).append(prop)
    for number, same in enumerate(by_surface.values()):
        bsdf = surfaces.plain(same[0].surface)
        scene[f"prop_{number}"] = to_mitsuba(f"prop_{number}", join([prop.mesh for prop in same]), bsdf)
    _fill_up(scene, surfaces)
    return BuiltScene(mi.load_dict(scene), codes)


class _Surfaces:
    """Makes plain surfaces and counts them by class of picture."""

    def __init__(self, sizes: PictureSizes) -> None:
        self.sizes = sizes
        self.counts = dict.fromkeys(SURFACES, 0)

    def plain(self, surface: Surface) -> Any:
        self.counts[picture_class(surface)] += 1
        return mi.load_dict(materials.plain_surface(surface, self.sizes))


def _fill_up(scene: dict[str, Any], surfaces: _Surfaces) -> None:
    """Add invisible specks until every scene has the same number of shapes and surfaces of each class.

    The number of instances of each plugin is part of a GPU kernel; with equal numbers all scenes share one kernel,
    and nothing needs to be compiled after the first.
    """
    blank = {
        "small": Surface(np.full((4, 4, 3), 0.2, np.float32), 0.5),
        "card": Surface(np.full((surfaces.sizes.card, surfaces.sizes.card, 3), 0.2, np.float32), 0.5),
        "ground": Surface(np.full((4, 4, 3), 0.2, np.float32), 0.5, 0.0, np.zeros((4, 4), np.float32)),
    }
    missing = [name for name, wanted in SURFACES.items() for _ in range(wanted - surfaces.counts[name])]
    shapes = sum(1 for name in scene if name == "pump" or name.startswith(("reference_", "prop_")))
    bsdfs = [surfaces.plain(blank[name]) for name in missing]
    speck = flat_grid(0.01, 0.01, 1, 1)
    for number in range(max(len(bsdfs), SHAPES - shapes)):
        mesh = speck.moved(np.eye(3), np.array([number * 0.02, 0.0, -30_000.0]))
        bsdf = bsdfs[min(number, len(bsdfs) - 1)] if bsdfs else surfaces.plain(blank["small"])
        scene[f"speck_{number}"] = to_mitsuba(f"speck_{number}", mesh, bsdf)


def _add_pump(
    scene: dict[str, Any], codes: dict[str, NDArray[np.uint16]], model: PumpModel, look: PumpLook, split: Split,
    texture_px: int, rng: np.random.Generator,
) -> None:  # fmt: skip
    """The whole pump as one shape with one painted surface; labels are kept per triangle."""
    atlas = unwrap([part.mesh for part in model.parts], texture_px)
    painted = paint(atlas, [part.material for part in model.parts], look, split, rng)
    scene["pump"] = to_mitsuba("pump", atlas.mesh, mi.load_dict(materials.pump_surface(painted)))
    values = [mask_value(LABELS.index(part.label) + 1, part.instance) for part in model.parts]
    codes["pump"] = np.array(values, np.uint16)[atlas.part_of_face]


def to_mitsuba(name: str, mesh: ShadedMesh, bsdf: Any) -> Any:
    """A Mitsuba mesh object."""
    properties = mi.Properties()
    properties["mesh_bsdf"] = bsdf
    shape = mi.Mesh(
        name,
        len(mesh.positions),
        len(mesh.faces),
        props=properties,
        has_vertex_normals=True,
        has_vertex_texcoords=True,
    )
    _fill_buffers(shape, {
        "vertex_positions": mesh.positions, "faces": mesh.faces, "vertex_normals": mesh.normals,
        "vertex_texcoords": mesh.uvs,
    })  # fmt: skip
    return shape


def _fill_buffers(shape: Any, values: dict[str, NDArray[Any]]) -> None:
    """Write arrays into the buffers of a Mitsuba mesh."""
    parameters = mi.traverse(shape)
    for name, value in values.items():
        kind = np.uint32 if name == "faces" else np.float32
        parameters[name] = type(parameters[name])(np.ascontiguousarray(value.ravel(), kind))
    parameters.update()


def _lamp(name: str, lamp: Lamp) -> Any:
    """A lamp as a mesh: unlike a rectangle, a mesh keeps its place out of the GPU kernel."""
    properties = mi.Properties()
    properties["mesh_bsdf"] = mi.load_dict({"type": "diffuse", "reflectance": {"type": "rgb", "value": 0.6}})
    radiance = {"type": "rgb", "value": [float(c) for c in lamp.radiance]}
    properties["mesh_emitter"] = mi.load_dict({"type": "area", "radiance": radiance})
    shape = mi.Mesh(name, 4, 2, props=properties, has_vertex_normals=False, has_vertex_texcoords=False)
    _fill_buffers(shape, {"vertex_positions": lamp.corners_mm, "faces": np.array([0, 1, 2, 0, 2, 3])})
    return shape


def render_linear(built: BuiltScene, camera: Camera, samples: int, seed: int, denoise: bool) -> NDArray[np.float32]:
    """Linear light of the pinhole picture (see `first_hits.pinhole`), (H, W, 3).

    Args:
        built: the scene.
        camera: the camera.
        samples: per pixel.
        seed: of the sampler.
        denoise: use the denoiser that the variant offers, if any.
    """
    sensor = photo_sensor(camera, samples)
    path = mi.load_dict({"type": "path", "max_depth": PATH_DEPTH})
    color = _no_fireflies(_rendered(built, sensor=sensor, integrator=path, spp=samples, seed=seed)[..., :3])
    if not denoise:
        return color
    # Normals are left out on purpose: fine relief makes them noisy, and the denoiser would keep that noise.
    guides = mi.load_dict({"type": "aov", "aovs": "albedo:albedo"})
    guide = _rendered(built, sensor=sensor, integrator=guides, spp=min(samples, 16), seed=seed)
    albedo = np.clip(np.nan_to_num(guide[..., -3:]), 0, 1)
    if str(mi.variant()).startswith("cuda") and _open_image_denoise_package() is None:
        size = (color.shape[1], color.shape[0])
        options: dict[str, Any] = {"input_size": size, "albedo": True, "normals": False, "temporal": False}
        denoiser: Any = mi.OptixDenoiser(**options)
        return np.array(denoiser(mi.TensorXf(color), albedo=mi.TensorXf(albedo)), np.float32)
    return open_image_denoise(color, albedo)


def _rendered(built: BuiltScene, sensor: Any, integrator: Any, spp: int, seed: int) -> NDArray[np.float32]:
    """The mean of as many passes as the GPU's memory asks for, each of other samples."""
    pixels = int(np.prod(np.array(sensor.film().size())))
    scalar = str(mi.variant()).startswith("scalar")
    a_pass = spp if scalar else max(1, PATHS_AT_ONCE // pixels)
    counts = [min(a_pass, spp - first) for first in range(0, spp, a_pass)]
    total: Any = 0.0
    for k, count in enumerate(counts):
        options = {"sensor": sensor, "integrator": integrator, "spp": count, "seed": seed + k * SEEDS_APART}
        total = total + count / spp * np.array(mi.render(built.scene, **options), np.float32)
    return np.asarray(total, np.float32)


def open_image_denoise(color: NDArray[np.float32], albedo: NDArray[np.float32]) -> NDArray[np.float32]:
    """Denoise on the CPU through the optional `oidn` package; without it the picture comes back unchanged."""
    oidn = _open_image_denoise_package()
    if oidn is None:
        return color
    # The package only offers the low range filter, so light is squeezed into 0..1 and stretched again.
    middle = float(np.median(color)) * 2 + 1e-4
    result = np.zeros_like(color, order="C")
    squeezed = np.ascontiguousarray(color / (color + middle), np.float32)
    images = {"color": squeezed, "albedo": albedo, "output": result}
    kept = {name: np.ascontiguousarray(image, np.float32) for name, image in images.items()}
    device = oidn.NewDevice()
    oidn.CommitDevice(device)
    denoiser = oidn.NewFilter(device, "RT")
    for name, image in kept.items():
        oidn.SetSharedFilterImage(denoiser, name, image, oidn.FORMAT_FLOAT3, image.shape[1], image.shape[0])
    oidn.CommitFilter(denoiser)
    oidn.ExecuteFilter(denoiser)
    oidn.ReleaseFilter(denoiser)
    oidn.ReleaseDevice(device)
    clean = np.clip(kept["output"], 0, 0.9995)
    if not np.isfinite(clean).all():
        return color
    return np.asarray(middle * clean / (1 - clean), np.float32)


@cache
def _open_image_denoise_package() -> Any:
    """The optional `oidn` package, or None; its thread library lies beside it and must be loaded first."""
    found = importlib.util.find_spec("oidn")
    if found is None or found.origin is None:
        return None
    try:
        for library in Path(found.origin).parent.rglob("libtbb.so*"):
            ctypes.CDLL(str(library), mode=ctypes.RTLD_GLOBAL)
        return importlib.import_module("oidn")
    except OSError:
        return None


def _no_fireflies(picture: NDArray[np.float32]) -> NDArray[np.float32]:
    """Cut single pixels that are far brighter than anything a photo would keep."""
    # One pixel that is no number would make the median none either, and the whole photo black.
    finite = np.nan_to_num(picture, nan=0.0, posinf=0.0, neginf=0.0)
    ceiling = 40.0 * (float(np.median(finite)) + 1e-4)
    return np.minimum(finite, max(ceiling, 1.0))
