"""What each pixel of the photo sees first: shape and depth, through the exact camera, at pixel centers.

On the vectorized variants (CUDA, LLVM) one ray goes through the center of every distorted pixel. The scalar variant has
no fast way to trace single rays from Python, so it renders a pinhole picture of shape numbers and looks pixels up.
"""

from dataclasses import dataclass
from typing import Any

import mitsuba as mi
import numpy as np
from numpy.typing import NDArray

from tools.render.cameras import Camera

NEAR_MM = 20.0
"""Distance of the plane before which a camera sees nothing; Mitsuba's rays start, and count their length, there."""


@dataclass(frozen=True, eq=False)
class FirstHits:
    """The first surface behind every pixel.

    Attributes:
        shape: (height, width) index into `names`, -1 where nothing is hit.
        face: (height, width) index of the triangle in its shape, 0 where nothing is hit.
        depth_mm: (height, width) distance along the camera axis, inf where nothing is hit.
        names: ids of the scene's shapes.
    """

    shape: NDArray[np.int32]
    face: NDArray[np.int64]
    depth_mm: NDArray[np.float32]
    names: tuple[str, ...]


def first_hits(scene: Any, camera: Camera) -> FirstHits:
    """Trace the first hits of a photo."""
    if str(mi.variant()).startswith("scalar"):
        return _by_picture(scene, camera)
    return _by_rays(scene, camera)


def _by_rays(scene: Any, camera: Camera) -> FirstHits:
    import drjit as dr

    xy = camera.pixel_grid().reshape(-1, 2)
    local = np.column_stack([xy, np.ones(len(xy))])
    directions = np.ascontiguousarray((local @ camera.rotation).T, np.float32)
    x, y, z = camera.position_mm
    origin = mi.Point3f(float(x), float(y), float(z))
    ray = mi.Ray3f(origin, mi.Vector3f(*(mi.Float(row) for row in directions)))
    hit = scene.ray_intersect_preliminary(ray)
    depth = np.array(hit.t, np.float32)
    shape_id = np.array(dr.reinterpret_array(mi.UInt32, hit.shape)).astype(np.int64)
    shapes = scene.shapes()
    ids = [int(np.array(dr.reinterpret_array(mi.UInt32, mi.ShapePtr(s))).ravel()[0]) for s in shapes]
    table = np.full(max([*ids, int(shape_id.max())]) + 1, -1, np.int32)
    table[ids] = np.arange(len(ids))
    missed = ~np.isfinite(depth)
    index = np.where(missed, -1, table[shape_id])
    size = (camera.height_px, camera.width_px)
    face = np.where(missed, 0, np.array(hit.prim_index).astype(np.int64)).reshape(size)
    return FirstHits(index.reshape(size).astype(np.int32), face, depth.reshape(size), tuple(s.id() for s in shapes))


def pinhole(camera: Camera) -> tuple[int, int, float]:
    """Width, height and focal length (px) of the pinhole picture that is rendered and then bent through the lens.

    The size depends on the photo's size alone, because it is part of the GPU kernel; where a lens sees farther than
    the picture reaches, the focal length is shortened instead.
    """
    w, h = camera.width_px, camera.height_px
    width, height = 2 * round(0.53 * w) + 1, 2 * round(0.53 * h) + 1
    t = np.linspace(0, 1, 33)
    sides = ((t * w, t * 0), (t * w, t * 0 + h), (t * 0, t * h), (t * 0 + w, t * h))
    edge = np.concatenate([np.stack(side, axis=1) for side in sides]) - 0.5
    reach = np.abs(camera.normalized(edge)).max(axis=0) * camera.focal_px + 3
    return width, height, camera.focal_px * min(1.0, float((np.array([width, height]) / 2 / reach).min()))


def sensor_dict(camera: Camera, samples: int, first_hit: bool, scale: int = 1) -> dict[str, Any]:
    """The Mitsuba sensor of a camera before lens distortion.

    Args:
        camera: the camera.
        samples: per pixel.
        first_hit: True for exact first hits through pixel centers, False for the photo (real aperture).
        scale: picture size and focal length are multiplied by this.
    """
    width, height, focal_px = pinhole(camera)
    to_world = np.eye(4)
    # Mitsuba's camera looks along +z with x to the left and y up.
    to_world[:3, :3] = camera.rotation.T * [-1, -1, 1]
    to_world[:3, 3] = camera.position_mm
    sampler = (
        {"type": "stratified", "sample_count": 1, "jitter": False}
        if first_hit
        else {"type": "independent", "sample_count": samples}
    )
    sensor: dict[str, Any] = {
        "type": "perspective" if first_hit else "thinlens",
        "fov": float(np.degrees(2 * np.arctan(width / 2 / focal_px))),
        "fov_axis": "x",
        "near_clip": NEAR_MM,
        "far_clip": 60_000.0,
        "to_world": mi.ScalarTransform4f(to_world.tolist()),
        "sampler": sampler,
        "film": {
            "type": "hdrfilm",
            "width": width * scale,
            "height": height * scale,
            "pixel_format": "rgb",
            "component_format": "float32",
            # Denoisers want pixels whose noise is independent: no filter wider than a pixel.
            "rfilter": {"type": "box"},
        },
    }
    if not first_hit:
        sensor["aperture_radius"] = camera.lens.aperture_radius_mm
        sensor["focus_distance"] = camera.focus_mm
    return sensor


def photo_sensor(camera: Camera, samples: int) -> Any:
    """The sensor of a photo, its numbers kept out of the GPU kernel so that all photos share one."""
    sensor = mi.load_dict(sensor_dict(camera, samples, first_hit=False))
    if not str(mi.variant()).startswith("scalar"):
        import drjit as dr

        parameters = mi.traverse(sensor)
        for name in ("aperture_radius", "focus_distance"):
            if name in parameters:
                parameters[name] = dr.opaque(mi.Float, float(np.array(parameters[name]).ravel()[0]))
        parameters.update()
    return sensor


def _by_picture(scene: Any, camera: Camera) -> FirstHits:
    scale = 2 if camera.width_px <= 1700 else 1
    sensor = mi.load_dict(sensor_dict(camera, 1, first_hit=True, scale=scale))
    integrator = mi.load_dict({"type": "aov", "aovs": "depth:depth,face:prim_index,index:shape_index"})
    picture = np.array(mi.render(scene, sensor=sensor, integrator=integrator, spp=1))[..., -3:]
    xy = camera.pixel_grid()
    height, width = picture.shape[:2]
    focal = pinhole(camera)[2] * scale
    column = np.clip(np.rint(xy[..., 0] * focal + (width - 1) / 2).astype(np.int64), 0, width - 1)
    row = np.clip(np.rint(xy[..., 1] * focal + (height - 1) / 2).astype(np.int64), 0, height - 1)
    seen = picture[row, column]
    along = seen[..., 0] / np.sqrt(1 + (xy**2).sum(axis=-1))  # from the near plane on
    shapes = scene.shapes()
    hit = along > 0
    # The number is 1 + index of the shape; 0 stands for nothing.
    index = np.where(hit, np.rint(seen[..., 2]).astype(np.int64) - 1, -1)
    face = np.where(hit, np.rint(seen[..., 1]).astype(np.int64), 0)
    depth = np.where(hit, along + NEAR_MM, np.inf)
    return FirstHits(index.astype(np.int32), face, depth.astype(np.float32), tuple(s.id() for s in shapes))
