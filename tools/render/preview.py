"""Contact sheets of bare pumps for human eyes: `python -m tools.render.preview OUT.png --seed 0 --count 4`.

Each row is one pump from the chamber side, the port side, the front and three quarters, in plain colors with
soft light; no scene, no dirt. With `--labels` the colors tell the part labels instead of the materials.
"""

import argparse
from pathlib import Path
from typing import Any

import mitsuba as mi
import numpy as np
from PIL import Image

from tools.render.build_pump import AXES, own_bounds
from tools.render.mesh_shading import shade
from tools.render.outlines import Points
from tools.render.pump_model import Part, PumpModel
from tools.render.sample_pump import sample_pump
from tools.render.solids import join

MATERIAL_COLORS = {
    "wetted": (0.42, 0.44, 0.46), "air_section": (0.10, 0.18, 0.32), "band": (0.6, 0.6, 0.58),
    "fastener": (0.72, 0.71, 0.68), "rubber": (0.03, 0.03, 0.03), "nameplate": (0.75, 0.75, 0.7),
    "companion": (0.2, 0.26, 0.2), "muffler": (0.25, 0.22, 0.2), "inside": (0.02, 0.02, 0.02),
    "accessory": (0.6, 0.47, 0.2),
}  # fmt: skip
LABEL_COLORS = {
    "chamber_cover": (0.75, 0.2, 0.2), "clamp_band": (0.95, 0.75, 0.1), "bolted_rim": (0.9, 0.5, 0.1),
    "flange": (0.15, 0.5, 0.9), "port_opening": (0.05, 0.05, 0.3), "threaded_boss": (0.1, 0.75, 0.8),
    "manifold": (0.35, 0.65, 0.3), "air_section": (0.5, 0.35, 0.7), "air_valve": (0.8, 0.4, 0.8),
    "feet": (0.45, 0.35, 0.2), "bolt": (0.95, 0.95, 0.95), "companion": (0.2, 0.2, 0.2),
    "other": (0.4, 0.4, 0.4),
}  # fmt: skip
VIEWS = ("chamber", "port", "front", "three_quarter", "rear", "port_close", "joint_close")


def view_direction(pump: PumpModel, view: str) -> Points:
    """(3,) from the pump toward the eye."""
    port = next(
        (c for c in pump.circles if c.name in ("flange_diameter", "thread_major_diameter") and c.instance == 0),
        None,
    )
    to_port = port.normal if port is not None else np.array([0.0, -1.0, 0.0])
    directions = {
        "chamber": np.array([1.0, -0.18, 0.15]),
        "port": to_port + np.array([0.12, -0.12, 0.14]),
        "front": np.array([0.06, -1.0, 0.1]),
        "three_quarter": np.array([0.75, -0.9, 0.45]),
        "rear": np.array([0.5, 1.0, 0.3]),
        "port_close": to_port + np.array([0.3, -0.3, 0.3]),
        "joint_close": np.array([1.0, -0.8, 0.5]),
    }
    direction = directions[view]
    return np.asarray(direction / np.linalg.norm(direction), dtype=np.float64)


def aim(pump: PumpModel, view: str) -> tuple[Points, float]:
    """Point (3,) to look at and the size of what is there, mm."""
    low, high = own_bounds(pump.parts)
    if view == "port_close":
        faces = [p.mesh.bounds for p in pump.parts if p.label in ("flange", "threaded_boss") and p.instance == 0]
        return faces[0].mean(axis=0), 1.6 * float(np.linalg.norm(faces[0][1] - faces[0][0]))
    if view == "joint_close":
        joint = pump.circles[0]
        return joint.center_mm + 0.5 * joint.diameter_mm * np.array([0.0, -0.75, 0.6]), 0.7 * joint.diameter_mm
    return 0.5 * (low + high), float(np.linalg.norm(high - low))


