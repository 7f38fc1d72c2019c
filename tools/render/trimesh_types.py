"""What trimesh does for the renderer, with the types that trimesh leaves open."""

from collections.abc import Sequence
from typing import Any, cast

import numpy as np
import trimesh
from numpy.typing import ArrayLike, NDArray

_transformations: Any = trimesh.transformations


def together(meshes: Sequence[trimesh.Trimesh]) -> trimesh.Trimesh:
    """Several meshes as one."""
    return cast(trimesh.Trimesh, trimesh.util.concatenate(list(meshes)))


def turned_by(angle_rad: float, axis: ArrayLike) -> NDArray[np.float64]:
    """(4, 4) rotation about an axis through the origin."""
    return np.asarray(_transformations.rotation_matrix(angle_rad, axis), np.float64)


def scaled(mesh: trimesh.Trimesh, factor: float) -> trimesh.Trimesh:
    """The mesh made larger or smaller about the origin."""
    mesh.apply_transform(np.diag([factor, factor, factor, 1.0]))
    return mesh
