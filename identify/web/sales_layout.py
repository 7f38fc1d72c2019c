"""The fields of the sales page, laid out where they stand: cases, the photo with its tools, the answer."""

from typing import Any

import gradio

from identify.typed.known_values import READING_SD_MM
from identify.typed.known_words import attribute_names
from identify.typed.options import CARD_PLACES
from identify.web.html_parts import panel, text
from identify.web.page_parts import PHOTO_TYPES, header, html, kept_in_page, listening_html, scale_fields
from identify.web.photo_view import photo_view
from identify.web.words import Words

_KNOWABLE = (*READING_SD_MM, *attribute_names(), "elastomer", "fluid")


SHOWN = (
    "case", "photo", "outline", "status", "cancel", "list", "strip", "view", "tools", "place", "known", "measured",
    "answer", "confirming", "truth", "plots", "below", "coin", "sheet",
)  # fmt: skip
"""Names of the fields that change with the case that is shown."""


class SalesFields:
    """All parts of the page; making one lays it out.

    Args:
        t: the language.
    """

    def __init__(self, t: Words) -> None:
        self._t = t
        self.head = html(header(self._t, "sales"))
        html(panel(f'<h1 class="hidden">{text(self._t("sales.title"))}</h1>'))
        self.case, self.photo, self.outline = kept_in_page(), kept_in_page(), kept_in_page()
        with gradio.Row(equal_height=False, elem_classes="desk"):
            with gradio.Column(scale=2, min_width=230):
                self._lay_out_cases()
            with gradio.Column(scale=5, min_width=340):
                self._lay_out_photo()
            with gradio.Column(scale=4, min_width=330):
                self.answer = listening_html({"outline": "outline", "skip": "skip"}, elem_classes="then-answer")
                self._lay_out_confirming()
        self.below = html()

    def _lay_out_cases(self) -> None:
        t = self._t
        self.uploads = gradio.File(
            label=t("sales.new_case"), file_count="multiple", type="filepath", file_types=PHOTO_TYPES, height=110,
            elem_classes="photos",
        )  # fmt: skip
        self.new_place = gradio.Dropdown(
            [(t.place(place), place) for place in CARD_PLACES], value="unknown", label=t("tech.place")
        )
        with gradio.Row():
            self.number = gradio.Textbox(label=t("sales.number"), placeholder="ABC-2345", max_length=20, min_width=120)
            self.by_phone = gradio.Button(t("sales.by_phone"), size="sm", min_width=100)
        self.list = listening_html({"open": "open"})

    def _lay_out_photo(self) -> None:
        t = self._t
        self.status = html(elem_classes="then-photo")
        self.cancel = gradio.Button(t("page.cancel"), visible=False, size="sm", elem_classes="then-photo")
        self.strip = listening_html({"pick": "photo"}, elem_classes="then-photo")
        self.view = photo_view(t, elem_classes="then-photo")
        with gradio.Column(visible=False, elem_classes="then-tools") as self.tools:
            with gradio.Row():
                self.place = gradio.Dropdown(
                    [(t.place(place), place) for place in CARD_PLACES], label=t("tech.place"), scale=3, min_width=300
                )
                more = gradio.File(
                    label=t("sales.more_photos"), file_count="multiple", type="filepath", file_types=PHOTO_TYPES,
                    height=110, scale=2, min_width=200, elem_classes="photos",
                )  # fmt: skip
                self.more = more
            with gradio.Row():
                self.coin, self.sheet = scale_fields(t, min_width=140)
                self.remove_photo = gradio.Button(t("verdict.remove"), size="sm", min_width=120)
            with gradio.Row():
                knowable = [(t.feature(name), name) for name in _KNOWABLE]
                self.name = gradio.Dropdown(
                    knowable, value="chamber_diameter", label=t("known.what"), scale=3, min_width=250
                )
                self.value = gradio.Textbox(
                    label=t("known.value"), placeholder="212.4 mm", max_length=80, scale=2, min_width=120
                )
                self.add = gradio.Button(t("known.add"), scale=0, min_width=100)
        self.known = listening_html({"drop": "drop"}, elem_classes="then-tools")
        self.measured = html(elem_classes="then-tools")
        self.plots = html(elem_classes="then-tools")

    def _lay_out_confirming(self) -> None:
        t = self._t
        with gradio.Accordion(
            t("confirm.title"), open=False, visible=False, elem_classes="then-end"
        ) as self.confirming:
            self.truth = gradio.Dropdown([], label=t("confirm.family"))
            with gradio.Row():
                self.confirm = gradio.Button(t("confirm.confirm"), min_width=120)
                self.reopen = gradio.Button(t("confirm.reopen"), min_width=120)
                self.remove = gradio.Button(t("confirm.remove"), variant="stop", min_width=120)
            self.sure = gradio.Checkbox(label=t("confirm.sure"), value=False)

    @property
    def place_in_case(self) -> list[Any]:
        """Which case, photo and outline are shown."""
        return [self.case, self.photo, self.outline]

    @property
    def shown(self) -> list[Any]:
        """What is shown of a case, in the order of `SHOWN`."""
        return [getattr(self, name) for name in SHOWN]
