"""What one builder hands to the next: parts with their truth, movable as one body."""

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from tools.render.outlines import Points
from tools.render.pump_model import MaterialSlot, Part, PartLabel, Resting, TrueCircle
from tools.render.solids import Mesh, at, placed


@dataclass(frozen=True, eq=False)
class Pieces:
    """Parts, circles and resting places in one frame."""

    parts: tuple[Part, ...] = ()
    circles: tuple[TrueCircle, ...] = ()
    restings: tuple[Resting, ...] = ()

    def moved(self, matrix: Points) -> "Pieces":
        """All of it through a rigid (4, 4)."""
        turn = matrix[:3, :3]
        return Pieces(
            tuple(replace(part, mesh=placed(part.mesh, matrix)) for part in self.parts),
            tuple(
                replace(
                    c,
                    center_mm=at(matrix, c.center_mm),
                    normal=turn @ c.normal,
                    bolts_mm=at(matrix, c.bolts_mm),
                )
                for c in self.circles
            ),
            tuple(
                replace(r, center_mm=at(matrix, r.center_mm), normal=turn @ r.normal, up=turn @ r.up)
                for r in self.restings
            ),
        )

    def numbered(self, instance: int) -> "Pieces":
        """The same with one instance number on parts, circles and restings."""
        return Pieces(
            tuple(replace(part, instance=instance) for part in self.parts),
            tuple(replace(c, instance=instance) for c in self.circles),
            tuple(replace(r, instance=instance) for r in self.restings),
        )


def piece(mesh: Mesh, label: PartLabel, material: MaterialSlot, instance: int = 0) -> Pieces:
    """One part alone."""
    return Pieces((Part(mesh, label, instance, material),))


def together(pieces: Iterable[Pieces]) -> Pieces:
    """All pieces in order."""
    listed = list(pieces)
    return Pieces(
        tuple(part for p in listed for part in p.parts),
        tuple(c for p in listed for c in p.circles),
        tuple(r for p in listed for r in p.restings),
    )


def local_circle(name: str, diameter_mm: float, z_mm: float, bolts_mm: Points | None = None) -> TrueCircle:
    """A circle about the local z axis, facing +z."""
    return TrueCircle(
        name=name,
        instance=0,
        center_mm=np.array([0.0, 0.0, z_mm]),
        normal=np.array([0.0, 0.0, 1.0]),
        diameter_mm=diameter_mm,
        bolts_mm=np.zeros((0, 3)) if bolts_mm is None else bolts_mm,
    )
