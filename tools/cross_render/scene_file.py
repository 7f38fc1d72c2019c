"""What one renderer hands another: meshes, finishes, references and a camera, as one npz file of plain numbers.

Only numpy is needed to read it, because the other renderer runs in a Python of its own. Lengths are millimeters in the
pump frame (z up, the pump stands on z = 0), colors linear-light reflectances.
"""

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

Values = NDArray[np.float32]
Faces = NDArray[np.int32]


@dataclass(frozen=True)
class PlainFinish:
    """Color, roughness and metalness (0 or 1) of one material slot of a pump."""

    color: tuple[float, float, float]
    roughness: float
    metallic: float


@dataclass(frozen=True, eq=False)
class HandedPart:
    """One mesh of the pump: (N, 3) vertices, (M, 3) faces, its material slot."""

    vertices_mm: Values
    faces: Faces
    slot: str


@dataclass(frozen=True, eq=False)
class HandedPicture:
    """One mesh of a scale reference: (N, 3), (M, 3), (N, 2) texture coordinates, and its (H, W, 3) picture."""

    vertices_mm: Values
    faces: Faces
    uvs: Values
    color: Values
    roughness: float
    metallic: float


@dataclass(frozen=True, eq=False)
class HandedCamera:
    """A pinhole camera with an aperture.

    Attributes:
        width_px, height_px, focal_px: of the picture; the principal point is its middle.
        rotation: (3, 3) from the pump frame to the camera's (x right, y down, z ahead); position_mm: (3,).
        aperture_radius_mm, focus_mm: of the lens.
    """

    width_px: int
    height_px: int
    focal_px: float
    rotation: NDArray[np.float64]
    position_mm: NDArray[np.float64]
    aperture_radius_mm: float
    focus_mm: float


@dataclass(frozen=True, eq=False)
class HandedScene:
    """Everything the other renderer needs; `seed` is that of its own draws: surfaces, floor, light."""

    parts: tuple[HandedPart, ...]
    finishes: Mapping[str, PlainFinish]
    references: tuple[HandedPicture, ...]
    camera: HandedCamera
    seed: tuple[int, ...]


def write_scene(path: Path, scene: HandedScene) -> None:
    """Write a scene so that a stopped run leaves no half file."""
    arrays: dict[str, NDArray[Any]] = {"rotation": scene.camera.rotation, "position_mm": scene.camera.position_mm}
    for k, part in enumerate(scene.parts):
        arrays |= {f"part_{k}_vertices": part.vertices_mm, f"part_{k}_faces": part.faces}
    for k, piece in enumerate(scene.references):
        arrays |= {f"picture_{k}_vertices": piece.vertices_mm, f"picture_{k}_faces": piece.faces,
                   f"picture_{k}_uvs": piece.uvs, f"picture_{k}_color": piece.color}  # fmt: skip
    camera = {name: value for name, value in vars(scene.camera).items() if name not in arrays}
    words = {
        "slots": [part.slot for part in scene.parts],
        "finishes": {slot: asdict(finish) for slot, finish in scene.finishes.items()},
        "pictures": [(piece.roughness, piece.metallic) for piece in scene.references],
        "camera": camera,
        "seed": scene.seed,
    }
    partial = path.with_suffix(".part")
    with partial.open("wb") as file:
        np.savez(file, words=np.array(json.dumps(words)), **arrays)  # type: ignore[arg-type]
    partial.replace(path)


def read_scene(path: Path) -> HandedScene:
    """Read what `write_scene` wrote."""
    with np.load(path) as file:
        words = json.loads(str(file["words"]))
        parts = tuple(
            HandedPart(file[f"part_{k}_vertices"], file[f"part_{k}_faces"], slot)
            for k, slot in enumerate(words["slots"])
        )
        pictures = tuple(_picture(file, k, *numbers) for k, numbers in enumerate(words["pictures"]))
        camera = HandedCamera(rotation=file["rotation"], position_mm=file["position_mm"], **words["camera"])
    finishes = {
        slot: PlainFinish(tuple(finish["color"]), finish["roughness"], finish["metallic"])
        for slot, finish in words["finishes"].items()
    }
    return HandedScene(parts, finishes, pictures, camera, tuple(words["seed"]))


def _picture(file: Mapping[str, NDArray[Any]], number: int, roughness: float, metallic: float) -> HandedPicture:
    vertices, faces, uvs, color = (file[f"picture_{number}_{name}"] for name in ("vertices", "faces", "uvs", "color"))
    return HandedPicture(vertices, faces, uvs, color, roughness, metallic)
