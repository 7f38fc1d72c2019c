"""Measures the batch statistics that averaged weights need: `python -m tools.train.settle weights.pt packed.npz`.

Batch normalization keeps running means that lag behind the weights, and an average of weights has seen none of its own.
So they are measured anew with the final weights, as stochastic weight averaging does (Izmailov et al. 2018, arXiv
1803.05407, section 3.2).
"""

from collections.abc import Callable
from pathlib import Path
from typing import Annotated

import torch
import typer
from torch import Tensor, nn

from tools.train.network import PartNetwork
from tools.train.pictures import draw_batch, load_store


def settle(network: nn.Module, pictures: Callable[[], Tensor], batches: int) -> None:
    """Replace all running means and variances by averages over training pictures.

    Args:
        network: left in evaluation mode.
        pictures: draws (B, 3, P, P) training pictures on the network's device.
        batches: how many to average over.
    """
    norms = [layer for layer in network.modules() if isinstance(layer, nn.modules.batchnorm._BatchNorm)]
    for norm in norms:
        norm.reset_running_stats()
        # None makes the running values plain averages over all batches.
        norm.momentum = None
    network.train()
    with torch.no_grad():
        for _ in range(batches):
            network(pictures().contiguous(memory_format=torch.channels_last))
    network.eval()


def main(
    weights: Annotated[Path, typer.Argument(help="made by tools.train; rewritten")],
    packed: Annotated[list[Path], typer.Argument(help="packed training photos")],
    empty: Annotated[Path | None, typer.Option(help="file made by tools.train.empty")] = None,
    batches: Annotated[int, typer.Option(min=1)] = 60,
    batch: Annotated[int, typer.Option(min=2)] = 16,
    seed: Annotated[int, typer.Option()] = 0,
) -> None:
    """Settle the statistics of weights that were trained before this step existed, or on few photos."""
    torch.manual_seed(seed)
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    kept = torch.load(weights, map_location=device, weights_only=True)
    network = PartNetwork().to(device)
    network.load_state_dict(kept["network"])
    store = load_store(packed, empty, device, seed)
    settle(network, lambda: draw_batch(store, batch).pictures, batches)
    torch.save({**kept, "network": network.state_dict()}, weights)


if __name__ == "__main__":
    typer.run(main)
