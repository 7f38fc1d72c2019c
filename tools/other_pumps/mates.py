"""What is screwed or bolted to a port in use: a flange with pipe, a blind flange, a plug, a nipple, a hose."""

import numpy as np

from tools.other_pumps import fields as f
from tools.other_pumps.hardware import head, heads_at
from tools.other_pumps.plan import PortPlan
from tools.other_pumps.ports import MadePort
from tools.other_pumps.shapes import FINE, slab
from tools.render.draws import chance
from tools.render.outlines import Points, circle
from tools.render.pieces import Pieces, local_circle, piece, together
from tools.render.solids import Mesh, drum, join, lathe, sweep, tube

OUT, UP = np.array([0.0, 0.0, 1.0]), np.array([0.0, 1.0, 0.0])


def mated_flange(port: PortPlan, made: MadePort, rng: np.random.Generator) -> Pieces:
    """A companion flange with its gasket, bolts and pipe, in the port's frame; with the bolt circle's truth."""
    gasket, thick = float(rng.uniform(1.5, 3.0)), port.thick_mm * float(rng.uniform(0.85, 1.1))
    front = gasket + thick
    ring = slab(circle(0.5 * port.flange_mm * rng.uniform(0.985, 1.0), FINE), gasket, front, 1.0)
    size = next(
        s for s, d in (("M16", 17.0), ("M14", 15.5), ("M12", 13.5), ("M10", 11.0), ("M8", 0.0)) if port.hole_mm >= d
    )
    made_head, nut = head(str(rng.choice(["hex", "hex_washer", "nut"])), size), head("nut_washer", size)
    places = np.column_stack([made.holes, np.full(len(made.holes), front)])
    bolts = heads_at(made_head, places, OUT, UP, rng)
    nuts = heads_at(nut, places * [1, 1, 0] + [0, 0, made.back_z], -OUT, UP, rng)
    shanks = [drum(0.5 * float(size[1:]), made.back_z, front, 0.0, 20) for _ in places]
    for shank, place in zip(shanks, places, strict=True):
        shank.vertices = shank.vertices + np.array([place[0], place[1], 0.0])
    radius = 0.5 * port.bore_mm * 1.12 + 2.0
    blind = chance(rng, 0.25)
    hub = _pipe_run(radius, front, rng) if not blind else drum(0.5 * radius, front - 1, front + 2.0, 0.8, 64)
    seal = tube(0.5 * port.bore_mm, 0.5 * (port.circle_mm - port.hole_mm) - 1.0, 0.0, gasket)
    tops = places + np.array([0, 0, made_head.height_mm])
    truth = Pieces(circles=(local_circle("bolt_circle_diameter", port.circle_mm, made.face_z, tops),))
    return together(
        [
            truth,
            piece(join([ring, hub]), "companion", "companion"),
            piece(seal, "companion", "rubber"),
            piece(join(shanks), "other", "fastener"),
            bolts,
            nuts,
        ]
    )


def _pipe_run(radius: float, start: float, rng: np.random.Generator) -> Mesh:
    """A weld neck and a pipe that runs off straight or round an elbow."""
    neck = lathe(
        [
            (0, start - 1),
            (1.5 * radius, start - 1),
            (1.1 * radius, start + 0.8 * radius),
            (radius, start + 1.2 * radius),
            (0, start + 1.2 * radius),
        ],
        64,
    )
    long = float(rng.uniform(6.0, 16.0)) * radius
    line: list[Points] = [np.array([0, 0, start]), np.array([0, 0, start + long])]
    if chance(rng, 0.4):
        bend = np.array([rng.choice([-1, 0, 1]), rng.choice([1.0, 1.0, 0.0]), 0.0])
        bend = bend / max(float(np.linalg.norm(bend)), 1.0)
        c = start + 1.6 * radius
        line = list(
            np.asarray(
                f.curve(
                    [
                        (0, 0, start),
                        (0, 0, c),
                        (0, 0, c + 2.2 * radius),
                        bend * 2.2 * radius + [0, 0, c + 2.2 * radius],
                        bend * (2.2 * radius + long) + [0, 0, c + 2.2 * radius],
                    ],
                    16,
                ),
                np.float64,
            )
        )
    return join([neck, sweep(np.array(line), circle(radius, 48), up=(1.0, 0.1, 0.0))])


def mated_thread(port: PortPlan, rng: np.random.Generator) -> Pieces:
    """A plug, a nipple with a coupling, or a hose barb in a threaded mouth."""
    kind = str(rng.choice(["plug", "nipple", "barb"]))
    r = port.major_mm / 2
    if kind == "plug":
        flats = int(rng.choice([4, 6]))
        body = join([drum(0.97 * r, -2 * r, 0.25 * r, 0.6, 64), slab(circle(0.72 * r, flats), 0.2 * r, 0.9 * r, 0.8)])
    elif kind == "nipple":
        long = float(rng.uniform(2.0, 8.0)) * r
        body = join([drum(0.96 * r, -2 * r, long, 0.6, 64), drum(1.32 * r, 0.5 * r, 0.5 * r + 1.8 * r, 1.0, 64)])
    else:
        hexed = slab(circle(1.3 * r, 6), 0.3 * r, 0.9 * r, 0.8)
        body = join([drum(0.96 * r, -2 * r, 0.5 * r, 0.4, 64), hexed, drum(0.8 * r, 0.5 * r, 3.2 * r, 0.4, 48)])
        end = np.array([0.0, -float(rng.uniform(0.0, 2.0)) * r, 9.0 * r])
        hose = sweep(
            np.asarray(
                f.curve([(0, 0, 1.3 * r), (0, 0, 5 * r), end, end + np.array([0.0, -2 * r, 6 * r])], 20), np.float64
            ),
            circle(1.02 * r, 32),
            up=(1.0, 0.0, 0.0),
        )
        clip = tube(1.0 * r, 1.12 * r, 1.7 * r, 2.3 * r, 0.4)
        return together(
            [
                piece(body, "companion", "accessory"),
                piece(hose, "companion", "rubber"),
                piece(clip, "companion", "fastener"),
            ]
        )
    return piece(body, "companion", "companion")
