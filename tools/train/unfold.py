"""Makes trainable weights of an exported model: `python -m tools.train.unfold photos.npz --out part_model.pt`.

An export folds batch normalization into the convolutions before it. The folded convolution tells the same again when a
normalization behind it gives back the mean and spread that it takes away, so these are measured on training pictures.
"""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Annotated

import onnx
import torch
import typer
from onnx import numpy_helper
from torch import Tensor, nn

from features.parts.part_model import CARD_FILE, MODEL_FILE
from tools.train.network import PartNetwork
from tools.train.pictures import draw_batch, load_store

LEAST_LENGTH = 1e-4
"""Filters shorter than this give nothing; they are not made longer."""


def unfolded(model: onnx.ModelProto, pictures: Callable[[], Tensor], batches: int) -> PartNetwork:
    """The network that the model was exported from, up to how its filters are scaled.

    Args:
        model: written by `tools.train.export`.
        pictures: draws (B, 3, P, P) training pictures on the device the network shall be on.
        batches: how many of them the means and spreads are measured on.

    Raises:
        ValueError: the model is not of this network.
    """
    network = PartNetwork()
    biases = _filled(network, model)
    network.to(pictures().device).eval()
    follows = _normalizations(network, pictures())
    norms = {name: follows[name] for name in biases}
    if set(norms) != set(follows):
        raise ValueError(f"convolutions without a folded normalization: {sorted(set(follows) - set(norms))}")
    for name, norm in norms.items():
        convolution = network.get_submodule(name)
        assert isinstance(convolution, nn.Conv2d)
        _lengthen(convolution, norm, biases[name].to(convolution.weight.device))
    _measure(network, list(norms.values()), pictures, batches)
    return network


def _filled(network: PartNetwork, model: onnx.ModelProto) -> dict[str, Tensor]:
    """Copy the model's numbers; gives the biases of the convolutions that have none of their own in the network."""
    numbers = {one.name: torch.tensor(numpy_helper.to_array(one)) for one in model.graph.initializer}
    mine = dict(network.named_parameters())
    biases, left = {}, {name for name in mine if name.endswith(".weight") and mine[name].dim() > 1}
    for node in model.graph.node:
        if node.op_type not in ("Conv", "Gemm"):
            continue
        name = module_name(node.name)
        told = [numbers[given] for given in node.input[1:]]
        if f"{name}.weight" not in left or mine[f"{name}.weight"].shape != told[0].shape:
            raise ValueError(f"{node.name} is not of this network")
        left.remove(f"{name}.weight")
        mine[f"{name}.weight"].data.copy_(told[0])
        if f"{name}.bias" in mine:
            mine[f"{name}.bias"].data.copy_(told[1])
        elif len(told) > 1:
            biases[name] = told[1]
    if left:
        raise ValueError(f"the model lacks {sorted(left)}")
    return biases


def module_name(node: str) -> str:
    """The module that an exported node came from: `/up16/join/join.1/join.1.0/Conv` is of `up16.join.1.0`."""
    steps = node.strip("/").split("/")[:-1]
    kept = [step for step, after in zip(steps, [*steps[1:], ""], strict=True) if not after.startswith(f"{step}.")]
    return ".".join(kept)


def _normalizations(network: PartNetwork, pictures: Tensor) -> dict[str, nn.BatchNorm2d]:
    """Name of a convolution -> the normalization that takes what it gives."""
    gave: dict[int, str] = {}
    follows: dict[str, nn.BatchNorm2d] = {}
    hooks = []
    for name, layer in network.named_modules():
        if isinstance(layer, nn.Conv2d):
            hooks.append(layer.register_forward_hook(lambda _, __, out, name=name: gave.update({id(out): name})))
        elif isinstance(layer, nn.BatchNorm2d):
            hooks.append(layer.register_forward_pre_hook(
                lambda norm, taken: follows.update({gave[id(taken[0])]: norm})))  # fmt: skip
    with torch.no_grad():
        network(pictures)
    for hook in hooks:
        hook.remove()
    return follows


def _lengthen(convolution: nn.Conv2d, norm: nn.BatchNorm2d, bias: Tensor) -> None:
    """Give every filter length 1, which its normalization takes back, as the steps of training suit that best."""
    length = convolution.weight.data.flatten(1).norm(dim=1)
    length = torch.where(length < LEAST_LENGTH, torch.ones_like(length), length)
    convolution.weight.data /= length[:, None, None, None]
    norm.running_mean = torch.zeros_like(length)
    norm.running_var = torch.full_like(length, 1.0 - norm.eps)
    norm.weight.data.copy_(length)
    norm.bias.data.copy_(bias)


def _measure(network: PartNetwork, norms: list[nn.BatchNorm2d], pictures: Callable[[], Tensor], batches: int) -> None:
    """Set every normalization's mean and spread to what it meets, and what it gives back so that nothing changes."""
    sums = {norm: torch.zeros(3, norm.num_features, dtype=torch.float64, device=norm.weight.device) for norm in norms}

    def add(norm: nn.BatchNorm2d, taken: tuple[Tensor, ...]) -> None:
        values = taken[0].double()
        sums[norm] += torch.stack([torch.ones_like(sums[norm][0]), values.mean((0, 2, 3)), (values**2).mean((0, 2, 3))])

    hooks = [norm.register_forward_pre_hook(add) for norm in norms]
    with torch.no_grad():
        for _ in range(batches):
            network(pictures())
    for hook in hooks:
        hook.remove()
    for norm, (count, total, squares) in sums.items():
        mean = total / count
        spread = (squares / count - mean**2).clamp(min=1e-8)
        scale = norm.weight.data.double()
        norm.weight.data.copy_(scale * torch.sqrt(spread + norm.eps))
        norm.bias.data.copy_(norm.bias.data.double() + scale * mean)
        norm.running_mean, norm.running_var = mean.float(), spread.float()


def main(
    packed: Annotated[list[Path], typer.Argument(help="packed training photos")],
    out: Annotated[Path, typer.Option(help="weights to write")],
    model: Annotated[Path, typer.Option(help="exported model")] = MODEL_FILE,
    card: Annotated[Path, typer.Option(help="its card")] = CARD_FILE,
    batches: Annotated[int, typer.Option(min=1)] = 60,
    batch: Annotated[int, typer.Option(min=1)] = 16,
    seed: Annotated[int, typer.Option()] = 0,
) -> None:
    """Write weights that training can go on from, where only the exported model is left."""
    torch.manual_seed(seed)
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    store = load_store(packed, None, device, seed)
    network = unfolded(onnx.load(model), lambda: draw_batch(store, batch).pictures, batches)
    runs = json.loads(card.read_text(encoding="utf-8"))["training"]["runs"]
    torch.save({"network": network.cpu().state_dict(), "log": [], "photos": runs[-1]["photos"]}, out)
    typer.echo(f"{out}: trainable weights of {model.name}")


if __name__ == "__main__":
    typer.run(main)
