"""The pages served by `untagged serve`, once for this computer alone and once behind logins."""

import os
import signal
import socket
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[3]
PASSWORDS = {"tina": "technician", "sam": "sales", "ada": "admin"}
"""Names of the accounts with their roles; a password is the name with a tail."""


def password_of(name):
    return f"{name} walks past 4 pumps"


@dataclass(frozen=True)
class Served:
    url: str
    port: int
    data: Path
    temporary: Path


def free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def environment(temporary):
    return {**os.environ, "PYTHONPATH": str(ROOT), "TMPDIR": str(temporary), "GRADIO_SHARE": "True"}


def untagged(*words, temporary, given=""):
    return subprocess.run(
        [sys.executable, "-m", "identify", *words],
        capture_output=True, text=True, timeout=120, env=environment(temporary), cwd=temporary, input=given,
    )  # fmt: skip


def serving(temporary, *words):
    """Start the server, wait until it says where it is, and make sure that it ends in order."""
    port, data = free_port(), temporary / "data"
    process = subprocess.Popen(
        [sys.executable, "-m", "identify", "serve", "--port", str(port), "--data", str(data), *words],
        stderr=subprocess.PIPE, stdout=subprocess.PIPE, env=environment(temporary), text=True, cwd=temporary,
    )  # fmt: skip
    said = process.stderr.readline()
    while said and "Open http" not in said:
        said = process.stderr.readline()
    assert f":{port}" in said, said
    yield Served(f"http://127.0.0.1:{port}", port, data, temporary)
    process.send_signal(signal.SIGINT)
    out, error = process.communicate(timeout=60)
    assert process.returncode == 0, error
    assert "Traceback" not in error, error
    assert "gradio.live" not in out + error  # never shared, whatever the environment says
    assert [p for p in temporary.iterdir() if p.name.startswith("untagged-")] == []  # all cleared away


@pytest.fixture(scope="package")
def served(tmp_path_factory):
    """For this computer alone, with the demo set."""
    yield from serving(tmp_path_factory.mktemp("local"))


@pytest.fixture(scope="package")
def guarded(tmp_path_factory):
    """For other computers: everybody signs in."""
    temporary = tmp_path_factory.mktemp("guarded")
    for name, role in PASSWORDS.items():
        words = ("users", "add", name, "--role", role, "--data", str(temporary / "data"))
        done = untagged(*words, temporary=temporary, given=f"{password_of(name)}\n")
        assert done.returncode == 0, done.stderr
    yield from serving(temporary, "--host", "0.0.0.0")


@pytest.fixture(scope="session")
def demo_photo():
    """A demo photo with the card on the rim."""
    photos = sorted((ROOT / "demo_photos").glob("*_pocket_card_on_rim.jpg"))
    if not photos:
        pytest.skip("there is no demo photo with the card on the rim")
    return next((photo for photo in photos if photo.name.startswith("06")), photos[0])
