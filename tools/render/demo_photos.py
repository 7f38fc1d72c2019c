"""Make the project's demo photos: `python -m tools.render.demo_photos`.

Each is what a sensible user sends: a pump of the packaged invented set with a scale reference, nearly square on. A
scene is drawn anew until a glance at its truth says that part and reference are well in view; as the draws are seeded,
the same list gives the same photos. `truth.jsonl` beside them holds the exact truth (schema: README of tools/render).

A run that was stopped goes on where it was: a photo counts as made when it and its line of truth are there.
"""

import json
import multiprocessing
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any

import numpy as np
import typer

from reference_geometry.store import load_reference
from tools.render.composition import faults_of
from tools.render.demo_list import DEMOS, Demo
from tools.render.from_family import pump_from_family
from tools.render.orders import Quality, Stopwatch, Wish
from tools.render.photo import MadeScene, make_scene, take_photo
from tools.render.photo_files import write_whole
from tools.render.pump_model import PumpModel
from tools.render.run import start_worker
from tools.render.splits import Split

SEED = 2026
TRIES = 40
MOST_BYTES = 300_000


def wish_of(demo: Demo, size: float = 1.0) -> Wish:
    """What the demo fixes of its scene."""
    width, height = (2 * round(side * size / 2) for side in demo.size_px)
    return Wish(
        view=demo.view, instance=demo.instance, references=demo.references, card_at=demo.card_at, flat=True,
        place=demo.place, light=demo.light, lens_mm=demo.lens_mm, size_px=(width, height), message=demo.message,
        decent=True, most_bytes=MOST_BYTES,
    )  # fmt: skip


def source_of(demo: Demo) -> Callable[[np.random.Generator, Split], PumpModel]:
    """A pump source that always gives the demo's family.

    Raises:
        ValueError: the set has no such family.
    """
    family = next((f for f in load_reference(None).families if f.family_id == demo.family_id), None)
    if family is None:
        raise ValueError(f"{demo.name}: the packaged set has no family {demo.family_id}")

    def sample(rng: np.random.Generator, _split: Split) -> PumpModel:
        return pump_from_family(family, rng)

    return sample


def compose(demo: Demo, quality: Quality, size: float = 1.0) -> tuple[MadeScene, int]:
    """The first well composed scene from the demo's own on, and its number.

    Raises:
        RuntimeError: none of TRIES scenes was well composed.
    """
    faults: list[str] = []
    for scene in range(demo.scene, demo.scene + TRIES):
        made = make_scene(source_of(demo), SEED, scene, "val", 1, quality, wish_of(demo, size), (), Stopwatch())
        faults = faults_of(made, demo)
        if not faults:
            return made, scene
    raise RuntimeError(f"{demo.name}: none of {TRIES} scenes was well composed; the last one: {', '.join(faults)}")


def make_demo(demo: Demo, samples: int, size: float = 1.0) -> tuple[bytes, dict[str, Any]]:
    """Compose a scene and take its photo; returns JPEG bytes and the truth record."""
    quality = Quality.for_size(round(max(demo.size_px) * size), samples, True)
    made, scene = compose(demo, quality, size)
    jpeg, _, record = take_photo(made, 0, SEED, scene, quality, wish_of(demo, size), Stopwatch())
    return jpeg, {"photo": f"{demo.name}.jpg", "mask": None, **record, "card_at": demo.card_at}


def _work(job: tuple[Demo, int, float]) -> tuple[Demo, bytes, dict[str, Any]] | tuple[Demo, None, str]:
    demo, samples, size = job
    try:
        return demo, *make_demo(demo, samples, size)
    except (RuntimeError, ValueError) as error:
        return demo, None, str(error)


def main(
    out: Annotated[Path, typer.Option(help="Folder for photos and truth.jsonl.")] = Path("demo_photos"),
    spp: Annotated[int, typer.Option(min=1, help="Light paths per pixel.")] = 96,
    only: Annotated[str, typer.Option(help="Only names that begin so.")] = "",
    size: Annotated[
        float, typer.Option("--size", "--scale-size", help="Share of the full size, for a quick look.")
    ] = 1.0,
    variant: Annotated[str, typer.Option(help="auto, cuda_ad_rgb, llvm_ad_rgb or scalar_rgb.")] = "auto",
    workers: Annotated[int, typer.Option(min=1, help="Processes.")] = 1,
) -> None:
    """Make the demo photos that are not there yet."""
    out.mkdir(parents=True, exist_ok=True)
    wanted = [demo for demo in DEMOS if demo.name.startswith(only)]
    told = {line["photo"] for line in truth_lines(out)}
    left = [d for d in wanted if f"{d.name}.jpg" not in told or not (out / f"{d.name}.jpg").exists()]
    typer.echo(f"{len(wanted) - len(left)} photos are there, {len(left)} to make")
    failed = 0
    processes = min(workers, max(1, len(left)))
    context = multiprocessing.get_context("spawn")
    with context.Pool(processes, initializer=start_worker, initargs=(variant, processes)) as pool:
        for demo, jpeg, record in pool.imap_unordered(_work, [(demo, spp, size) for demo in left]):
            if jpeg is None:
                typer.echo(str(record), err=True)
                failed += 1
                continue
            _write_bytes(out / f"{demo.name}.jpg", jpeg)
            _remember(out, record)
            typer.echo(f"{demo.name}  {demo.family_id}  {len(jpeg) / 1000:.0f} kB")
    raise typer.Exit(1 if failed else 0)


def truth_lines(folder: Path) -> list[dict[str, Any]]:
    """The truth records of a folder, one a photo."""
    path = folder / "truth.jsonl"
    if not path.exists():
        return []
    return [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]


def _remember(folder: Path, record: Any) -> None:
    """Replace or add one photo's line, lines in order of names."""
    kept = [line for line in truth_lines(folder) if line["photo"] != record["photo"]] + [record]
    kept.sort(key=lambda line: str(line["photo"]))
    text = "".join(json.dumps(line, separators=(",", ":")) + "\n" for line in kept)
    _write_bytes(folder / "truth.jsonl", text.encode())


def _write_bytes(path: Path, content: bytes) -> None:
    write_whole(path, lambda partial: partial.write_bytes(content))


if __name__ == "__main__":
    typer.run(main)
