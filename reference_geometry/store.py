"""The reference set as the matcher reads it: from a store behind a URL, or the packaged demo set."""

from reference_geometry.demo_set import load_demo_set
from reference_geometry.families import ReferenceSet


def load_reference(url: str | None = None) -> ReferenceSet:
    """Everything known to match against; None gives the packaged demo set."""
    if url is None:
        return load_demo_set()
    raise NotImplementedError
