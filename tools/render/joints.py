"""The round joint between liquid chamber and air section: clamp bands and bolted rims.

Local chamber frame as in `covers`: z outward, y up, joint plane at z = 0.

`chamber_diameter` is the joint's outermost *round* edge. Over a band it is the crest (lugs and bolts
excluded). Over a rim it is the circle on which the cover flange's edge lies: all round; between the scallops,
which are cut inward from it; at the corners of a squarish rim or beside its flats, which are cut inward too;
of the round cover flange that stands on a square or octagonal plate of the air section. Its center is where
an eye in front of the pump sees that edge: the front-most axial place at which the full diameter is reached.
"""

from dataclasses import dataclass

import numpy as np

from tools.render.band_closures import closure
from tools.render.fasteners import Head, head
from tools.render.free_round import free_rim, free_section
from tools.render.outlines import Points, circle, rounded_rectangle, segments_for
from tools.render.pieces import Pieces, local_circle, piece, together
from tools.render.pump_shape import JointShape
from tools.render.solids import Mesh, cut, drum, join, lathe, placed, prism, shifted, tube


@dataclass(frozen=True, eq=False)
class Joint:
    """A built joint.

    Attributes:
        pieces: rim or band, bolts, circle.
        dish_start_mm: radius at which the cover's dish may begin.
        face_mm: local z of the face the dish rises from.
        rest_mm: local z of the plane a card taped over the joint rests on.
        behind_mm: local z of the joint's back, where the air section goes on.
        back_radius_mm: radius there.
    """

    pieces: Pieces
    dish_start_mm: float
    face_mm: float
    rest_mm: float
    behind_mm: float
    back_radius_mm: float


def joint(shape: JointShape) -> Joint:
    """The whole joint of one chamber."""
    return _clamped(shape) if shape.housing_joint == "clamp_band" else _bolted(shape)


def rim_bevel(shape: JointShape) -> float:
    """Bevel of a bolted rim's front edge, mm: the full diameter is reached this far behind the front face."""
    return min(0.18 * shape.front_mm, 0.01 * shape.diameter_mm, 2.5)


def bolt_angles(shape: JointShape) -> Points:
    """(K,) angles of the bolts from "up", counter-clockwise seen from outside."""
    return shape.clock_rad + np.arange(shape.bolt_count) * 2.0 * np.pi / max(shape.bolt_count, 1)


# Clamp band ---------------------------------------------------------------------------------------------


def _clamped(shape: JointShape) -> Joint:
    radius, half = shape.diameter_mm / 2.0, shape.front_mm
    if shape.kind == "free_band":
        section, edge_z = free_section(shape.form, radius, half, shape.band_mm)
    else:
        section, edge_z = _band_section(shape.kind, radius, half, shape.band_mm)
    under = float(section[:, 0].min()) - 0.2
    band = lathe(section)
    made = [closure(shape, radius, half, angle) for angle in _closure_angles(shape)]
    band = cut(band, [gap for _, gap in made])
    inner = under - 0.12 * half
    cover_edge = lathe(_ring(0.6 * inner, inner, shape.seam_mm / 2.0, 0.86 * half, 0.1 * half))
    air_edge = lathe(_ring(0.6 * inner, inner, -0.86 * half, -shape.seam_mm / 2.0, 0.1 * half))
    seam = tube(0.6 * inner, inner + 0.3, -shape.seam_mm, shape.seam_mm)
    pieces = together(
        [
            piece(band, "clamp_band", "band"),
            piece(cover_edge, "chamber_cover", "wetted"),
            piece(air_edge, "air_section", "air_section"),
            piece(seam, "other", "rubber"),
            *(made_pieces for made_pieces, _ in made),
            Pieces(circles=(local_circle("chamber_diameter", shape.diameter_mm, edge_z),)),
        ]
    )
    return Joint(pieces, 0.97 * inner, 0.84 * half, float(section[:, 1].max()), -0.8 * half, 0.96 * inner)


def _closure_angles(shape: JointShape) -> Points:
    return shape.clock_rad + np.arange(shape.closure_count) * 2.0 * np.pi / max(shape.closure_count, 1)


