"""Loads the packaged demo set, invented from end to end."""

from functools import cache
from importlib import resources
from pathlib import Path

from reference_geometry.families import ReferenceSet
from reference_geometry.table_import import read_families, read_kits

DEMO_NAME = "packaged demo set (invented makers, pumps, kits and prices)"


@cache
def load_demo_set() -> ReferenceSet:
    """The packaged demo set.

    Raises:
        RuntimeError: the package is damaged.
    """
    folder = resources.files("reference_geometry.demo")
    with (
        resources.as_file(folder / "families.csv") as families_file,
        resources.as_file(folder / "kits.csv") as kits_file,
    ):
        families, kits = read_families(Path(families_file)), read_kits(Path(kits_file))
    if not families:
        raise RuntimeError(f"the packaged demo set is damaged: {families}")
    if not kits:
        raise RuntimeError(f"the packaged demo set is damaged: {kits}")
    return ReferenceSet(families.families, kits.kits, name=DEMO_NAME, is_demo=True)
