"""Writes trained weights as the one ONNX file the program runs: `python -m tools.train.export part_model.pt`."""

import hashlib
import json
from pathlib import Path
from typing import Annotated

import onnx
import torch
import typer

from features.parts.part_model import CARD_FILE, MODEL_FILE
from tools.train.network import PartNetwork, PartOutputs

OPSET = 17


def main(
    weights: Annotated[Path, typer.Argument(help="made by tools.train")],
    model: Annotated[Path, typer.Option(help="ONNX file to write")] = MODEL_FILE,
    card: Annotated[Path, typer.Option(help="card to write; tools.train.evaluate fills in its figures")] = CARD_FILE,
) -> None:
    """Export to ONNX, with a card that holds its hash and how it was trained."""
    kept = torch.load(weights, map_location="cpu", weights_only=True)
    network = PartNetwork()
    network.load_state_dict(kept["network"])
    network.eval()
    free = {0: "batch", 2: "height", 3: "width"}
    torch.onnx.export(
        network, (torch.zeros(1, 3, 512, 384),), str(model), input_names=["pictures"],
        output_names=list(PartOutputs._fields), opset_version=OPSET, dynamo=False,
        dynamic_axes={"pictures": free, **{name: free for name in PartOutputs._fields if name != "logits"}},
    )  # fmt: skip
    onnx.save(with_joined_pads(onnx.load(model)), model)
    told = {
        "sha256": hashlib.sha256(model.read_bytes()).hexdigest(),
        "temperatures": {},
        "training": {"photos": kept["photos"], "log": kept["log"][-1:]},
    }
    card.write_text(json.dumps(told, indent=1) + "\n", encoding="utf-8")
    typer.echo(f"{model}: {model.stat().st_size / 1e6:.1f} MB")


def with_joined_pads(model: onnx.ModelProto) -> onnx.ModelProto:
    """The model with padding made part of the convolutions it is for, which saves a tenth of the runtime's time.

    The encoder works out from each picture's size how much a convolution of stride 2 must be padded. All sides are
    multiples of 32, so it is always the kernel's size less 2: half of it before, the rest after.
    """
    convolutions = {node.input[0]: node for node in model.graph.node if node.op_type == "Conv"}
    for pad in [node for node in model.graph.node if node.op_type == "Pad"]:
        convolution = convolutions[pad.output[0]]
        told = {attribute.name: list(attribute.ints) for attribute in convolution.attribute}
        if told["strides"] != [2, 2]:
            raise ValueError(f"{convolution.name} is padded by itself with strides {told['strides']}")
        total = told["kernel_shape"][0] - 2
        before, after = total // 2, total - total // 2
        kept = [attribute for attribute in convolution.attribute if attribute.name != "pads"]
        del convolution.attribute[:]
        convolution.attribute.extend([*kept, onnx.helper.make_attribute("pads", [before, before, after, after])])
        convolution.input[0] = pad.input[0]
        model.graph.node.remove(pad)
    return _without_idle(model)


def _without_idle(model: onnx.ModelProto) -> onnx.ModelProto:
    """The model without nodes whose outcome nothing uses."""
    told = {output.name for output in model.graph.output}
    for node in reversed(list(model.graph.node)):
        used = told.union(*(other.input for other in model.graph.node))
        if not used.intersection(node.output):
            model.graph.node.remove(node)
    return model


if __name__ == "__main__":
    typer.run(main)
