"""The way of the photos of one pump: load, find the scale, find the parts, measure, combine."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from features.measured import AttributeEvidence, MeasuredLength
from features.photo import PhotoRefused
from features.ports import PortSize
from features.problems import Problem
from features.scale.reference import ScaleReference, ScaleRequest

CardAt = Literal["rim", "flange", "cover", "floor", "unknown"]


@dataclass(frozen=True)
class LookAt:
    """A user's hint: the feature `name` lies about here (pixels of the upright photo)."""

    name: str
    x_px: float
    y_px: float
    radius_px: float


@dataclass(frozen=True)
class SurveyRequest:
    """What the user said before the photos were looked at.

    Attributes:
        scale: what was said about scale references.
        card_at: where the reference lies.
        look_at: hints where features are.
        known: attribute or `*_mm` values already known, as typed (`connection` -> "flanged").
    """

    scale: ScaleRequest = field(default_factory=ScaleRequest)
    card_at: CardAt = "unknown"
    look_at: tuple[LookAt, ...] = ()
    known: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class FittedCircle:
    """A circle found and fitted in one photo, for drawing and for explaining.

    Attributes:
        name: word of the design's section 3.
        outline_px: (M, 2) fitted curve in pixels of the upright photo.
        visible_fraction: part of the outline that edges supported, 0..1.
        length: what it measured.
    """

    name: str
    outline_px: NDArray[np.float64]
    visible_fraction: float
    length: MeasuredLength


@dataclass(frozen=True, eq=False)
class PhotoSurvey:
    """What one photo gave.

    Attributes:
        name: file name; path: where it was read from; width_px, height_px: upright size.
        view: probability of each view name.
        scale: the reference used, or None.
        mm_per_px: in the reference plane at the reference, 0 without scale.
        scale_relative_sd: standard uncertainty of that, relative.
        circles: fitted circles with their lengths.
        marks_px: named point sets for drawing, e.g. "bolt_heads" -> (K, 2).
        attributes: evidence from this photo alone.
        problems: everything noticed.
    """

    name: str
    path: Path
    width_px: int
    height_px: int
    view: Mapping[str, float]
    scale: ScaleReference | None
    mm_per_px: float
    scale_relative_sd: float
    circles: tuple[FittedCircle, ...]
    marks_px: Mapping[str, NDArray[np.float64]]
    attributes: tuple[AttributeEvidence, ...]
    problems: tuple[Problem, ...]


@dataclass(frozen=True, eq=False)
class Survey:
    """What all photos of one pump gave together.

    Attributes:
        photos: one entry a photo that could be read.
        refused: files that could not be read.
        lengths: combined lengths; their covariance is `features.measured.log_covariance(lengths)`.
        attributes: combined evidence, one entry an attribute.
        ports: possible port sizes, most probable first.
    """

    photos: tuple[PhotoSurvey, ...]
    refused: tuple[PhotoRefused, ...]
    lengths: tuple[MeasuredLength, ...]
    attributes: tuple[AttributeEvidence, ...]
    ports: tuple[PortSize, ...]


def survey_photos(paths: Sequence[Path], request: SurveyRequest) -> Survey:
    """Survey all photos of one pump."""
    raise NotImplementedError
