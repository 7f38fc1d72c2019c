"""Make the project's demo photos: `python -m tools.render.demo_photos`.

Each is what a sensible user sends: a pump of the packaged invented set with a scale reference, nearly square on. A scene
is drawn anew until a glance at its truth says that the part and the reference are well in view; as the draws are seeded,
the same list gives the same photos. `truth.jsonl` beside them holds the exact truth (schema: README of tools/render).
"""

import json
import multiprocessing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any

import numpy as np
import typer

from tools.render.cameras import View
from tools.render.first_hits import first_hits
from tools.render.photo import MadeScene, Quality, Stopwatch, Wish, label_mask, make_scene, take_photo
from tools.render.place_references import Where
from tools.render.pump_model import PumpModel
from tools.render.run import choose_variant
from tools.render.splits import Split
from tools.render.truth import truth_record

PHONE_PX = (2048, 1536)
MESSAGE_PX = (1600, 1200)
SEED = 2026
TRIES = 24


@dataclass(frozen=True)
class Demo:
    """One demo photo: which pump, seen how, with what reference, in what light."""

    name: str
    family_id: str
    references: tuple[str, ...]
    card_at: Where | None = None
    view: View = "chamber"
    message: bool = False
    place: str | None = None
    light: str | None = None
    wish: dict[str, Any] = field(default_factory=dict)


DEMOS = (
    Demo("01_pocket_card_on_rim", "MQ-CAT-20M-N", ("pocket",), "rim"),
    Demo("02_pocket_card_on_cover", "FW-BRY-20P-A", ("pocket",), "cover"),
    Demo("03_pocket_card_on_band", "OB-TEA-20M-N", ("pocket",), "rim"),
    Demo("04_pocket_card_on_cover", "TW-MUL-20P-D", ("pocket",), "cover"),
    Demo("05_bank_card_on_rim", "TW-MUL-15P-D", ("bank_card",), "rim"),
    Demo("06_pocket_card_on_rim", "MQ-CAT-15M-N", ("pocket",), "rim"),
    Demo("07_bank_card_on_cover", "FW-BRY-15P-A", ("bank_card",), "cover"),
    Demo("08_pocket_card_on_rim", "MQ-CAT-30M-A", ("pocket",), "rim"),
    Demo("09_pocket_card_on_cover", "OB-TEA-30M-A", ("pocket",), "cover"),
    Demo("10_two_euro_coin_on_cover", "SL-COM-20M-D", ("coin:eur-2",), "cover"),
    Demo("11_quarter_on_cover", "FW-BRY-10P-A", ("coin:us-25c",), "cover"),
    Demo("12_pocket_card_on_flange", "OB-TEA-20M-A", ("pocket",), "flange", "port"),
    Demo("13_pocket_card_on_rim", "SL-COM-30M-D", ("pocket",), "rim"),
    Demo("14_large_card_on_rim", "TW-MUL-30P-D", ("large",), "rim"),
    Demo("15_message_pocket_card", "MQ-CAT-20R-N", ("pocket",), "rim", message=True),
    Demo("16_message_pocket_card", "SL-COM-15P-D", ("pocket",), "cover", message=True),
    Demo("17_no_scale_port", "FW-BRY-20P-DC", (), None, "port"),
)


def wish_of(demo: Demo, size: float = 1.0) -> Wish:
    """What the demo fixes of its scene."""
    width, height = MESSAGE_PX if demo.message else PHONE_PX
    return Wish(
        view=demo.view, instance=0, references=demo.references, card_at=demo.card_at, flat=True, place=demo.place,
        light=demo.light, lens_mm=26.0, size_px=(round(width * size), round(height * size)), message=demo.message,
        decent=True,
    )  # fmt: skip


def source_of(family_id: str) -> Any:
    """A pump source that always gives this family."""
    from reference_geometry.store import load_reference
    from tools.render.from_family import pump_from_family

    family = next(f for f in load_reference(None).families if f.family_id == family_id)

    def sample(rng: np.random.Generator, split: Split) -> PumpModel:
        return pump_from_family(family, rng)

    return sample


