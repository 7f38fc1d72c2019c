"""Families, kits and readings of every shape a table can hold, for the tests of the store."""

from datetime import date

from hypothesis import strategies as st

from reference_geometry.families import Family, Kit, KnownLength
from reference_geometry.measurements import Measurement
from reference_geometry.plausible import LENGTH_BOUNDS_MM
from reference_geometry.standards import NOMINAL_SIZES, PORT_STANDARDS, parse_port_standard

# What a cell can hold: no control characters, no surrounding space, no lone surrogates.
texts = st.text(st.characters(exclude_categories=("Cc", "Cs")) | st.sampled_from("=+-@'\";,\t äöü½"), max_size=20).map(
    lambda text: text.replace("\t", " ").strip()
)
names = texts.filter(lambda text: text and len(text.splitlines()) == 1)
ids = st.text(
    st.characters(categories=("L", "N"), max_codepoint=0x2FF) | st.sampled_from("-=@."),
    min_size=1,
    max_size=12,
)


def maybe(strategy):
    return st.none() | strategy


@st.composite
def families(draw, family_id):
    standard = draw(maybe(st.sampled_from(PORT_STANDARDS)))
    connection = (
        parse_port_standard(standard).connection if standard else draw(maybe(st.sampled_from(("flanged", "threaded"))))
    )
    joint = draw(maybe(st.sampled_from(("clamp_band", "bolted"))))
    names_of_lengths = draw(st.lists(st.sampled_from(["chamber_diameter", "overall_height", "overall_width",
                                                      "foot_spacing_long"]), unique=True))  # fmt: skip
    return Family(
        family_id=family_id,
        maker=draw(names),
        family=draw(names),
        size_label=draw(texts),
        connection=connection,
        port_standard=standard,
        port_nominal_in=draw(maybe(st.sampled_from([size.nominal_in for size in NOMINAL_SIZES]))),
        port_position=draw(maybe(st.sampled_from(("end", "center")))),
        swivel_flange=draw(maybe(st.booleans())),
        housing_joint=joint,
        chamber_bolt_count=None if joint == "clamp_band" else draw(maybe(st.integers(3, 48))),
        bolt_hole_count=draw(maybe(st.integers(3, 24))),
        wetted_material=draw(maybe(st.sampled_from(("plastic", "metal")))),
        air_valve_side=draw(maybe(st.sampled_from(("front", "rear")))),
        max_flow_lpm=draw(maybe(st.floats(0.5, 5000.0))),
        lengths={name: draw(lengths(name)) for name in names_of_lengths},
        notes=draw(texts),
        extras=draw(st.dictionaries(st.sampled_from(("cover_depth_mm", "paint", "shelf")), texts.filter(bool))),
    )


@st.composite
def lengths(draw, name):
    mean = draw(st.floats(*LENGTH_BOUNDS_MM[name]))
    return KnownLength(mean, draw(maybe(st.floats(0.0, 0.19 * mean))), draw(st.integers(0, 50)))


@st.composite
def kits(draw, family_ids):
    """Kit rows of one set: a number means one kit, whatever family it is listed for."""
    rows = []
    for number in draw(st.lists(ids, unique=True, max_size=4)):
        price = draw(maybe(st.floats(0.01, 99999.0)))
        shared = {
            "section": draw(st.sampled_from(("fluid", "air"))),
            "elastomer": draw(texts),
            "contents": draw(texts),
            "price": price,
            "currency": "USD" if price is not None else draw(st.sampled_from(("", "EUR"))),
            "lead_time_days": draw(maybe(st.floats(0.0, 730.0))),
            "stock": draw(maybe(st.integers(0, 1000))),
            "superseded_by": draw(st.sampled_from(("", "new number ½"))),
        }
        fits = draw(st.lists(st.sampled_from(family_ids), unique=True, min_size=1))
        rows += [Kit(kit_no=number, family_id=family_id, **shared) for family_id in fits]
    return tuple(rows)


@st.composite
def whole_sets(draw):
    family_ids = draw(st.lists(ids, unique=True, min_size=1, max_size=4))
    made = tuple(draw(families(family_id)) for family_id in family_ids)
    readings = tuple(
        Measurement(f"m{i}", family_id, "chamber_diameter", value, draw(texts), date(2026, 3, 1 + i), draw(texts))
        for i, (family_id, value) in enumerate(
            draw(st.lists(st.tuples(st.sampled_from(family_ids), st.floats(40.0, 900.0)), max_size=4))
        )
    )
    return made, draw(kits(family_ids)), readings
