"""A large set is imported and loaded in a time one can wait for; run with -s to see the figures.

UNTAGGED_LARGE_SET=100000 takes the full size; the usual run takes a tenth, to stay short.
"""

import os
import time
from dataclasses import replace

from reference_geometry.demo_set import load_demo_set
from reference_geometry.families import KnownLength
from reference_geometry.store import load_reference, open_store
from reference_geometry.transfer import export_families, import_tables

COUNT = int(os.environ.get("UNTAGGED_LARGE_SET", "10000"))


def test_a_large_set(tmp_path):
    """Loose bounds on CPU time: they catch a step that grows with the square of the count."""
    models = load_demo_set().families
    families = []
    for number in range(COUNT):
        model = models[number % len(models)]
        chamber = KnownLength(model.lengths["chamber_diameter"].mean_mm * (1 + 1e-7 * number), 0.5, 3)
        lengths = {**model.lengths, "chamber_diameter": chamber}
        families.append(replace(model, family_id=f"{model.family_id}-{number}", lengths=lengths))
    url = f"sqlite:///{tmp_path / 'large.db'}"
    steps = {}
    start = time.process_time()
    export_families(tmp_path / "f.csv", families)
    steps["export"] = time.process_time() - start
    start = time.process_time()
    with open_store(url, create=True) as store:
        report = import_tables(store, tmp_path / "f.csv")
    steps["import"] = time.process_time() - start
    assert report
    assert report.change.families.added == COUNT
    start = time.process_time()
    loaded = load_reference(url)
    steps["load"] = time.process_time() - start
    assert loaded.families[-1] == families[-1]
    assert len(loaded.families) == COUNT
    print(f"\n{COUNT} families: " + ", ".join(f"{name} {seconds:.1f} s" for name, seconds in steps.items()))
    assert steps["import"] / COUNT < 2e-3
    assert steps["load"] / COUNT < 1e-3
