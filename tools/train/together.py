"""Training on several GPUs at once: one process a GPU, started by PyTorch's own `torchrun`.

`torchrun --nproc-per-node 2 -m tools.train ...`. Started without it, training is one process on one device.
"""

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import torch
from torch import distributed, nn


@dataclass(frozen=True)
class Team:
    """One of `size` processes that train one network; `rank` 0 speaks and writes."""

    rank: int
    size: int
    device: torch.device

    @staticmethod
    def join() -> "Team":
        """The team that torchrun started this process in, or a team of one."""
        cuda = torch.cuda.is_available()
        size = int(os.environ.get("WORLD_SIZE", "1"))
        if size == 1:
            return Team(0, 1, torch.device("cuda" if cuda else "cpu"))
        rank, local = int(os.environ["RANK"]), int(os.environ["LOCAL_RANK"])
        device = torch.device("cuda", local) if cuda else torch.device("cpu")
        if cuda:
            torch.cuda.set_device(device)
        distributed.init_process_group("nccl" if cuda else "gloo")
        return Team(rank, size, device)

    @property
    def leads(self) -> bool:
        """Whether this process speaks and writes."""
        return self.rank == 0

    def shared(self, network: nn.Module) -> nn.Module:
        """The network with its gradients averaged over the team; batch statistics stay each process's own."""
        if self.size == 1:
            return network
        ids = [self.device.index] if self.device.type == "cuda" else None
        return nn.parallel.DistributedDataParallel(network, device_ids=ids, broadcast_buffers=False)

    def agreed(self, value: float) -> float:
        """The leader's value, so that all stop at the same step."""
        if self.size == 1:
            return value
        told = torch.tensor([value], device=self.device)
        distributed.broadcast(told, 0)
        return float(told)

    def dealt(self, files: Sequence[Path]) -> list[Path]:
        """This process's share of the files where each can have as many, else all of them."""
        return list(files[self.rank :: self.size] if len(files) % self.size == 0 else files)

    def summed(self, count: int) -> int:
        """The sum of what every process counted."""
        if self.size == 1:
            return count
        told = torch.tensor([count], device=self.device)
        distributed.all_reduce(told)
        return int(told)

    def leave(self) -> None:
        """End the team."""
        if self.size > 1:
            distributed.destroy_process_group()