def is_well_composed(made: MadeScene, demo: Demo) -> bool:
    """A glance at the truth of a thumbnail: the part large, near the middle, not slanted, the reference whole."""
    camera = made.cameras[0]
    scale = 480 / max(camera.width_px, camera.height_px)
    small = camera.resized(round(camera.width_px * scale), round(camera.height_px * scale))
    hits = first_hits(made.built.scene, small)
    truth = truth_record(made.model, made.references, small, hits, label_mask(made.built, hits), None)
    wanted = "chamber_diameter" if demo.view == "chamber" else "flange_diameter"
    part = [f for f in truth["features"] if f["name"] == wanted and f["faces_camera"] and f["visible_fraction"] > 0.5]
    if not part or len(made.references) != len(demo.references):
        return False
    feature = min(part, key=lambda f: float(f["center_mm"][2]))
    center, normal = np.array(feature["center_mm"]), np.array(feature["normal"])
    tilt = np.degrees(np.arccos(np.clip(-normal @ center / np.linalg.norm(center), -1, 1)))
    extent = feature["diameter_mm"] * truth["camera"]["fx"] / center[2] / min(small.width_px, small.height_px)
    whole = all(r["visible_fraction"] > 0.97 and r["card_at"] == demo.card_at for r in truth["scale_references"])
    least = 0.42 if demo.view == "chamber" else 0.22
    return bool(tilt < 24 and least < extent < 0.9 and whole)


def make_demo(demo: Demo, quality: Quality, size: float) -> tuple[bytes, dict[str, Any]]:
    """Draw scenes until one is well composed, then take the photo.

    Raises:
        RuntimeError: no scene of TRIES was well composed.
    """
    wish, watch, number = wish_of(demo, size), Stopwatch(), DEMOS.index(demo)
    for attempt in range(TRIES):
        scene = 1000 * number + attempt
        made = make_scene(source_of(demo.family_id), SEED, scene, "val", 1, quality, wish, (), watch)
        if is_well_composed(made, demo):
            jpeg, _, record = take_photo(made, 0, SEED, scene, quality, wish, watch)
            return jpeg, {"photo": f"{demo.name}.jpg", "mask": None, **record, "card_at": demo.card_at}
    raise RuntimeError(f"{demo.name}: none of {TRIES} scenes was well composed")


def _work(job: tuple[Demo, Quality, float]) -> tuple[Demo, bytes, dict[str, Any]] | tuple[Demo, None, str]:
    demo, quality, size = job
    try:
        return demo, *make_demo(demo, quality, size)
    except RuntimeError as error:
        return demo, None, str(error)


def main(
    out: Annotated[Path, typer.Option(help="folder for photos and truth.jsonl")] = Path("demo_photos"),
    spp: Annotated[int, typer.Option(help="light paths per pixel")] = 64,
    only: Annotated[str, typer.Option(help="names that begin so")] = "",
    size: Annotated[float, typer.Option(help="share of the full size, for a quick look")] = 1.0,
    variant: Annotated[str, typer.Option(help="auto, cuda_ad_rgb, llvm_ad_rgb or scalar_rgb")] = "auto",
    workers: Annotated[int, typer.Option(help="processes")] = 1,
) -> None:
    """Make the demo photos that are not there yet."""
    out.mkdir(parents=True, exist_ok=True)
    left = [d for d in DEMOS if d.name.startswith(only) and not (out / f"{d.name}.jpg").exists()]
    jobs = [(demo, Quality.for_size(max(PHONE_PX), spp, True), size) for demo in left]
    with multiprocessing.get_context("spawn").Pool(workers, initializer=choose_variant, initargs=(variant,)) as pool:
        for demo, jpeg, record in pool.imap_unordered(_work, jobs):
            if jpeg is None:
                typer.echo(str(record), err=True)
                continue
            (out / f"{demo.name}.jpg").write_bytes(jpeg)
            _remember(out / "truth.jsonl", record)
            typer.echo(f"{demo.name}  {demo.family_id}")


def _remember(path: Path, record: Any) -> None:
    """Replace or add one photo's line, lines in order of names."""
    lines = [json.loads(line) for line in path.read_text().splitlines()] if path.exists() else []
    kept = [line for line in lines if line["photo"] != record["photo"]] + [record]
    kept.sort(key=lambda line: str(line["photo"]))
    path.write_text("".join(json.dumps(line, separators=(",", ":")) + "\n" for line in kept))


if __name__ == "__main__":
    typer.run(main)
