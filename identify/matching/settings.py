"""Every number the matcher assumes, in one place, so that each can be stated, changed and argued about."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

ATTRIBUTE_NAMES = (
    "connection",
    "port_standard",
    "port_nominal_in",
    "port_position",
    "swivel_flange",
    "housing_joint",
    "chamber_bolt_count",
    "bolt_hole_count",
    "wetted_material",
    "air_valve_side",
    "maker",
    "body_color",
    "slotted_holes",
    "air_valve_screw_count",
    "port",
)
"""Attributes a family is compared by.

`body_color`, `slotted_holes` and `air_valve_screw_count` are read from a family's extra columns where a set
has them; `port` is standard and nominal size together, as the survey's port table gives them.
"""

COUNT_ATTRIBUTES = ("chamber_bolt_count", "bolt_hole_count", "air_valve_screw_count")
"""Attributes that are counts: a miscount is near, not anywhere."""

SEEN_ALIKE = ("body_color",)
"""Attributes that people and photos are misled about alike, by a coat that is not the maker's: what a person says takes
the place of what photos show, instead of doubling it."""

MAGNET_STICKS: Mapping[str, float] = MappingProxyType({"metal": 0.35, "plastic": 0.01})
"""How often a magnet sticks to the bare liquid body: cast iron and carbon steel, but neither aluminum nor most
stainless steel (common practice)."""


def _read_only(**values: float) -> Mapping[str, float]:
    return MappingProxyType(values)


@dataclass(frozen=True)
class MatchSettings:
    """Assumptions of the matcher. All defaults are common practice or our own choice, none is published.

    Relative values are standard deviations of the logarithm of a length.

    Attributes:
        not_in_set_prior: probability, before anything is seen, that the pump is not in the reference set.
        metal_tolerance, plastic_tolerance: spread between pumps of one family, cast or machined metal and
            molded plastic, where the set gives none (common practice).
        overall_tolerance: the same for outermost heights and widths, which options and feet change.
        standard_tolerance: spread of a flange or thread built to a standard, about the table value.
        loose_flange_factor: how much wider that is for slotted and swivel flanges, which serve several
            standards.
        tolerance_weight: how many measurements the stated tolerance counts for beside a shop's own few.
        wrong_length, wrong_length_sd: how often a length is read in a photo at another edge than the one meant (a
            raised face for a rim, a cover for its joint), and how far off it then is.
        wrong_reference, wrong_reference_sd: how often a coin or a card without a pattern is another thing of its
            shape, and how far off all lengths of its photo then are, in logs.
        model_floor: what the measurement's budget may have left out, independent for each length.
        broad_inflation: how much wider than the set's own spread the lengths of unknown pumps are taken.
        least_share: no value of an attribute falls below this over the number of its values, so that no
            evidence rules a family out for good. No error rate: photo evidence brings its own, as measured.
        typed_error: how often an answer typed by a person is wrong, by attribute.
        typed_error_default: the same for attributes not listed.
        photo_error: how often a photo not yet taken is expected to show an attribute wrongly, where the part model
            has no measured confusion table.
        temperature: calibration hook; scores are divided by it before they become probabilities, 1 changes
            nothing.
        order_threshold: probability that a kit fits, below which it is never called "order".
        wrong_kit_cost: what ordering a wrong kit costs (return, freight, days down), in `cost_currency`.
        exchange_minutes: trouble of every question, however easy: reaching the customer, waiting, writing it
            down.
        cost_per_minute: what a minute of the customer's and the seller's trouble costs, in `cost_currency`.
        cost_currency: currency of the two costs.
        smallest_listed: candidates below this probability are left out and the rest renormalized.
        smallest_kit_listed: kits that fit with less than this probability are left out.
        replacement_threshold: a family this probable is set beside those that could take its place.
        surprise_sd: a typed length further than this many combined standard deviations away is pointed out.
    """

    not_in_set_prior: float = 0.05
    metal_tolerance: float = 0.004
    plastic_tolerance: float = 0.006
    overall_tolerance: float = 0.010
    standard_tolerance: float = 0.006
    loose_flange_factor: float = 2.0
    tolerance_weight: float = 4.0
    wrong_length: float = 0.03
    wrong_length_sd: float = 0.15
    wrong_reference: float = 0.03
    wrong_reference_sd: float = 1.0
    model_floor: float = 0.003
    broad_inflation: float = 1.25
    least_share: float = 0.01
    typed_error: Mapping[str, float] = field(
        default_factory=lambda: _read_only(
            connection=0.01,
            port_standard=0.08,
            port_nominal_in=0.04,
            port_position=0.02,
            swivel_flange=0.05,
            housing_joint=0.01,
            chamber_bolt_count=0.02,
            bolt_hole_count=0.01,
            wetted_material=0.02,
            air_valve_side=0.04,
            maker=0.05,
            body_color=0.10,
            slotted_holes=0.03,
            air_valve_screw_count=0.02,
            kit_no=0.03,
        )
    )
    typed_error_default: float = 0.05
    photo_error: float = 0.05
    temperature: float = 1.0
    order_threshold: float = 0.99
    wrong_kit_cost: float = 400.0
    exchange_minutes: float = 3.0
    cost_per_minute: float = 1.5
    cost_currency: str = "USD"
    smallest_listed: float = 1e-6
    smallest_kit_listed: float = 0.001
    replacement_threshold: float = 0.8
    surprise_sd: float = 3.0

    def question_cost(self, minutes: float) -> float:
        """What asking costs, the exchange itself included, in `cost_currency`."""
        return (minutes + self.exchange_minutes) * self.cost_per_minute

    def typed_error_of(self, attribute: str) -> float:
        """How often a typed answer about this attribute is wrong."""
        return self.typed_error.get(attribute, self.typed_error_default)
