"""Command line: `python -m tools.cross_render draw|develop`; between the two, Blender renders (see README.md)."""

from pathlib import Path
from typing import Annotated

import typer

from tools.cross_render.develop import develop_folder
from tools.cross_render.hand_over import hand_over
from tools.render.cameras import VIEWS
from tools.render.orders import Wish
from tools.render.run import choose_variant

app = typer.Typer(help=__doc__, no_args_is_help=True)
Folder = Annotated[Path, typer.Argument(help="folder for scenes, and in the end photos, masks and truth.jsonl")]


@app.command()
def draw(
    folder: Folder,
    scenes: Annotated[int, typer.Option(help="how many", min=1)],
    seed: Annotated[int, typer.Option(help="same seed, same scenes")] = 0,
    first: Annotated[int, typer.Option(help="number of the first, for several processes")] = 0,
    photos_per_scene: Annotated[int, typer.Option(help="cameras of each", min=1)] = 1,
    size: Annotated[int, typer.Option(help="pixels along the photo's longer side", min=96)] = 1280,
    view: Annotated[str | None, typer.Option(help=f"only this view: {', '.join(VIEWS)}")] = None,
    family_set: Annotated[
        str,
        typer.Option(help="none: free inventions; demo: packaged families; other and other-demo: by the second maker"),
    ] = "none",
    references: Annotated[str | None, typer.Option(help="lay exactly these, e.g. pocket or pocket,coin:us-25c")] = None,
    variant: Annotated[str, typer.Option(help="of Mitsuba, for the truth: auto, cuda_ad_rgb, scalar_rgb")] = "auto",
) -> None:
    """Draw scenes and keep their truth."""
    if view is not None and view not in VIEWS:
        raise typer.BadParameter(f"view must be one of {', '.join(VIEWS)}")
    choose_variant(variant)
    laid = None if references is None else tuple(r for r in references.split(",") if r and r != "none")
    wish = Wish(view=view, references=laid)
    hand_over(folder, range(first, first + scenes), photos_per_scene, seed, wish, family_set, size)


@app.command()
def develop(folder: Folder) -> None:
    """Develop the light that Blender left in the folder."""
    typer.echo(f"{develop_folder(folder)} photos developed")


if __name__ == "__main__":
    app()
