"""The test split shows kinds that training never sees, in every table of the renderer."""

import numpy as np
import pytest

pytest.importorskip("trimesh")
pytest.importorskip("mitsuba")

from tools.render import finish_kinds, lights, materials, surroundings, things, wear_kinds
from tools.render.splits import Kind, draw, kinds_of

TABLES = {
    "plastics": finish_kinds.PLASTICS,
    "metals": finish_kinds.METALS,
    "wears": wear_kinds.WEARS,
    "lights": lights.LIGHTS,
    "places": surroundings.PLACES,
    "walls": surroundings.WALLS,
    "things": things.THINGS,
}


@pytest.mark.parametrize("name", TABLES)
def test_no_kind_is_in_both_splits(name: str) -> None:
    table: tuple[Kind, ...] = TABLES[name]
    train, test = ({kind.name for kind in kinds_of(table, split)} for split in ("train", "test"))
    assert train
    assert test
    assert not train & test
    assert {kind.name for kind in kinds_of(table, "val")} == train


def test_draws_stay_in_their_split() -> None:
    rng = np.random.default_rng(0)
    drawn = {draw(lights.LIGHTS, "test", rng) for _ in range(200)}
    assert drawn == {kind.name for kind in lights.LIGHTS if kind.held_out}


def test_texture_pictures_differ_between_train_and_test() -> None:
    """Even a kind that both may use (a small mark, a floor below a bench) is painted from other seeds."""
    assert materials.texture_seed("train", "concrete", 3) == materials.texture_seed("val", "concrete", 3)
    assert materials.texture_seed("train", "concrete", 3) != materials.texture_seed("test", "concrete", 3)


def test_grounds_of_test_places_are_no_grounds_of_training_places() -> None:
    def grounds(split: str) -> set[str]:
        return {g for kind in kinds_of(surroundings.PLACES, split) for g in surroundings.GROUNDS[kind.name]}

    assert not grounds("train") & grounds("test")


def test_paint_colors_are_held_out() -> None:
    assert not set(finish_kinds._PAINTS) & set(finish_kinds._TEST_PAINTS)
