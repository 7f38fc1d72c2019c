"""A run of many photos: which are done, which are left, one or many processes, a progress bar."""

import json
import multiprocessing
import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from tools.render.orders import Quality, Stopwatch, Wish
from tools.render.photo import make_scene, take_photo
from tools.render.photo_files import append_truth, write_photo
from tools.render.pump_model import PumpModel
from tools.render.splits import Split

PumpSource = Callable[[np.random.Generator, Split], PumpModel]


@dataclass(frozen=True)
class Run:
    """What a run makes.

    Attributes:
        out: folder for photos, masks and truth.jsonl.
        count: number of photos; seed, split: what they are derived from.
        quality, wish: see photo.py.
        photos_per_scene: cameras per scene.
        variant: Mitsuba variant; environments: panorama files.
        family_set: where pumps come from, see `pump_source`.
    """

    out: Path
    count: int
    seed: int
    split: Split
    quality: Quality
    wish: Wish
    photos_per_scene: int
    variant: str
    environments: tuple[Path, ...]
    family_set: str


def choose_variant(wanted: str) -> str:
    """Set and return the Mitsuba variant; "auto" takes CUDA where it starts, else scalar.

    `llvm_ad_rgb` is about four times faster than scalar on a CPU, but must be asked for by name: with an LLVM library
    older than version 16 it ends the whole process (set DRJIT_LIBLLVM_PATH to a newer one).
    """
    import mitsuba as mi

    mi.set_log_level(mi.LogLevel.Error)
    candidates = ("cuda_ad_rgb", "scalar_rgb") if wanted == "auto" else (wanted,)
    for variant in candidates:
        try:
            mi.set_variant(variant)
            if not variant.startswith("scalar"):
                import drjit as dr

                dr.eval(mi.Float(1.0) + mi.Float(1.0))
        except (ImportError, RuntimeError):
            if variant == candidates[-1]:
                raise
            continue
        return variant
    raise RuntimeError("no Mitsuba variant starts")


def photo_name(run: Run, index: int) -> str:
    """File name of a photo without suffix."""
    return f"{run.split}_{run.seed}_{index:06d}"


def done_photos(out: Path) -> set[str]:
    """Names of photos that have a whole truth line; a torn last line is cut off."""
    path = out / "truth.jsonl"
    if not path.exists():
        return set()
    whole, done = [], set()
    for line in path.read_text(encoding="utf-8").splitlines():
        try:
            done.add(str(json.loads(line)["photo"]).removesuffix(".jpg"))
        except (json.JSONDecodeError, KeyError):
            continue
        whole.append(line)
    fresh = path.with_suffix(".part")
    fresh.write_text("".join(line + "\n" for line in whole), encoding="utf-8")
    fresh.replace(path)
    return done


def pump_source(family_set: str) -> PumpSource:
    """Where pumps come from.

    Args:
        family_set: "none" draws free inventions, "demo" the packaged demo families with free details; "other" and
            "other-demo" are the same two from a second maker, `tools.other_pumps`.

    Raises:
        ValueError: another word.
    """
    from reference_geometry.store import load_reference

    families = load_reference(None).families
    if family_set == "none":
        from tools.render.sample_pump import sample_pump

        return sample_pump
    if family_set == "demo":
        from tools.render.from_family import pump_from_family

        def of_family(rng: np.random.Generator, split: Split) -> PumpModel:
            return pump_from_family(families[int(rng.integers(len(families)))], rng, split, mated_chance=0.25)

        return of_family
    if family_set not in ("other", "other-demo"):
        raise ValueError(f"no pumps called {family_set!r}")
    from tools.other_pumps import other_pump

    def of_other_maker(rng: np.random.Generator, split: Split) -> PumpModel:
        family = families[int(rng.integers(len(families)))] if family_set == "other-demo" else None
        return other_pump(rng, family, split)

    return of_other_maker


def make_scene_photos(
    run: Run, scene: int, wanted: frozenset[int]
) -> Iterator[tuple[dict[str, Any], dict[str, float]]]:
    """Make the wanted photos of one scene; yields (truth record, seconds per stage) after each is written."""
    watch = Stopwatch()
    made = make_scene(
        pump_source(run.family_set), run.seed, scene, run.split, run.photos_per_scene, run.quality, run.wish,
        run.environments, watch,
    )  # fmt: skip
    for number in range(run.photos_per_scene):
        index = scene * run.photos_per_scene + number
        if index not in wanted:
            continue
        jpeg, mask, record = take_photo(made, number, run.seed, index, run.quality, run.wish, watch)
        with watch.stage("write"):
            record = write_photo(run.out, photo_name(run, index), jpeg, mask, record)
        yield record, watch.seconds
        watch = Stopwatch()


def execute(
    run: Run,
    workers: int,
    report: Callable[[dict[str, Any], dict[str, float]], None],
    resumed: Callable[[int], None],
) -> None:
    """Make all photos that are not done yet.

    Args:
        run: what to make.
        workers: processes.
        report: called in this process after each photo with its record and seconds per stage.
        resumed: called once with the number of photos found done.
    """
    run.out.mkdir(parents=True, exist_ok=True)
    done = done_photos(run.out)
    left = [index for index in range(run.count) if photo_name(run, index) not in done]
    resumed(run.count - len(left))
    scenes: dict[int, set[int]] = {}
    for index in left:
        scenes.setdefault(index // run.photos_per_scene, set()).add(index)
    jobs = [(run, scene, frozenset(wanted)) for scene, wanted in scenes.items()]
    if workers <= 1:
        choose_variant(run.variant)
        for job in jobs:
            for record, seconds in make_scene_photos(*job):
                append_truth(run.out, record)
                report(record, seconds)
        return
    context = multiprocessing.get_context("spawn")
    with context.Pool(workers, initializer=start_worker, initargs=(run.variant, workers)) as pool:
        for results in pool.imap_unordered(_work, jobs):
            for record, seconds in results:
                append_truth(run.out, record)
                report(record, seconds)


def start_worker(variant: str, workers: int) -> None:
    """Share the cores: each process gets its part of the threads."""
    # With one thread a process, runs on two GPUs stood still after a few scenes; with two they never did.
    threads = max(2, cores() // workers)
    os.environ.setdefault("OMP_NUM_THREADS", str(threads))
    import cv2

    cv2.setNumThreads(threads)
    choose_variant(variant)
    import drjit as dr

    dr.set_thread_count(threads)


def cores() -> int:
    """Processor cores this process may run on: several runs at once, each on its own, must not each count them all."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _work(job: tuple[Run, int, frozenset[int]]) -> list[tuple[dict[str, Any], dict[str, float]]]:
    return list(make_scene_photos(*job))
