"""Averages weights trained from one start: `python -m tools.train.average a.pt b.pt --out m.pt --packed train.npz`.

Runs that go on from the same weights with other batches end in one valley; its middle is better than its rims, most of
all on pictures unlike the training ones (Wortsman et al. 2022, arXiv 2203.05482). So is a place between a start and
where a further go on few photos of another kind led: name one of them twice to come nearer to it. Statistics are
settled afterwards, or averaged like the rest where no photos are given.
"""

from pathlib import Path
from typing import Annotated

import torch
import typer
from torch import Tensor

from tools.train.settle import main as settle_file


def averaged(states: list[dict[str, Tensor]]) -> dict[str, Tensor]:
    """The mean of every tensor; counters are taken from the first."""
    return {
        name: torch.stack([state[name] for state in states]).mean(dim=0) if first.is_floating_point() else first
        for name, first in states[0].items()
    }


def main(
    weights: Annotated[list[Path], typer.Argument(help="made by tools.train, from one start")],
    out: Annotated[Path, typer.Option(help="weights to write")],
    packed: Annotated[
        list[Path] | None, typer.Option(help="packed training photos to settle the statistics on")
    ] = None,
    empty: Annotated[Path | None, typer.Option(help="file made by tools.train.empty")] = None,
) -> None:
    """Average, and settle."""
    kept = [torch.load(path, map_location="cpu", weights_only=True) for path in weights]
    torch.save({**kept[0], "network": averaged([one["network"] for one in kept])}, out)
    if packed:
        settle_file(out, packed, empty)


if __name__ == "__main__":
    typer.run(main)
