"""Where the pump stands in Blender: a floor, at times a wall, plain bodies behind it, and its light."""

import math
from pathlib import Path
from typing import Any

import bpy
import numpy as np
from mathutils import Vector
from numpy.typing import NDArray

from tools.cross_render.camera_pose import METERS
from tools.cross_render.scene_file import PlainFinish
from tools.cross_render.surfaces import finish_surface, ground_surface, linear_picture

Floats = NDArray[np.float64]
FLOOR_BELOW_MM = 0.2
"""The floor lies this far below the pump's feet, so that no two surfaces share a plane."""


def add_place(low_mm: Floats, high_mm: Floats, eye_mm: Floats, rng: np.random.Generator) -> None:
    """A floor, a wall behind the pump in three of five scenes, and up to six plain bodies that hide nothing of it.

    Args:
        low_mm, high_mm: corners of the pump's box; eye_mm: the camera.
    """
    middle, reach = (low_mm + high_mm) / 2, float(np.linalg.norm(high_mm - low_mm)) / 2
    ahead = np.append((middle - eye_mm)[:2], 0.0)
    ahead /= np.linalg.norm(ahead)
    aside = np.array([-ahead[1], ahead[0], 0.0])
    floor = np.array([middle[0], middle[1], -FLOOR_BELOW_MM])
    _sheet(floor, np.array([2e4, 0, 0]), np.array([0, 2e4, 0]), ground_surface("floor", rng))
    if rng.random() < 0.6:
        behind = middle + ahead * (reach + rng.uniform(150, 2500))
        _sheet(behind, 2e4 * aside, np.array([0, 0, 6e3]), ground_surface("wall", rng))
    for _ in range(int(rng.integers(0, 7))):
        angle, distance = rng.uniform(-1.3, 1.3), 1.15 * reach + rng.uniform(150, 900)
        at = middle + (math.cos(angle) * ahead + math.sin(angle) * aside) * distance
        if np.linalg.norm((at - eye_mm)[:2]) > reach:
            _body(at, rng)


def add_light(middle_mm: Floats, panoramas: tuple[Path, ...], rng: np.random.Generator) -> None:
    """A panorama turned at random, a clear sky with its sun, or a gray surround and one to three lamps.

    Args:
        middle_mm: of the pump; panoramas: `.npy` files of (H, W, 3) linear light, upper row first, may be empty.
    """
    world = bpy.data.worlds.new("world")
    bpy.context.scene.world = world
    world.use_nodes = True
    nodes, links = world.node_tree.nodes, world.node_tree.links
    surround = nodes["Background"]
    kinds = {"panorama": 0.5, "sky": 0.2, "lamps": 0.3} if panoramas else {"sky": 0.4, "lamps": 0.6}
    kind = str(rng.choice(list(kinds), p=list(kinds.values())))
    if kind == "panorama":
        light = np.load(panoramas[int(rng.integers(len(panoramas)))]).astype(np.float32)[::-1]
        picture = nodes.new("ShaderNodeTexEnvironment")
        picture.image = linear_picture("panorama", light)
        turned = nodes.new("ShaderNodeMapping")
        turned.inputs["Rotation"].default_value = (0, 0, float(rng.uniform(0, 2 * math.pi)))
        links.new(nodes.new("ShaderNodeTexCoord").outputs["Generated"], turned.inputs["Vector"])
        links.new(turned.outputs["Vector"], picture.inputs["Vector"])
        links.new(picture.outputs["Color"], surround.inputs["Color"])
    elif kind == "sky":
        sky = nodes.new("ShaderNodeTexSky")
        sky.sun_elevation, sky.sun_rotation = float(rng.uniform(0.2, 1.3)), float(rng.uniform(0, 2 * math.pi))
        sky.sun_intensity, sky.sun_size = float(rng.uniform(0.05, 0.6)), float(rng.uniform(0.01, 0.3))
        links.new(sky.outputs["Color"], surround.inputs["Color"])
        surround.inputs["Strength"].default_value = 0.2
    else:
        red, green, blue = (float(c) for c in 0.5 * np.exp(rng.normal(0, 0.1, 3)))
        surround.inputs["Color"].default_value = (red, green, blue, 1.0)
        surround.inputs["Strength"].default_value = float(rng.uniform(0.1, 1))
        for _ in range(int(rng.integers(1, 4))):
            _lamp(middle_mm, rng)


def _lamp(middle_mm: Floats, rng: np.random.Generator) -> None:
    azimuth, distance = rng.uniform(0, 2 * math.pi), rng.uniform(800, 2500)
    height = rng.uniform(500, 2200)
    at = middle_mm + np.array([math.cos(azimuth) * distance, math.sin(azimuth) * distance, height])
    light = bpy.data.lights.new("lamp", "AREA")
    light.size = float(rng.uniform(0.1, 1.2))
    light.energy = float(rng.uniform(20, 120) * (distance / 1000) ** 2)
    light.color = tuple(float(c) for c in np.clip(np.exp(rng.normal(0, 0.12, 3)), 0, 1.5))
    lamp = placed("lamp", light)
    lamp.location = Vector(at * METERS)
    lamp.rotation_euler = Vector((middle_mm - at) * METERS).to_track_quat("-Z", "Y").to_euler()


def _body(at_mm: Floats, rng: np.random.Generator) -> None:
    """One plain body standing on the floor."""
    size = float(rng.uniform(40, 250)) * METERS
    where = {"location": (float(at_mm[0] * METERS), float(at_mm[1] * METERS), size)}
    turn = float(rng.uniform(0, 2 * math.pi))
    add: Any = bpy.ops.mesh
    match str(rng.choice(["box", "can", "ball", "cone", "ring"])):
        case "box":
            add.primitive_cube_add(size=2 * size, rotation=(0, 0, turn), **where)
            bpy.context.object.scale = (1, float(rng.uniform(0.3, 1.5)), float(rng.uniform(0.3, 1)))
        case "can":
            add.primitive_cylinder_add(vertices=64, radius=0.7 * size, depth=2 * size, **where)
        case "ball":
            add.primitive_uv_sphere_add(segments=48, ring_count=24, radius=size, **where)
        case "cone":
            add.primitive_cone_add(vertices=64, radius1=size, radius2=0.3 * size, depth=2 * size, **where)
        case _:
            add.primitive_torus_add(
                major_segments=64, major_radius=size, minor_radius=size / 4, rotation=(1.2, 0, turn), **where
            )
    red, green, blue = (float(c) for c in rng.uniform(0.02, 0.7) * np.exp(rng.normal(0, 0.5, 3)))
    finish = PlainFinish((red, green, blue), 0.5, float(rng.random() < 0.3))
    bpy.context.object.data.materials.append(finish_surface("body", finish, "mottled", rng))


def _sheet(middle_mm: Floats, half_u_mm: Floats, half_v_mm: Floats, surface: Any) -> None:
    corners = [middle_mm + u * half_u_mm + v * half_v_mm for u, v in ((-1, -1), (1, -1), (1, 1), (-1, 1))]
    mesh = bpy.data.meshes.new("sheet")
    mesh.from_pydata([tuple(float(c) for c in corner * METERS) for corner in corners], [], [(0, 1, 2, 3)])
    mesh.materials.append(surface)
    placed("sheet", mesh)


def placed(name: str, data: Any) -> Any:
    """An object of some data, put in the scene."""
    thing = bpy.data.objects.new(name, data)
    bpy.context.collection.objects.link(thing)
    return thing
