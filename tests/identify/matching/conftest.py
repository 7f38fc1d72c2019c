"""Small invented reference sets and measured lengths, so that every number can be checked on paper."""

import pytest

from features.measured import AttributeEvidence, Contribution, MeasuredLength
from identify.matching.settings import MatchSettings
from reference_geometry.demo_set import load_demo_set
from reference_geometry.families import Family, Kit, KnownLength, ReferenceSet


def measured(name, value_mm, edge=0.002, scale=0.006):
    """A length with an error of its own and the photo's shared scale error (3.0: no scale at all)."""
    heading = "scale" if scale >= 1.0 else "reference"
    parts = (Contribution("edge", f"edge:{name}", edge), Contribution(heading, "scale of the photo", scale))
    return MeasuredLength(name, value_mm, parts, ("pump.jpg",))


def family(family_id, lengths, **attributes):
    """A family with plain mean lengths."""
    known = {name: value if isinstance(value, KnownLength) else KnownLength(value) for name, value in lengths.items()}
    return Family(family_id, attributes.pop("maker", "Hollin"), "invented", "1 in", lengths=known, **attributes)


def kit(kit_no, family_id, section="fluid", elastomer="PTFE"):
    """A kit row."""
    return Kit(kit_no, family_id, section, elastomer, "2 diaphragms; 4 balls", 310.0, "USD", 7.0, 3)


@pytest.fixture
def make():
    """The three makers above as one object."""

    class Make:
        length = staticmethod(measured)
        family = staticmethod(family)
        kit = staticmethod(kit)

        @staticmethod
        def attribute(name, **likelihood):
            return AttributeEvidence(name, likelihood)

    return Make


@pytest.fixture
def three(make):
    """Three families: A and B share their kits, C has its own; B is A with a taller port spacing."""
    plain = {"wetted_material": "metal", "connection": "flanged", "housing_joint": "bolted"}
    a = make.family("A", {"chamber_diameter": 212.0, "port_spacing": 300.0}, chamber_bolt_count=8, **plain)
    b = make.family("B", {"chamber_diameter": 212.0, "port_spacing": 340.0}, chamber_bolt_count=8, **plain)
    c = make.family("C", {"chamber_diameter": 231.0, "port_spacing": 322.0}, chamber_bolt_count=10, **plain)
    kits = (
        make.kit("K1", "A"),
        make.kit("K1", "B"),
        make.kit("K2", "A", elastomer="EPDM"),
        make.kit("K2", "B", elastomer="EPDM"),
        make.kit("K3", "C"),
        make.kit("AIR", "A", section="air", elastomer=""),
        make.kit("AIR", "B", section="air", elastomer=""),
        make.kit("AIR", "C", section="air", elastomer=""),
    )
    return ReferenceSet((a, b, c), kits, "three invented families")


@pytest.fixture(scope="session")
def demo():
    """The packaged demo set."""
    return load_demo_set()


@pytest.fixture
def settings():
    """The defaults."""
    return MatchSettings()
