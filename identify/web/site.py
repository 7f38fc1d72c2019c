"""Puts the site together: guard, sign-in, downloads, and the pages of each language under their addresses."""

from dataclasses import dataclass
from typing import Any

import gradio
from fastapi import FastAPI, Request
from starlette.middleware import Middleware
from starlette.routing import Route

from identify.web.accounts import User
from identify.web.closed_files import accept_only_uploads
from identify.web.desk import Desk
from identify.web.downloads import Downloads
from identify.web.guard import Gate, Guard
from identify.web.page_parts import PAGES, Page, head, style
from identify.web.sales_page import SalesPage
from identify.web.shop_page import ShopPage
from identify.web.technician_page import TechnicianPage
from identify.web.words import LANGUAGES, Words

MAX_UPLOAD = "64mb"
WAITING = 32
"""Presses of a button that may wait their turn."""

_PAGES: dict[str, type[Page]] = {"photos": TechnicianPage, "sales": SalesPage, "shop": ShopPage}


@dataclass(frozen=True)
class Addresses:
    """Files that gradio must never serve, beside all it does not serve anyway."""

    closed: tuple[str, ...]


def build_site(desk: Desk, gate: Gate, routes: list[Route], addresses: Addresses) -> FastAPI:
    """The whole site.

    Args:
        desk: what the pages share.
        gate: who may come in.
        routes: of the sign-in, when there is one.
        addresses: what stays closed.
    """
    app = FastAPI(
        docs_url=None, redoc_url=None, openapi_url=None, routes=[*routes, *Downloads(desk).routes()],
        middleware=[Middleware(Guard, gate=gate)],
    )  # fmt: skip
    mounts = [(Words(language), page) for language in LANGUAGES for page in PAGES]
    for t, page in sorted(mounts, key=lambda mount: -len(_address(*mount))):  # the longest address is tried first
        laid_out = _PAGES[page](desk, t).build()
        accept_only_uploads(laid_out.blocks.values(), desk.uploads)
        _mount(app, laid_out, t, _address(t, page), addresses)
    return app


def _address(t: Words, page: str) -> str:
    return f"{t.home}{PAGES[page]}".rstrip("/") or "/"


def _mount(app: FastAPI, page: Any, t: Words, address: str, addresses: Addresses) -> None:
    page.queue(max_size=WAITING, default_concurrency_limit=6)
    gradio.mount_gradio_app(
        app,
        page,
        address,
        footer_links=[],
        run_history=False,
        app_kwargs={"docs_url": None, "redoc_url": None, "openapi_url": None},
        auth_dependency=_user_name,
        allowed_paths=[],
        blocked_paths=list(addresses.closed),
        show_error=False,
        max_file_size=MAX_UPLOAD,
        ssr_mode=False,
        enable_monitoring=False,
        pwa=False,
        mcp_server=False,
        theme=_theme(),
        css=style(),
        head=head(t),
    )


def _user_name(request: Request) -> str | None:
    user = request.scope.get("untagged_user")
    return user.name if isinstance(user, User) else None


def _theme() -> Any:
    """Gradio's plainest theme with fonts every computer has, and text dark enough to read."""
    return gradio.themes.Base(
        primary_hue="blue", font=["system-ui", "sans-serif"], font_mono=["ui-monospace", "monospace"]
    ).set(
        button_primary_background_fill="#17507c",
        button_primary_background_fill_hover="#0f3b5e",
        button_primary_text_color="#ffffff",
        body_text_color_subdued="#4d5560",
        block_label_text_color="#1e2228",
        block_info_text_color="#4d5560",
        input_placeholder_color="#5b6470",
        input_placeholder_color_dark="#b3bbc6",
    )