def _band_section(kind: str, radius: float, half: float, thick: float) -> tuple[Points, float]:
    """(N, 2) closed section of the band, and the front-most z at which it reaches its full radius."""
    if kind == "band_flat":
        bevel = 0.25 * thick
        lip = 0.5 * half
        outer = [
            (radius - bevel, -half),
            (radius, -half + bevel),
            (radius, half - bevel),
            (radius - bevel, half),
        ]
        inner = [(radius - lip, half), (radius - lip, 0.8 * half), (radius - thick, 0.7 * half)]
        inner += [(radius - thick, -0.7 * half), (radius - lip, -0.8 * half), (radius - lip, -half)]
        return np.array(outer + inner), half - bevel
    drop = 0.75 * half
    if kind == "band_round":
        angles = np.linspace(-0.5 * np.pi, 0.5 * np.pi, 21)
        outer_arc = np.column_stack([radius - drop + drop * np.cos(angles), half * np.sin(angles)])
        inner_arc = outer_arc[::-1] * (1.0, 0.82) - (thick, 0.0)
        return np.concatenate([outer_arc, inner_arc]), 0.0
    crest = 0.34 * half
    if kind == "band_channel":
        dip = 0.35 * thick
        outer = [
            (radius - drop, -half),
            (radius - 0.2 * thick, -half),
            (radius, -0.9 * half),
            (radius, -0.66 * half),
        ]
        outer += [(radius - dip, -0.58 * half), (radius - dip, 0.58 * half)]
        outer += [
            (radius, 0.66 * half),
            (radius, 0.9 * half),
            (radius - 0.2 * thick, half),
            (radius - drop, half),
        ]
        inner = [
            (radius - drop, 0.85 * half),
            (radius - thick, 0.7 * half),
            (radius - thick, -0.7 * half),
            (radius - drop, -0.85 * half),
        ]
        return np.array(outer + inner), 0.9 * half
    outer = [(radius - drop, -half), (radius, -crest), (radius, crest), (radius - drop, half)]
    inner = [
        (radius - drop - thick, 0.93 * half),
        (radius - thick, 0.75 * crest),
        (radius - thick, -0.75 * crest),
        (radius - drop - thick, -0.93 * half),
    ]
    if kind == "band_lipped":
        lip = 0.35 * drop
        front = [
            (radius - drop, 0.9 * half),
            (radius - drop + lip, half),
            (radius - drop + lip, half + 0.6 * thick),
        ]
        front += [(radius - drop - thick, half + 0.6 * thick)]
        outer = [(r, -z) for r, z in front[::-1]] + [(radius, -crest), (radius, crest)] + front
    return np.array(outer + inner), crest


def _ring(inner: float, outer: float, z0: float, z1: float, bevel: float) -> Points:
    return np.array(
        [
            (inner, z0),
            (outer - bevel, z0),
            (outer, z0 + bevel),
            (outer, z1 - bevel),
            (outer - bevel, z1),
            (inner, z1),
        ]
    )


# Bolted rim ---------------------------------------------------------------------------------------------


def _bolted(shape: JointShape) -> Joint:
    radius = shape.diameter_mm / 2.0
    bolt = head(shape.bolt_head, shape.bolt_system, shape.bolt_size)
    circle_radius = radius - shape.bolt_inset_mm
    front, seam = shape.seam_mm / 2.0 + shape.front_mm, shape.seam_mm / 2.0
    bevel = rim_bevel(shape)
    angles = bolt_angles(shape)
    spots = np.column_stack([-circle_radius * np.sin(angles), circle_radius * np.cos(angles)])
    rim = prism(_rim_outline(shape, radius), seam, front, bevel, 0.3 * bevel)
    if shape.kind == "rim_stepped":
        step = tube(0.5 * radius, radius - 2.1 * shape.bolt_inset_mm, seam, front + 0.4 * shape.front_mm, bevel)
        rim = join([rim, step])
    seat_z = front + shape.bolt_seat_mm
    if shape.bolt_seat_mm < 0.0:
        pocket = bolt.seat_radius_mm + 1.5
        rim = cut(rim, [placed(drum(pocket, seat_z, front + 5.0, 0.0, 40), shifted(x, y)) for x, y in spots])
    elif shape.bolt_seat_mm > 0.0:
        pad = drum(min(bolt.seat_radius_mm + 1.5, 0.96 * shape.bolt_inset_mm), seam + 1.0, seat_z, 0.8, 40)
        rim = join([rim, *(placed(pad, shifted(x, y)) for x, y in spots)])
    bolts = [
        piece(placed(bolt.mesh, shifted(x, y, seat_z, turn=k * 0.7)), "bolt", "fastener")
        for k, (x, y) in enumerate(spots)
    ]
    tops = np.column_stack([spots, np.full(len(spots), seat_z + bolt.height_mm)])
    pieces = together(
        [
            piece(rim, "bolted_rim", "wetted"),
            piece(_air_flange(shape, radius, seam, bevel), "bolted_rim", "air_section"),
            piece(
                prism(_rim_outline(shape, radius) * (1.0 - 1.2 / radius), -seam - 0.2, seam + 0.2),
                "other",
                "rubber",
            ),
            *bolts,
            *_back_ends(shape, bolt, spots),
            Pieces(circles=(local_circle("chamber_diameter", shape.diameter_mm, front - bevel, tops),)),
        ]
    )
    dish = min(circle_radius - bolt.seat_radius_mm - 2.0, 0.93 * radius)
    rest = max(front, seat_z + bolt.height_mm)
    nuts = shape.bolt_seat_mm >= 0.0 and shape.bolt_system != "inch"
    back_radius = circle_radius - 1.1 * bolt.seat_radius_mm - 1.0 if nuts else shape.back_share * radius * 0.93
    if shape.kind in ("rim_squarish", "rim_two_flats", "free_rim"):
        back_radius = min(back_radius, shape.back_share * shape.flat_share * radius - 3.0)
    elif shape.kind == "rim_scalloped":
        back_radius = min(back_radius, shape.back_share * (radius - _scallop_depth(shape, radius)) - 3.0)
    return Joint(pieces, dish, front, rest, -seam - shape.back_mm, back_radius)


