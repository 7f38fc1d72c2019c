"""Trains the part model: `python -m tools.train packed.npz --weights W.pth --out part_model.pt`."""

import json
import math
import time
from pathlib import Path
from typing import Annotated

import torch
import typer

from features.parts.part_vocabulary import PICTURE_PX
from tools.train.losses import losses_of
from tools.train.network import PartNetwork, load_start
from tools.train.pictures import draw_batch, load_store
from tools.train.settle import settle
from tools.train.together import Team

AVERAGE = 0.998
"""Decay of the running average of the weights, which is what is kept."""
SETTLE_BATCHES = 60
AGREE_STEPS = 10
"""Steps between two looks at the clock."""
KEEP_STEPS = 500
"""Steps between two writings of the weights."""


def main(
    packed: Annotated[list[Path], typer.Argument(help="files made by tools.train.pack")],
    out: Annotated[Path, typer.Option(help="weights to write")],
    weights: Annotated[Path | None, typer.Option(help="to start from: ImageNet's, or those of an earlier run")] = None,
    empty: Annotated[Path | None, typer.Option(help="file made by tools.train.empty")] = None,
    steps: Annotated[int, typer.Option(min=1)] = 4000,
    seconds: Annotated[float, typer.Option(help="stop within this time, the schedule shortened to fit")] = math.inf,
    batch: Annotated[int, typer.Option(min=2)] = 64,
    small: Annotated[int, typer.Option(help="side of the pictures that training begins with, a multiple of 32")] = 384,
    small_share: Annotated[float, typer.Option(help="part of the time spent on these")] = 0.0,
    rate: Annotated[float, typer.Option(help="highest learning rate")] = 2e-3,
    seed: Annotated[int, typer.Option()] = 0,
) -> None:
    """Train on packed photos; prints the losses and writes the averaged weights."""
    team = Team.join()
    torch.manual_seed(seed * team.size + team.rank)
    torch.backends.cudnn.benchmark = False
    torch.set_float32_matmul_precision("high")
    store = load_store(team.dealt(packed), empty, team.device, seed + team.rank)
    photos = team.summed(len(store))
    network = PartNetwork()
    if weights is not None:
        _say(team, load_start(network, weights))
    network = network.to(team.device, memory_format=torch.channels_last)
    shared = team.shared(network)
    averaged = torch.optim.swa_utils.AveragedModel(
        network, multi_avg_fn=torch.optim.swa_utils.get_ema_multi_avg_fn(AVERAGE), use_buffers=True
    )
    optimizer = torch.optim.AdamW(network.parameters(), lr=rate, weight_decay=0.02, fused=team.device.type == "cuda")
    begin, log, done, step = time.monotonic(), [], 0.0, 0
    network.train()
    while done < 1.0:
        for group in optimizer.param_groups:
            group["lr"] = rate * min(1.0, step / 200) * (0.5 + 0.5 * math.cos(math.pi * done)) + 1e-6
        pictures = draw_batch(store, batch, small if done < small_share else PICTURE_PX)
        with torch.autocast(team.device.type, torch.bfloat16, enabled=team.device.type == "cuda"):
            outputs = shared(pictures.pictures.contiguous(memory_format=torch.channels_last))
        losses = losses_of(outputs, pictures)
        optimizer.zero_grad(set_to_none=True)
        losses.total().backward()
        torch.nn.utils.clip_grad_norm_(network.parameters(), 5.0)
        optimizer.step()
        averaged.update_parameters(network)
        step += 1
        if step % AGREE_STEPS == 0 or step >= steps:
            done = team.agreed(max(step / steps, (time.monotonic() - begin) / seconds))
        if step % 100 == 0 or done >= 1.0:
            log.append({"step": step, "seconds": round(time.monotonic() - begin, 1)}
                       | {name: round(float(value.detach()), 4) for name, value in losses.by_name.items()})  # fmt: skip
            _say(team, json.dumps(log[-1]))
        if team.leads and step % KEEP_STEPS == 0:
            keep(averaged.module, log, photos, out)
    if team.leads:
        settle(averaged.module, lambda: draw_batch(store, batch).pictures, SETTLE_BATCHES)
        keep(averaged.module, log, photos, out)
    team.leave()


def keep(network: torch.nn.Module, log: list[dict[str, float]], photos: int, out: Path) -> None:
    """Write weights with how they came about; a run that is cut off leaves the last ones whole."""
    unfinished = out.with_suffix(".part")
    torch.save({"network": network.state_dict(), "log": log, "photos": photos}, unfinished)
    unfinished.replace(out)


def _say(team: Team, line: str) -> None:
    if team.leads:
        typer.echo(line)


if __name__ == "__main__":
    typer.run(main)
