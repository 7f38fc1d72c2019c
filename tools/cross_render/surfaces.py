"""Surfaces in Blender: finishes plain, mottled or grimy, floors and walls of procedural patterns, printed pictures.

Nothing here is shared with the surfaces of `tools.render` but the color, roughness and metalness of a finish.
"""

import math
from typing import Any

import bpy
import numpy as np
from numpy.typing import NDArray

from tools.cross_render.scene_file import HandedPicture, PlainFinish

STYLES = {"plain": 0.35, "mottled": 0.4, "grimy": 0.25}
"""How a pump's surfaces are drawn, and how often."""
PATTERNS = ("plain", "brick", "checker", "noise", "voronoi", "wave")
Rgb = NDArray[np.float64]


def draw_style(rng: np.random.Generator) -> str:
    """How the surfaces of one pump are drawn."""
    return str(rng.choice(list(STYLES), p=list(STYLES.values())))


def finish_surface(name: str, finish: PlainFinish, style: str, rng: np.random.Generator) -> Any:
    """A pump's material; every pump has its own tone of it."""
    material, nodes, links, shader = _material(name)
    color = np.clip(np.array(finish.color) * math.exp(rng.normal(0, 0.12)), 0.005, 0.92)
    shader.inputs["Base Color"].default_value = _rgba(color)
    shader.inputs["Roughness"].default_value = float(np.clip(finish.roughness * rng.uniform(0.8, 1.2), 0.05, 1))
    shader.inputs["Metallic"].default_value = finish.metallic
    if not finish.metallic and rng.random() < 0.3:
        shader.inputs["Coat Weight"].default_value = float(rng.uniform(0.1, 0.6))
    if style == "plain":
        return material
    where = nodes.new("ShaderNodeTexCoord").outputs["Object"]
    blotches = nodes.new("ShaderNodeTexNoise")
    blotches.inputs["Scale"].default_value = float(rng.uniform(8, 40))
    blotches.inputs["Detail"].default_value = float(rng.uniform(2, 10))
    links.new(where, blotches.inputs["Vector"])
    darker = rng.uniform(0.35, 0.9) if style == "mottled" else rng.uniform(0.1, 0.5)
    start = rng.uniform(0.3, 0.5)
    ramp = _ramp(nodes, color * darker, color, start, start + rng.uniform(0.1, 0.4))
    links.new(blotches.outputs["Fac"], ramp.inputs["Fac"])
    links.new(ramp.outputs["Color"], shader.inputs["Base Color"])
    grain = nodes.new("ShaderNodeTexNoise")
    grain.inputs["Scale"].default_value = float(rng.uniform(150, 900))
    links.new(where, grain.inputs["Vector"])
    bump = nodes.new("ShaderNodeBump")
    bump.inputs["Strength"].default_value = float(rng.uniform(0.05, 0.5))
    bump.inputs["Distance"].default_value = 0.0006
    links.new(grain.outputs["Fac"], bump.inputs["Height"])
    links.new(bump.outputs["Normal"], shader.inputs["Normal"])
    return material


def picture_surface(name: str, piece: HandedPicture) -> Any:
    """The printed or struck face of a scale reference, or tape."""
    material, nodes, links, shader = _material(name)
    texture = nodes.new("ShaderNodeTexImage")
    texture.image = linear_picture(name, np.clip(piece.color, 0.003, 0.95))
    links.new(texture.outputs["Color"], shader.inputs["Base Color"])
    shader.inputs["Roughness"].default_value = piece.roughness
    shader.inputs["Metallic"].default_value = piece.metallic
    return material


def ground_surface(name: str, rng: np.random.Generator) -> Any:
    """A floor or a wall in two drawn colors and one of a few patterns."""
    material, nodes, links, shader = _material(name)
    level = rng.uniform(0.05, 0.7)
    first = np.clip(level * np.exp(rng.normal(0, 0.12, 3)), 0.01, 0.85)
    second = np.clip(level * rng.uniform(0.4, 1.1) * np.exp(rng.normal(0, 0.15, 3)), 0.01, 0.85)
    shader.inputs["Roughness"].default_value = float(rng.uniform(0.15, 0.95))
    pattern = str(rng.choice(PATTERNS))
    if pattern == "plain":
        shader.inputs["Base Color"].default_value = _rgba(first)
        return material
    turned = nodes.new("ShaderNodeMapping")
    turned.inputs["Rotation"].default_value = (0, 0, float(rng.uniform(0, 2 * math.pi)))
    links.new(nodes.new("ShaderNodeTexCoord").outputs["Object"], turned.inputs["Vector"])
    texture, color = _pattern(pattern, nodes, links, first, second, rng)
    links.new(turned.outputs["Vector"], texture.inputs["Vector"])
    links.new(color, shader.inputs["Base Color"])
    return material


def _pattern(kind: str, nodes: Any, links: Any, first: Rgb, second: Rgb, rng: np.random.Generator) -> tuple[Any, Any]:
    """A texture node, and the socket its color comes from."""
    scale = {"brick": (2, 8), "checker": (2, 12), "noise": (3, 30), "voronoi": (20, 120), "wave": (2, 8)}[kind]
    node = {"brick": "Brick", "checker": "Checker", "noise": "Noise", "voronoi": "Voronoi", "wave": "Wave"}[kind]
    texture = nodes.new(f"ShaderNodeTex{node}")
    texture.inputs["Scale"].default_value = float(rng.uniform(*scale))
    if kind in ("brick", "checker"):
        texture.inputs["Color1"].default_value = _rgba(first)
        texture.inputs["Color2"].default_value = _rgba(second if kind == "brick" else 0.8 * first + 0.2 * second)
        if kind == "brick":
            texture.inputs["Mortar"].default_value = _rgba(0.5 * first)
        return texture, texture.outputs["Color"]
    if kind == "wave":
        texture.inputs["Distortion"].default_value = float(rng.uniform(2, 15))
        texture.inputs["Detail"].default_value = 4.0
    ramp = _ramp(nodes, first, second, 0.0, 1.0)
    links.new(texture.outputs["Distance" if kind == "voronoi" else "Fac"], ramp.inputs["Fac"])
    return texture, ramp.outputs["Color"]


def linear_picture(name: str, color: NDArray[np.float32]) -> Any:
    """(H, W, 3) linear light as a Blender image; row 0 is its lower edge."""
    height, width = color.shape[:2]
    image = bpy.data.images.new(name, width, height, float_buffer=True)
    image.colorspace_settings.name = "Non-Color"
    opaque = np.dstack([color, np.ones((height, width), np.float32)])
    image.pixels.foreach_set(np.ascontiguousarray(opaque, np.float32).ravel())
    image.update()
    return image


def _material(name: str) -> tuple[Any, Any, Any, Any]:
    """A new material: itself, its nodes, its links, its principled shader."""
    material = bpy.data.materials.new(name)
    material.use_nodes = True
    tree = material.node_tree
    return material, tree.nodes, tree.links, tree.nodes["Principled BSDF"]


def _ramp(nodes: Any, low: Rgb, high: Rgb, start: float, end: float) -> Any:
    ramp = nodes.new("ShaderNodeValToRGB")
    for element, place, color in zip(ramp.color_ramp.elements, (start, end), (low, high), strict=True):
        element.position, element.color = float(place), _rgba(color)
    return ramp


def _rgba(color: Rgb) -> tuple[float, float, float, float]:
    red, green, blue = (float(c) for c in color)
    return red, green, blue, 1.0
