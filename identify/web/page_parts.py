"""What every page has: its frame, the head with its switches, the style, the words on work that goes on."""

import json
from abc import ABC, abstractmethod
from importlib.resources import files
from typing import Any

import gradio

from identify.report.html_file import COLORS, CONTENT_STYLE
from identify.typed.options import SHEETS
from identify.web.accounts import User
from identify.web.desk import Desk
from identify.web.guard import OFFICE, SHOP
from identify.web.html_parts import panel, text
from identify.web.words import LANGUAGES, Words
from reference_geometry.standards.coins import coins

PAGES = {"photos": "", "sales": "sales/", "shop": "shop/"}
SWEEP_SECONDS, KEEP_SECONDS = 600, 3600
"""How often the folder of uploads is swept, and how old a file in it may grow."""

QUIET: dict[str, Any] = {"api_visibility": "private", "show_progress": "hidden"}
"""For what happens on the pages: it tells its own progress, and is no call for other programs."""

PHOTO_TYPES = ["image", ".heic", ".heif"]
"""Any image, so that a phone's picker offers its camera; what is none of ours is refused with its reason."""

KEEP = gradio.skip
"""Leaves a part of a page as it is."""

_LANGUAGE_NAMES = {"en": "English", "es": "Español"}


def style() -> str:
    """The style of all pages."""
    own = (files("identify.web") / "page.css").read_text(encoding="utf-8")
    return f".untagged {{ {COLORS}\n{CONTENT_STYLE} }}\n{own}"


def head(t: Words) -> str:
    """Script in the page's head: language, the unit that was chosen, links that keep the case; words for the style."""
    script = (files("identify.web") / "page.js").read_text(encoding="utf-8")
    words = {
        name: json.dumps(t(f"page.{name}"), ensure_ascii=False) for name in ("take_photo", "drop_photo", "drop_tables")
    }
    said = "".join(f"--{name.replace('_', '-')}: {value}; " for name, value in words.items())
    style_of_words = f"<style>:root {{ {said}}}</style>"
    return f'{style_of_words}<script>document.documentElement.lang = "{t.language}";\n{script}</script>'


class Page(ABC):
    """A page: its parts, and what happens when they are used.

    Args:
        desk: what all pages share.
        t: the language.
    """

    def __init__(self, desk: Desk, t: Words) -> None:
        self._desk, self._t = desk, t

    def build(self) -> Any:
        """The page laid out, as `gradio.Blocks`."""
        empty = gradio.Blocks(
            title=self._t("page.title"),
            analytics_enabled=False,
            delete_cache=(SWEEP_SECONDS, KEEP_SECONDS),
            fill_width=True,
        )
        with empty as laid_out:
            self.lay_out(laid_out)
        return laid_out

    @abstractmethod
    def lay_out(self, laid_out: Any) -> None:
        """Put the parts in place and tie them to what they do."""


def html(value: str = "", **settings: Any) -> Any:
    """A piece of HTML of our own."""
    return gradio.HTML(value, js_on_load=None, apply_default_css=False, **settings)


def listening_html(events: dict[str, str], **settings: Any) -> Any:
    """HTML of our own whose buttons tell what they stand for: event name -> name of their `data-` attribute."""
    listeners = "".join(
        f"const b{i} = event.target.closest('[data-{data}]'); "
        f"if (b{i} && element.contains(b{i})) trigger('{name}', {{'{data}': b{i}.dataset.{data}}});\n"
        for i, (name, data) in enumerate(events.items())
    )
    script = f"element.addEventListener('click', (event) => {{\n{listeners}}});"
    return gradio.HTML("", js_on_load=script, apply_default_css=False, **settings)


def scale_fields(t: Words, **settings: Any) -> tuple[Any, Any]:
    """Fields for a coin and a sheet as the scale."""
    choices = [(t("tech.no_coin"), ""), *((t.sentence(coin.label), coin.name) for coin in coins())]
    coin = gradio.Dropdown(choices, value="", label=t("tech.coin"), allow_custom_value=True, **settings)
    sheets = [(t("tech.no_sheet"), ""), *((t(f"sheet.{sheet}"), sheet) for sheet in SHEETS)]
    return coin, gradio.Dropdown(sheets, value="", label=t("tech.sheet"), **settings)


def kept_in_page() -> Any:
    """A value the page itself remembers: it outlives a lost connection and a restart of the server."""
    return gradio.Textbox(visible=False)


def header(t: Words, page: str, user: User | None = None, has_logins: bool = False) -> str:
    """The head of a page: where one is, where one can go, language and unit."""
    allowed = {"photos": True, "sales": user is not None and user.role in OFFICE}
    allowed["shop"] = user is not None and user.role in SHOP
    links = "".join(
        f'<a href="{t.home}{address}"{_current(name == page)}>{text(t(f"page.{name}"))}</a>'
        for name, address in PAGES.items()
        if allowed[name]
    )
    languages = "".join(
        f'<a class="keep-case" href="{Words(other).home}{PAGES[page]}" lang="{other}" hreflang="{other}">'
        f"{text(_LANGUAGE_NAMES[other])}</a>"
        for other in LANGUAGES
        if other != t.language
    )
    millimeters, inches = t("page.unit").split(" / ")
    units = f'<span class="in-mm">{text(millimeters)}</span> / <span class="in-in">{text(inches)}</span>'
    unit = f'<button type="button" class="unit-switch">{units}</button>'
    out = ""
    if has_logins and user is not None:
        out = (
            f'<form method="post" action="/sign-out"><button>{text(t("page.sign_out", name=user.name))}</button></form>'
        )
    nav = f'<nav aria-label="{text(t("page.pages"))}">{links}</nav>'
    tools = f'<span class="tools">{unit}{languages}{out}</span>'
    return panel(f'<header class="top"><span class="brand">untagged</span>{nav}{tools}</header>')


def _current(yes: bool) -> str:
    return ' aria-current="page"' if yes else ""


def case_mark(number: str) -> str:
    """Tells the page's script which case is shown, so that the address keeps it."""
    return f'<span data-case="{text(number)}" hidden></span>'


def user_of(request: gradio.Request) -> User:
    """Who asks, as the guard found out.

    Raises:
        PermissionError: the guard has not seen this request, which can not be.
    """
    user = request.request.scope.get("untagged_user") if request.request else None
    if not isinstance(user, User):
        raise PermissionError("nobody is signed in")
    return user


def at_work(words: str) -> str:
    """What is being done, said to screen readers too."""
    spin = '<span class="spin" aria-hidden="true"></span>'
    return f'<div class="untagged"><p class="work" role="status">{spin}{text(words)}</p></div>'


def said(words: str, kind: str = "muted") -> str:
    """What was done, or what is wrong."""
    return f'<div class="untagged"><p class="{kind}" role="status">{text(words)}</p></div>' if words else ""
