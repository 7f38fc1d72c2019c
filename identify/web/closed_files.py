"""Closes gradio's own ways to name a file or an address in a request.

Gradio turns any `{"path": ...}` in any request into a file: it copies the file of that path, or fetches that address.
Its check that the path was uploaded is left out for pages that are mounted rather than launched (gradio 6.31,
`processing_utils._check_allowed`), and addresses are never checked there. So every component of a page is given a way
of its own: what was uploaded passes, everything else is refused. A test sends both.
"""

from collections.abc import Iterable
from pathlib import Path
from typing import Any

import gradio

_COPY, _COPY_LATER = "move_resource_to_block_cache", "async_move_resource_to_block_cache"


def accept_only_uploads(components: Iterable[Any], uploads: Path) -> None:
    """Let no component take any file but an uploaded one.

    Args:
        components: all blocks of a page.
        uploads: the folder uploads are put into.
    """
    real_uploads = uploads.resolve()

    def uploaded(path: str | Path | None) -> str | None:
        if path is None:
            return None
        real = Path(path).resolve()
        if not real.is_relative_to(real_uploads):
            raise gradio.Error("This file was not uploaded.", print_exception=False)
        return str(real)

    async def uploaded_later(path: str | Path | None) -> str | None:
        return uploaded(path)

    for component in components:
        for name, way in ((_COPY, uploaded), (_COPY_LATER, uploaded_later)):
            if hasattr(component, name):
                setattr(component, name, way)
