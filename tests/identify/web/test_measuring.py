"""Work on a case that somebody gives up stays given up, also where it has not begun, and later work goes on."""

import pytest

from identify.web.case_record import KeptPhoto
from identify.web.case_store import CaseStore
from identify.web.measuring import Measurer
from identify.web.worker_process import Stopped


@pytest.fixture
def measurer(tmp_path):
    made = Measurer(CaseStore(tmp_path / "cases"), tmp_path)
    yield made
    made.close()


def test_what_is_given_up_while_photos_are_taken_in_is_known_afterwards(measurer):
    taking = measurer.taking_in("one")
    others = measurer.taking_in("two")
    measurer.stop("one")  # another place of the card was said: it will be measured all the same
    assert not taking.is_set()
    measurer.give_up("one")
    assert taking.is_set()
    assert not others.is_set()
    assert not measurer.taking_in("one").is_set(), "the next photos are taken in and measured"


def test_measuring_that_is_given_up_ends_and_can_begin_again(measurer, demo_photo):
    case = measurer._store.open_case("kim")
    photo = KeptPhoto(photo_id="1", name="pump.jpg", digest="0" * 64, width_px=1600, height_px=1200, card_at="rim")
    measurer._store.photo_path(case.number, "1").write_bytes(demo_photo.read_bytes())
    case = measurer._store.change(case.number, lambda c: c.model_copy(update={"photos": (photo,)}))
    going_on = measurer.measure(case)
    next(going_on)
    measurer.give_up(case.number)
    with pytest.raises(Stopped):
        for _ in going_on:
            pass
    assert not measurer.is_measured(case)
    assert measurer.measured(case).lengths
    assert measurer.is_measured(case)
