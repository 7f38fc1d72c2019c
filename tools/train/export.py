"""Writes trained weights as the one ONNX file the program runs: `python -m tools.train.export part_model.pt`."""

import hashlib
import json
from pathlib import Path
from typing import Annotated

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
    told = {
        "sha256": hashlib.sha256(model.read_bytes()).hexdigest(),
        "temperatures": {},
        "training": {"photos": kept["photos"], "log": kept["log"][-1:]},
    }
    card.write_text(json.dumps(told, indent=1) + "\n", encoding="utf-8")
    typer.echo(f"{model}: {model.stat().st_size / 1e6:.1f} MB")


if __name__ == "__main__":
    typer.run(main)
