"""Command line: `python -m tools.render --count N --seed S --out DIR`."""

from pathlib import Path
from typing import Annotated, Any, Literal, cast

import typer
from rich.console import Console
from rich.progress import (
    BarColumn,
    MofNCompleteColumn,
    Progress,
    TextColumn,
    TimeElapsedColumn,
    TimeRemainingColumn,
)
from rich.table import Table

from tools.render.cameras import VIEWS
from tools.render.lights import environment_files
from tools.render.orders import Quality, Wish
from tools.render.run import Run, execute
from tools.render.splits import SPLITS


def main(
    count: Annotated[int, typer.Option(help="number of photos", min=1)],
    out: Annotated[Path, typer.Option(help="folder for photos, masks and truth.jsonl; a stopped run resumes there")],
    seed: Annotated[int, typer.Option(help="same seed, same photos")] = 0,
    size: Annotated[int, typer.Option(help="pixels along the photo's longer side", min=96)] = 1280,
    view: Annotated[str | None, typer.Option(help=f"only this view: {', '.join(VIEWS)}")] = None,
    instance: Annotated[int | None, typer.Option(help="only this chamber or port, 0 or 1", min=0, max=1)] = None,
    split: Annotated[str, typer.Option(help=f"{', '.join(SPLITS)}; test uses kinds the others never see")] = "train",
    family_set: Annotated[
        str,
        typer.Option(help="none: free inventions; demo: packaged families; other and other-demo: by the second maker"),
    ] = "none",
    references: Annotated[str | None, typer.Option(help="lay exactly these, e.g. pocket or pocket,coin:us-25c")] = None,
    card_at: Annotated[str | None, typer.Option(help="where the first of them goes: rim, flange, cover, floor")] = None,
    samples: Annotated[int, typer.Option("--spp", help="light paths per pixel", min=1)] = 24,
    denoise: Annotated[bool, typer.Option(help="use the denoiser of the variant, where there is one")] = True,
    photos_per_scene: Annotated[
        int, typer.Option(help="cameras per built scene (part of what a seed means)", min=1)
    ] = 1,
    workers: Annotated[int, typer.Option(help="processes", min=1)] = 1,
    variant: Annotated[str, typer.Option(help="auto, cuda_ad_rgb, llvm_ad_rgb or scalar_rgb")] = "auto",
    environments: Annotated[Path | None, typer.Option(help="folder with panoramas (.exr, .hdr, .exr.js)")] = None,
    profile: Annotated[bool, typer.Option(help="print where the time went")] = False,
) -> None:
    """Render invented pumps as phone photos, with exact truth."""
    if view is not None and view not in VIEWS:
        raise typer.BadParameter(f"view must be one of {', '.join(VIEWS)}")
    if split not in SPLITS:
        raise typer.BadParameter(f"split must be one of {', '.join(SPLITS)}")
    wish = Wish(
        view=view,
        instance=instance,
        references=None if references is None else tuple(r for r in references.split(",") if r and r != "none"),
        card_at=cast(Literal["rim", "flange", "cover", "floor"] | None, card_at),
    )
    run = Run(
        out, count, seed, split, Quality.for_size(size, samples, denoise), wish, photos_per_scene, variant,
        environment_files(environments), family_set,
    )  # fmt: skip
    spent: dict[str, float] = {}
    console = Console()
    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeElapsedColumn(),
        TimeRemainingColumn(),
    )
    with Progress(*columns, console=console) as progress:
        task = progress.add_task("photos", total=None)

        def report(record: dict[str, Any], seconds: dict[str, float]) -> None:
            progress.advance(task)
            for stage, value in seconds.items():
                spent[stage] = spent.get(stage, 0.0) + value

        progress.update(task, total=count)
        execute(run, workers, report, lambda done: progress.update(task, completed=done))
    if profile:
        console.print(_profile_table(spent, count))


def _profile_table(spent: dict[str, float], count: int) -> Table:
    table = Table("stage", "seconds in all", "per photo", title="where the time went")
    for stage, seconds in sorted(spent.items(), key=lambda item: -item[1]):
        table.add_row(stage, f"{seconds:.2f}", f"{seconds / count:.3f}")
    return table


if __name__ == "__main__":
    typer.run(main)
