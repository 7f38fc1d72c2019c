"""Trains the part model: `python -m tools.train packed.npz --weights W.pth --out part_model.pt`."""

import json
import math
import time
from pathlib import Path
from typing import Annotated

import numpy as np
import torch
import typer
from torch import Tensor

from features.parts.part_vocabulary import PART_CLASSES
from tools.train.batches import Batch, PhotoStore, cut, emptied, random_moves
from tools.train.clutter import covered, with_round_things
from tools.train.empty import beside_pumps, load_squares
from tools.train.losses import losses_of
from tools.train.network import PartNetwork, load_start
from tools.train.pack import Packed
from tools.train.recolor import recolored
from tools.train.settle import settle

EMPTY_SHARE = 0.1
"""Share of training pictures without a pump."""
AVERAGE = 0.998
"""Decay of the running average of the weights, which is what is kept."""
SETTLE_BATCHES = 60


def main(
    packed: Annotated[list[Path], typer.Argument(help="files made by tools.train.pack")],
    out: Annotated[Path, typer.Option(help="weights to write")],
    weights: Annotated[Path | None, typer.Option(help="to start from: ImageNet's, or those of an earlier run")] = None,
    empty: Annotated[Path | None, typer.Option(help="file made by tools.train.empty")] = None,
    steps: Annotated[int, typer.Option(min=1)] = 4000,
    seconds: Annotated[float, typer.Option(help="stop within this time, the schedule shortened to fit")] = math.inf,
    batch: Annotated[int, typer.Option(min=2)] = 64,
    rate: Annotated[float, typer.Option(help="highest learning rate")] = 2e-3,
    seed: Annotated[int, typer.Option()] = 0,
) -> None:
    """Train on packed photos; prints the losses and writes the averaged weights."""
    torch.manual_seed(seed)
    torch.backends.cudnn.benchmark = False
    torch.set_float32_matmul_precision("high")
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    store = load_store(packed, empty, device, seed)
    network = PartNetwork()
    if weights is not None:
        typer.echo(load_start(network, weights))
    network = network.to(device, memory_format=torch.channels_last)
    averaged = torch.optim.swa_utils.AveragedModel(
        network, multi_avg_fn=torch.optim.swa_utils.get_ema_multi_avg_fn(AVERAGE), use_buffers=True
    )
    optimizer = torch.optim.AdamW(network.parameters(), lr=rate, weight_decay=0.02)
    class_weights = weights_of_classes(store.classes)
    begin, log, done, step = time.monotonic(), [], 0.0, 0
    network.train()
    while done < 1.0:
        for group in optimizer.param_groups:
            group["lr"] = rate * min(1.0, step / 200) * (0.5 + 0.5 * math.cos(math.pi * done)) + 1e-6
        pictures = draw_batch(store, batch)
        with torch.autocast(device.type, torch.bfloat16, enabled=device.type == "cuda"):
            outputs = network(pictures.pictures.contiguous(memory_format=torch.channels_last))
        losses = losses_of(outputs, pictures, class_weights)
        optimizer.zero_grad(set_to_none=True)
        losses.total().backward()
        torch.nn.utils.clip_grad_norm_(network.parameters(), 5.0)
        optimizer.step()
        averaged.update_parameters(network)
        step += 1
        done = max(step / steps, (time.monotonic() - begin) / seconds)
        if step % 100 == 0 or done >= 1.0:
            log.append({"step": step, "seconds": round(time.monotonic() - begin, 1)}
                       | {name: round(float(value.detach()), 4) for name, value in losses.by_name.items()})  # fmt: skip
            typer.echo(json.dumps(log[-1]))
    settle(averaged.module, lambda: draw_batch(store, batch).pictures, SETTLE_BATCHES)
    torch.save({"network": averaged.module.state_dict(), "log": log, "photos": len(store)}, out)


def load_store(packed: list[Path], empty: Path | None, device: torch.device, seed: int) -> PhotoStore:
    """All photos and pictures without pumps, on the device."""
    parts = [Packed.load(path) for path in packed]
    whole = Packed(**{name: np.concatenate([getattr(p, name) for p in parts]) for name in parts[0].__dict__})
    rng = np.random.default_rng(seed)
    squares = [beside_pumps(whole, len(whole.names) // 5 + 1, rng)]
    if empty is not None:
        squares.append(load_squares(empty))
    typer.echo(f"{len(whole.names)} photos, {sum(map(len, squares))} pictures without a pump")
    return PhotoStore.of(whole, torch.from_numpy(np.concatenate(squares)), device)


def weights_of_classes(classes: Tensor) -> Tensor:
    """Rare classes weigh more, by the root of how rare they are, within limits."""
    count = torch.bincount(classes[::7, ::4, ::4].flatten().long(), minlength=len(PART_CLASSES)).float() + 1
    weight = (count.sum() / count / len(count)).sqrt().clamp(0.4, 4.0)
    return weight / weight.mean()


def draw_batch(store: PhotoStore, count: int) -> Batch:
    """Random pictures with truth."""
    device = store.photos.device
    index = torch.randint(len(store), (count,), device=device)
    pictures = cut(store, index, random_moves(store.size[index]))
    if not len(store.empty):
        return pictures
    chosen = store.empty[torch.randint(len(store.empty), (count,), device=device)]
    backgrounds = with_round_things(chosen.permute(0, 3, 1, 2).float(), 0.12)
    pictures = covered(pictures, backgrounds.roll(1, 0), 0.3)
    which = torch.rand(count, device=device) < EMPTY_SHARE
    pictures = emptied(pictures, which, backgrounds)
    changed = recolored(pictures.pictures, pictures.classes, backgrounds.roll(3, 0))
    return Batch(changed, pictures.classes, pictures.points, pictures.rounds, pictures.attributes, pictures.seen)


if __name__ == "__main__":
    typer.run(main)
