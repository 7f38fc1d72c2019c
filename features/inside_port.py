"""What shows inside a port's circles: a thread's pitch, both edges of its mouth, the raised face of a flange."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

from features.measure_circles import MeasuredCircle
from features.mouth_edges import edge_lengths, mouth_edges
from features.other_way import leaning_other_way
from features.parts.finder import PartQuestion
from features.parts.port_opening import told_only
from features.photo import FocalPrior
from features.placement import MOUTHS, CardAt
from features.raised_face import raised_face_length, ring_on_face
from features.spans import MeasuredSpan
from features.thread_pitch import ON_FACE_SD_DEG, PLANE_SD_DEG, pitch_length, read_pitch, wall_line_px

JOINT = "chamber_diameter"
BOLTS, HOLE, OPENING = "bolt_circle_diameter", "bolt_hole_diameter", "port_bore"
Circles = Mapping[str, MeasuredCircle]
"""Measured circles by their names."""


def spans_inside_port(
    focal: FocalPrior, question: PartQuestion, measured: Sequence[MeasuredCircle], flanged: bool, card_at: CardAt
) -> tuple[MeasuredSpan, ...]:
    """Lengths that a measured port shows besides its circles.

    Args:
        focal: of the photo.
        question: what the circles were looked for by.
        measured: the photo's circles.
        flanged: whether the port is a flange's: its mouth shows no thread then.
        card_at: where the reference lies.
    """
    circles = {circle.found.sighting.name: circle for circle in reversed(measured)}
    mouth = next((circle for circle in measured if circle.found.sighting.name in MOUTHS), None)
    if flanged or mouth is None or mouth.found.edge_on:
        return _raised_face(question, circles)
    lone = not question.has_scale or (card_at == "floor" and JOINT not in circles)
    plane_sd_deg = ON_FACE_SD_DEG if card_at == "flange" and not lone else PLANE_SD_DEG
    pitch = _pitch(question, mouth, focal.relative_sd if lone else None, plane_sd_deg)
    return (*pitch, *_both_edges(question, circles), *_raised_face(question, circles))


def _pitch(
    question: PartQuestion, mouth: MeasuredCircle, focal_relative_sd: float | None, plane_sd_deg: float
) -> tuple[MeasuredSpan, ...]:
    """The pitch of the thread that shows inside a mouth, if one does.

    Where nothing but the mouth tells how its plane lies, the focal length counts, as well as it is known, and the wall
    is looked for both ways that the mouth may lean. A mouth of which no edge was followed does not tell it: flattened a
    tenth too little, half of its slant may be lost, and of the pitch.
    """
    if focal_relative_sd is not None and told_only(mouth.found):
        return ()
    other = None if focal_relative_sd is None else leaning_other_way(mouth.solved)
    read = [
        (way, pitch)
        for way in (mouth.solved, *([other] if other else []))
        if (pitch := read_pitch(question.gray, way, mouth.found.coverage, focal_relative_sd, plane_sd_deg))
    ]
    if not read:
        return ()
    way, pitch = max(read, key=lambda one: one[1].plainness)
    return (MeasuredSpan(pitch_length(replace(way, length=mouth.length), pitch), wall_line_px(way, pitch)),)


def _both_edges(question: PartQuestion, circles: Circles) -> tuple[MeasuredSpan, ...]:
    """Major and minor diameter of a thread, where both edges of its mouth are seen apart.

    They are looked for beside the one that was traced: where the mouth is no more than told, there is none.
    """
    mouth = circles.get(OPENING)
    edges = (
        mouth
        and not told_only(mouth.found)
        and mouth_edges(question.gray, mouth.solved, mouth.found.coverage, question.keep_out_px)
    )
    if not mouth or not edges:
        return ()
    across = [share * mouth.solved.length.value_mm for share in (edges.chamfer, edges.crests)]
    lengths = edge_lengths(mouth.length, edges)
    return tuple(MeasuredSpan(one, mouth.solved.outline_px(2, mm)) for one, mm in zip(lengths, across, strict=True))


def _raised_face(question: PartQuestion, circles: Circles) -> tuple[MeasuredSpan, ...]:
    """The raised face of a flange whose holes are open, if it has one."""
    bolts, hole, opening = (circles.get(name) for name in (BOLTS, HOLE, OPENING))
    if bolts is None or hole is None:
        return ()
    across = bolts.length.value_mm
    inner = opening.length.value_mm / across if opening else 0.0
    share = ring_on_face(question.gray, bolts.solved, inner, hole.length.value_mm / across, question.keep_out_px)
    if share is None:
        return ()
    length = raised_face_length(bolts.length, share)
    ends_px = bolts.solved.outline_px(2, share * bolts.solved.length.value_mm)
    return (MeasuredSpan(length, ends_px),)
