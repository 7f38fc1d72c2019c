"""The truth about a case is kept beside what was said of it, and hand readings become the shop's own."""

from dataclasses import replace

import pytest

from features.survey import combine_surveys
from identify.web.case_record import KeptPhoto
from identify.web.case_store import CaseStore
from identify.web.confirming import confirm, reopened
from identify.web.desk import Desk, ShopSet
from identify.web.intake import remove_photo
from reference_geometry.demo_set import load_demo_set
from reference_geometry.store import open_store


class NoMeasuring:
    """Stands in for the worker processes: the survey is made by hand here."""

    def stop(self, number):
        pass


@pytest.fixture
def desk(tmp_path):
    """A shop whose own set is a copy of the demo set."""
    url = f"sqlite:///{tmp_path / 'shop.db'}"
    demo = load_demo_set()
    with open_store(url, create=True) as store:
        store.put(demo.families, demo.kits)
    return Desk(CaseStore(tmp_path / "cases"), NoMeasuring(), ShopSet(url), tmp_path)


@pytest.fixture
def answered(desk, photo_survey):
    case = desk.cases.open_case("kim")
    photo = KeptPhoto(photo_id="1", name="pump.jpg", digest="0" * 64, width_px=1600, height_px=1200, card_at="rim")
    record = desk.cases.change(
        case.number,
        lambda c: c.with_known("chamber_diameter", "chamber_diameter=212.0mm").model_copy(update={"photos": (photo,)}),
    )
    return desk.answer(record, combine_surveys([photo_survey]))


def test_the_truth_is_kept_beside_what_was_said(desk, answered):
    best = answered.answer.candidates[0]
    record = confirm(desk, answered, best.family.family_id, "sam")
    kept = CaseStore(desk.cases._folder).load(record.number).confirmed
    assert (kept.family_id, kept.by) == (best.family.family_id, "sam")
    assert kept.probability == kept.best_probability == pytest.approx(best.probability)
    assert record.state == "closed"
    photo = next(x for x in answered.survey.lengths if x.name == "chamber_diameter")
    together = (photo.standard_uncertainty_mm**2 + 1.0**2) ** 0.5  # a caliper reading is good to 1 mm here
    assert kept.pulls["chamber_diameter"] == pytest.approx((photo.value_mm - 212.0) / together, abs=2e-3)


def test_hand_readings_go_into_the_shops_set_once(desk, answered):
    family_id = answered.answer.candidates[0].family.family_id
    record = confirm(desk, answered, family_id, "sam")
    confirm(desk, replace(answered, record=record), family_id, "sam")
    with open_store(desk.shop.url) as store:
        (reading,) = store.measurements(family_id)
    assert (reading.name, reading.value_mm, reading.measured_by) == ("chamber_diameter", pytest.approx(212.0), "sam")
    known = next(f for f in desk.shop.prepared.reference.families if f.family_id == family_id)
    listed = next(f for f in load_demo_set().families if f.family_id == family_id)
    assert known.lengths["chamber_diameter"].count == listed.lengths["chamber_diameter"].count + 1


def test_a_pump_outside_the_set_teaches_no_family(desk, answered):
    record = confirm(desk, answered, "", "sam")
    assert record.confirmed.probability == pytest.approx(answered.answer.not_in_set)
    with open_store(desk.shop.url) as store:
        assert store.measurements() == ()
    assert reopened(record).confirmed is None
    assert reopened(record).state == "sent"


def test_a_removed_photo_is_gone_from_record_and_disk(desk, answered):
    number = answered.record.number
    path = desk.cases.photo_path(number, "1")
    path.write_bytes(b"x")
    assert remove_photo(desk, number, "1").photos == ()
    assert not path.exists()
    assert remove_photo(desk, number, "../../x").photos == ()


def test_two_uploads_never_share_a_place(desk):
    number = desk.cases.open_case("kim").number
    assert [desk.cases.new_photo(number) for _ in range(3)] == ["1", "2", "3"]
