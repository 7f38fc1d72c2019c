"""A hand-made survey of one invented pump: what speaks to people is tested without finding any parts."""

import numpy as np
import pytest
from PIL import Image, ImageDraw

from features.measured import AttributeEvidence, Contribution, MeasuredLength
from features.photo import FocalPrior, Photo
from features.photo_survey import FittedCircle, PhotoSurvey
from features.ports import PortSize
from features.problems import Problem, all_problem_kinds
from features.scale.reference import ScaleReference


def ellipse(center, axes, angle_deg=0.0, count=240):
    t = np.linspace(0, 2 * np.pi, count, endpoint=False)
    a = np.radians(angle_deg)
    turn = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
    return np.stack([axes[0] * np.cos(t), axes[1] * np.sin(t)], axis=1) @ turn.T + center


def length(name, value_mm, edge=0.002, scale=0.006, offset_mm=7.0, photos=("pump.jpg",)):
    parts = (
        Contribution("edge", f"edge:{name}", edge),
        Contribution("print_scale", "print:pocket", scale),
        Contribution("offset", f"offset:{name}", 0.004),
    )
    return MeasuredLength(name, value_mm, parts, photos, offset_mm, 0.3)


def kind(code):
    return next(k for k in all_problem_kinds() if k.code == code)


@pytest.fixture
def photo(tmp_path):
    """A drawn picture of round parts, stored as `pump.jpg`."""
    picture = Image.new("RGB", (1600, 1200), (112, 116, 110))
    pen = ImageDraw.Draw(picture)
    pen.ellipse((350, 300, 1050, 980), fill=(60, 62, 66))
    pen.ellipse((1150, 350, 1450, 650), fill=(160, 60, 50))
    pen.rectangle((520, 560, 820, 760), fill=(240, 240, 236))
    for x in range(540, 810, 24):
        pen.line((x, 590, x + 12, 590), fill=(0, 0, 0), width=6)
    path = tmp_path / "pump.jpg"
    picture.save(path, quality=92)
    return Photo("pump.jpg", path, np.asarray(picture), FocalPrior(1300.0, 0.1, "phone_prior"))


@pytest.fixture
def photo_survey(photo):
    """What might be measured in that picture."""
    corners = np.array([[520.0, 560], [820, 560], [820, 760], [520, 760]])
    scale = ScaleReference(
        "scale_card", "pocket scale card", np.zeros((4, 2)), corners, 0.1, corners, 0.003, "print:pocket"
    )
    circles = (
        FittedCircle("chamber_diameter", ellipse((700, 640), (350, 340)), 0.91, length("chamber_diameter", 213.4)),
        FittedCircle("flange_diameter", ellipse((1300, 500), (150, 150)), 0.8, length("flange_diameter", 108.2)),
        FittedCircle(
            "bolt_circle_diameter",
            ellipse((1300, 500), (110, 110)),
            0.7,
            length("bolt_circle_diameter", 79.5),
        ),
        FittedCircle("port_bore", ellipse((1300, 500), (55, 55)), 0.6, length("port_bore", 24.5, edge=0.02)),
    )
    marks = {"bolt_heads": ellipse((700, 640), (320, 312), count=8)}
    return PhotoSurvey(
        photo.name,
        photo.path,
        1600,
        1200,
        {"chamber": 0.7, "port": 0.2, "front": 0.05, "three_quarter": 0.04, "other": 0.01},
        scale,
        0.3676,
        0.006,
        circles,
        marks,
        (),
        (Problem(kind("no_scale"), "only for this test"),),
        card_at="rim",
    )


@pytest.fixture
def survey(photo_survey):
    """The survey of that one photo."""
    from features.survey import Survey

    attributes = (
        AttributeEvidence("connection", {"flanged": 0.97, "threaded": 0.03}, ("pump.jpg",)),
        AttributeEvidence("housing_joint", {"clamp_band": 0.1, "bolted": 0.9}, ("pump.jpg",)),
        AttributeEvidence("chamber_bolt_count", {"8": 0.9, "10": 0.06, "12": 0.04}, ("pump.jpg",)),
        AttributeEvidence("wetted_material", {"plastic": 0.85, "metal": 0.15}, ("pump.jpg",)),
    )
    ports = (
        PortSize("ASME B16.5 Class 150", "1", 25, 0.86),
        PortSize("EN 1092-1 PN10/16", "1", 25, 0.12),
        PortSize("JIS B2220 10K", "1", 25, 0.02),
    )
    return Survey((photo_survey,), (), tuple(c.length for c in photo_survey.circles), attributes, ports)