def _back_ends(shape: JointShape, bolt: Head, spots: Points) -> list[Pieces]:
    """Nuts behind the air section's flange, seen from the side, where the bolts go through."""
    if shape.bolt_seat_mm < 0.0 or shape.bolt_system == "inch":
        return []
    nut = head("nut_stud", shape.bolt_system, bolt.size).mesh
    behind = -shape.seam_mm / 2.0 - shape.back_mm
    flip = np.diag([1.0, -1.0, -1.0, 1.0])
    return [piece(placed(nut, shifted(x, y, behind) @ flip), "bolt", "fastener") for x, y in spots]


def _air_flange(shape: JointShape, radius: float, seam: float, bevel: float) -> Mesh:
    """The air section's half of the joint: round like the cover's, or the plate it stands on."""
    back = -seam - shape.back_mm
    if shape.kind == "rim_square_plate":
        side = 2.0 * radius * 1.02
        return prism(rounded_rectangle(side, side, 0.35 * radius, 12), back, -seam, bevel)
    if shape.kind == "rim_octagon_plate":
        return prism(circle(1.06 * radius, 8, turn=np.pi / 8.0), back, -seam, bevel)
    return prism(_rim_outline(shape, radius) * shape.back_share, back, -seam, bevel)


def _rim_outline(shape: JointShape, radius: float) -> Points:
    """(N, 2) outline of the cover's flange; its round parts lie exactly on the radius."""
    n = segments_for(radius)
    if shape.kind == "rim_scalloped":
        return _scalloped(shape, radius)
    if shape.kind == "free_rim":
        return free_rim(shape.form, radius, shape.flat_share, shape.bolt_count, shape.clock_rad)
    if shape.kind in ("rim_squarish", "rim_two_flats"):
        flat = shape.flat_share * radius
        half = np.arccos(shape.flat_share)
        middles = np.arange(4) * np.pi / 2.0 if shape.kind == "rim_squarish" else np.array([np.pi / 2.0, 1.5 * np.pi])
        out: list[Points] = []
        for k, middle in enumerate(middles):
            following = middles[(k + 1) % len(middles)] + (2.0 * np.pi if k + 1 == len(middles) else 0.0)
            count = max(int(n * (following - middle - 2 * half) / (2 * np.pi)), 4)
            arc = np.linspace(middle + half, following - half, count)
            out.append(radius * np.column_stack([np.cos(arc), np.sin(arc)]))
        outline = np.concatenate(out)
        assert np.all(np.linalg.norm(outline, axis=1) >= flat)
        return outline
    return circle(radius, n)


def _scallop_depth(shape: JointShape, radius: float) -> float:
    return min(0.55 * shape.bolt_inset_mm, 0.5 * np.pi * radius / max(shape.bolt_count, 1))


def _scalloped(shape: JointShape, radius: float) -> Points:
    """Scallops cut inward between the bolts; the lobes over the bolts keep the full radius."""
    count = max(shape.bolt_count, 1)
    per_lobe = max(16, 2 * (segments_for(radius) // count))
    share = np.arange(count * per_lobe) / per_lobe
    from_lobe = np.abs((share + 0.5) % 1.0 - 0.5) * 2.0
    deep = np.clip((from_lobe - 0.5) / 0.5, 0.0, 1.0)
    depth = _scallop_depth(shape, radius)
    r = radius - depth * (0.5 - 0.5 * np.cos(np.pi * deep))
    angles = np.pi / 2.0 + shape.clock_rad + share * 2.0 * np.pi / count
    return np.column_stack([r * np.cos(angles), r * np.sin(angles)])
