"""The photo on the sales page as a component: its frame and tools in HTML, its behavior in `photo_view.js`."""

import json
from importlib.resources import files
from typing import Any

import gradio

from identify.web.html_parts import text
from identify.web.photo_drawing import DRAWABLE
from identify.web.words import Words


def photo_view(t: Words, **settings: Any) -> Any:
    """The component; its value is the JSON of `photo_drawing.drawing`, its events are `circle`, `points`, `reset`."""
    script = (files("identify.web") / "photo_view.js").read_text(encoding="utf-8")
    return gradio.HTML(
        "{}", html_template=_frame(t), js_on_load=script, apply_default_css=False, elem_id="photo-view", **settings
    )


def _frame(t: Words) -> str:
    choices = "".join(f'<option value="{name}">{text(t.feature(name))}</option>' for name in DRAWABLE)
    words = {"circle": t("view.draw_circle"), "points": t("view.set_points"), "keys": t("view.keys")}
    said = text(json.dumps(words, ensure_ascii=False))
    return f"""<div class="untagged" data-words="{said}">
<div class="view" hidden>
<div class="row tools-row" role="toolbar" aria-label="{text(t("view.tools"))}">
<button type="button" data-tool="look">{text(t("view.look"))}</button>
<button type="button" data-tool="circle">{text(t("view.circle"))}</button>
<button type="button" data-tool="points">{text(t("view.two_points"))}</button>
<button type="button" data-zoom="1.5" aria-label="{text(t("view.zoom_in"))}">+</button>
<button type="button" data-zoom="0.667" aria-label="{text(t("view.zoom_out"))}">−</button>
<button type="button" data-zoom="fit">{text(t("view.fit"))}</button>
<button type="button" data-do="show" aria-pressed="true">{text(t("view.show"))}</button>
<button type="button" data-do="reset" hidden>{text(t("view.reset"))}</button></div>
<div class="row" data-for="circle" hidden><label>{text(t("view.what"))} <select>{choices}</select></label>
<button type="button" data-do="circle" class="go">{text(t("view.use_circle"))}</button></div>
<div class="row" data-for="points" hidden><label>{text(t("view.length"))}
<input size="8" placeholder="152.4 mm"></label>
<button type="button" data-do="points" class="go">{text(t("view.use_points"))}</button></div>
<p class="say muted" role="status"></p>
<svg tabindex="0" role="application" preserveAspectRatio="xMidYMid meet"></svg></div></div>"""