def scene_of(parts: tuple[Part, ...], by_label: bool) -> dict[str, Any]:
    """Mitsuba shapes of the parts, one per color, lights and floor."""
    groups: dict[str, list[Part]] = {}
    for part in parts:
        groups.setdefault(part.label if by_label else part.material, []).append(part)
    scene: dict[str, Any] = {
        "type": "scene",
        "integrator": {"type": "path", "max_depth": 4},
        "sky": {"type": "constant", "radiance": {"type": "rgb", "value": 0.75}},
        "floor": {
            "type": "rectangle",
            "to_world": mi.ScalarTransform4f().scale(5000),
            "bsdf": {"type": "diffuse", "reflectance": {"type": "rgb", "value": 0.45}},
        },
    }
    for name, members in groups.items():
        color = (LABEL_COLORS if by_label else MATERIAL_COLORS)[name]
        bsdf = {
            "type": "twosided",
            "m": {
                "type": "roughplastic",
                "diffuse_reflectance": {"type": "rgb", "value": list(color)},
                "alpha": 0.2,
            },
        }
        scene[name] = _shape(members, name, bsdf)
    return scene


def _shape(members: list[Part], name: str, bsdf: dict[str, Any]) -> Any:
    shaded = shade(join([m.mesh for m in members]))
    properties = mi.Properties()
    properties["mesh_bsdf"] = mi.load_dict(bsdf)
    mesh = mi.Mesh(name, len(shaded.positions), len(shaded.faces), has_vertex_normals=True, props=properties)
    values = mi.traverse(mesh)
    values["vertex_positions"] = shaded.positions.astype(np.float32).ravel()
    values["vertex_normals"] = shaded.normals.astype(np.float32).ravel()
    values["faces"] = shaded.faces.astype(np.uint32).ravel()
    values.update()
    return mesh


def render(pump: PumpModel, view: str, size: int, samples: int, by_label: bool) -> Image.Image:
    """One square picture."""
    middle, reach = aim(pump, view)
    toward = view_direction(pump, view)
    eye = middle + 2.2 * reach * toward
    scene = scene_of(pump.parts, by_label)
    sun = middle + 2.0 * reach * (toward + np.array([0.5, -0.2, 1.2]) + 0.7 * np.cross(toward, AXES["+x"]))
    look = mi.ScalarTransform4f()
    scene["sun"] = {
        "type": "rectangle", "emitter": {"type": "area", "radiance": {"type": "rgb", "value": 6.0}},
        "to_world": look.look_at(origin=list(sun), target=list(middle), up=[0.01, 0, 1]).scale(0.45 * reach),
    }  # fmt: skip
    scene["sensor"] = {
        "type": "perspective", "fov": 28.0,
        "to_world": look.look_at(origin=list(eye), target=list(middle), up=[0, 0, 1]),
        "film": {"type": "hdrfilm", "width": size, "height": size, "rfilter": {"type": "gaussian"}},
        "sampler": {"type": "independent", "sample_count": samples},
    }  # fmt: skip
    pixels = np.array(mi.render(mi.load_dict(scene)))[..., :3]
    return Image.fromarray((255 * np.clip(pixels, 0, 1) ** (1 / 2.2)).astype(np.uint8))


def contact_sheet(
    pumps: list[PumpModel], views: tuple[str, ...], size: int, samples: int, by_label: bool
) -> Image.Image:
    """Rows of pumps, columns of views."""
    sheet = Image.new("RGB", (size * len(views), size * len(pumps)))
    for row, pump in enumerate(pumps):
        for column, view in enumerate(views):
            sheet.paste(render(pump, view, size, samples, by_label), (column * size, row * size))
    return sheet


def main() -> None:
    """Draws pumps of consecutive seeds into one picture."""
    parser = argparse.ArgumentParser(description="Contact sheet of bare pumps.")
    parser.add_argument("out", type=Path)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--count", type=int, default=4)
    parser.add_argument("--split", choices=("train", "val", "test"), default="train")
    parser.add_argument("--size", type=int, default=256)
    parser.add_argument("--samples", type=int, default=12)
    parser.add_argument("--views", nargs="+", choices=VIEWS, default=list(VIEWS[:4]))
    parser.add_argument("--labels", action="store_true")
    given = parser.parse_args()
    mi.set_variant("scalar_rgb")
    pumps = [sample_pump(np.random.default_rng(given.seed + k), given.split) for k in range(given.count)]
    contact_sheet(pumps, tuple(given.views), given.size, given.samples, given.labels).save(given.out)


if __name__ == "__main__":
    main()
