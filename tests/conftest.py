"""What all tests share: where the real photographs lie."""

import os
from pathlib import Path

import pytest

_BESIDE_THE_CHECKOUT = Path(__file__).resolve().parents[2] / "shared" / "real_photos"


@pytest.fixture(scope="session")
def real_photos():
    """The folder of real photographs with known lengths, which is not part of the project."""
    folder = Path(os.environ.get("UNTAGGED_REAL_PHOTOS") or _BESIDE_THE_CHECKOUT)
    if not folder.is_dir():
        pytest.skip("the real photographs are not here; set UNTAGGED_REAL_PHOTOS to their folder")
    return folder
