"""Takes handed-over scenes with Blender's Cycles; runs in Blender's own Python: see README.md.

Writes `NAME.light.npy` beside every `NAME.npz`: (H, W, 3) linear light as half floats. Scenes that have theirs, or
whose photo is there, are passed over, so that a stopped run goes on where it was.
"""

import argparse
import math
import os
from pathlib import Path
from typing import Any

import bpy
import numpy as np
from mathutils import Matrix
from numpy.typing import NDArray

from tools.cross_render.camera_pose import FILM_MM, METERS, f_number, focal_length_mm, pose
from tools.cross_render.place import add_light, add_place, placed
from tools.cross_render.scene_file import Faces, HandedCamera, HandedScene, Values, read_scene
from tools.cross_render.surfaces import draw_style, finish_surface, picture_surface

CREASE_DEG = 33.0
NOISE_LEFT = 0.02
"""Pixels with less noise than this get no more light paths; the denoiser takes the rest."""


def main() -> None:
    """Render what is left to render in a folder."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path, help="with NAME.npz files")
    parser.add_argument("--paths", type=int, default=64, help="light paths a pixel, at most")
    parser.add_argument("--panoramas", type=Path, help="folder of .npy panoramas")
    parser.add_argument("--share", default="0/1", help="k/n: every n-th scene from the k-th on, for several processes")
    parser.add_argument("--threads", type=int, default=os.cpu_count())
    parser.add_argument("--gpu", choices=["OPTIX", "CUDA", "HIP", "METAL", "ONEAPI"], help="leave out for the CPU")
    options = parser.parse_args()
    panoramas = () if options.panoramas is None else tuple(sorted(options.panoramas.glob("*.npy")))
    first, step = (int(part) for part in options.share.split("/"))
    for path in sorted(options.folder.glob("*.npz"))[first::step]:
        light = path.with_suffix(".light.npy")
        if not light.exists() and not path.with_suffix(".jpg").exists():
            _build(read_scene(path), panoramas)
            _set_up(options.paths, options.threads, options.gpu)
            _keep(_rendered(path.with_suffix(".exr")), light)


def _build(scene: HandedScene, panoramas: tuple[Path, ...]) -> None:
    """Empty Blender, then put pump, references, place, light and camera in."""
    bpy.ops.wm.read_factory_settings(use_empty=True)
    rng = np.random.default_rng([*scene.seed, 5])
    style = draw_style(rng)
    surfaces = {slot: finish_surface(slot, finish, style, rng) for slot, finish in scene.finishes.items()}
    for part in scene.parts:
        mesh = _mesh(part.vertices_mm, part.faces, surfaces[part.slot])
        mesh.polygons.foreach_set("use_smooth", np.ones(len(mesh.polygons), bool))
        mesh.set_sharp_from_angle(angle=math.radians(CREASE_DEG))
    for k, piece in enumerate(scene.references):
        _mesh(piece.vertices_mm, piece.faces, picture_surface(f"picture_{k}", piece), piece.uvs)
    vertices = np.concatenate([part.vertices_mm for part in scene.parts]).astype(np.float64)
    low, high = vertices.min(axis=0), vertices.max(axis=0)
    add_place(low, high, scene.camera.position_mm, rng)
    add_light((low + high) / 2, panoramas, rng)
    _add_camera(scene.camera)


def _mesh(vertices_mm: Values, faces: Faces, surface: Any, uvs: Values | None = None) -> Any:
    mesh = bpy.data.meshes.new("part")
    mesh.vertices.add(len(vertices_mm))
    mesh.vertices.foreach_set("co", (vertices_mm * np.float32(METERS)).ravel())
    mesh.loops.add(faces.size)
    mesh.loops.foreach_set("vertex_index", faces.ravel())
    mesh.polygons.add(len(faces))
    mesh.polygons.foreach_set("loop_start", np.arange(0, faces.size, 3, dtype=np.int32))
    if uvs is not None:
        mesh.uv_layers.new(name="uv").uv.foreach_set("vector", uvs[faces.ravel()].ravel())
    mesh.update(calc_edges=True)
    mesh.validate()
    mesh.materials.append(surface)
    placed("part", mesh)
    return mesh


def _add_camera(camera: HandedCamera) -> None:
    data = bpy.data.cameras.new("camera")
    data.sensor_fit, data.sensor_width, data.lens = "HORIZONTAL", FILM_MM, focal_length_mm(camera)
    data.clip_start, data.clip_end = 0.02, 100.0
    data.dof.use_dof, data.dof.focus_distance = True, camera.focus_mm * METERS
    data.dof.aperture_fstop = f_number(camera)
    thing = placed("camera", data)
    thing.matrix_world = Matrix(pose(camera).tolist())
    render = bpy.context.scene.render
    bpy.context.scene.camera = thing
    render.resolution_x, render.resolution_y, render.resolution_percentage = camera.width_px, camera.height_px, 100


def _set_up(paths: int, threads: int, gpu: str | None) -> None:
    scene = bpy.context.scene
    scene.render.engine = "CYCLES"
    scene.render.threads_mode, scene.render.threads = "FIXED", threads
    scene.view_settings.view_transform = "Standard"
    cycles = scene.cycles
    cycles.samples, cycles.use_adaptive_sampling, cycles.adaptive_threshold = paths, True, NOISE_LEFT
    cycles.use_denoising, cycles.max_bounces, cycles.caustics_reflective = True, 6, False
    if gpu is not None:
        choice = bpy.context.preferences.addons["cycles"].preferences
        choice.compute_device_type = gpu
        choice.get_devices()
        for device in choice.devices:
            device.use = device.type == gpu
        cycles.device, cycles.denoising_use_gpu = "GPU", True


def _rendered(path: Path) -> NDArray[np.float32]:
    """(H, W, 3) linear light, upper row first; the file that Blender writes in between is removed."""
    scene = bpy.context.scene
    settings = scene.render.image_settings
    settings.file_format, settings.color_depth = "OPEN_EXR", "16"
    scene.render.filepath = str(path)
    bpy.ops.render.render(write_still=True)
    image = bpy.data.images.load(str(path))
    image.colorspace_settings.name = "Non-Color"
    width, height = image.size
    pixels = np.empty(width * height * 4, np.float32)
    image.pixels.foreach_get(pixels)
    path.unlink()
    return pixels.reshape(height, width, 4)[::-1, :, :3]


def _keep(light: NDArray[np.float32], path: Path) -> None:
    partial = path.with_suffix(".part")
    with partial.open("wb") as file:
        np.save(file, light.astype(np.float16))
    partial.replace(path)


if __name__ == "__main__":
    main()
