"""The page for the shop: the reference set, pumps and readings added to it, agreement, gaps, tables in and out."""

from typing import Any

import gradio

from identify.web.html_parts import bullets, panel, paragraph, text
from identify.web.page_parts import KEEP, QUIET, Page, header, html, listening_html, said, user_of
from identify.web.shop_bench import BenchEntry, BenchRefused, read_tables, readings_of, record_entry
from identify.web.shop_panels import agreement_part, families_panel, family_panel, gaps_panel
from reference_geometry.store import open_store

_QUIET = {**QUIET, "show_progress": "minimal"}
PAIRS_EXAMPLE = "chamber_diameter=212.4\nflange_diameter=4.25in"
MOST_PAIRS = 60
_TO_FAMILY = "() => document.getElementById('family-shown').scrollIntoView({ block: 'nearest', behavior: 'smooth' })"


class ShopPage(Page):
    """The parts of the page and what happens when they are used; see `Page`."""

    def lay_out(self, laid_out: Any) -> None:
        """Put the parts in place and tie them to what they do."""
        t, own = self._t, self._desk.shop.url is not None
        self._head = html(header(t, "shop"))
        html(panel(f"<h1>{text(t('shop.title'))}</h1>", "" if own else paragraph(t("shop.demo"), "demo")))
        with gradio.Row(equal_height=False):
            with gradio.Column(scale=5, min_width=330):
                self._find = gradio.Textbox(label=t("shop.find"), max_length=60)
                self._families = listening_html({"family": "family"}, elem_classes="families")
                names = ("families", "kits", "measurements")
                links = " ".join(f'<a href="/set/{name}.csv" download>{name}.csv</a>' for name in names)
                html(panel(f'<p class="row"><span>{text(t("shop.export"))}</span> {links}</p>'))
            with gradio.Column(scale=4, min_width=330):
                self._lay_out_bench(own)
                self._family = html(elem_id="family-shown")
        self._check = gradio.Button(t("gaps.check"))
        self._gaps = html()
        self._tie(laid_out)

    def _lay_out_bench(self, own: bool) -> None:
        t = self._t
        with gradio.Accordion(t("bench.title"), open=own):
            self._id = gradio.Textbox(label=t("bench.family_id"), max_length=60, interactive=own)
            self._new = gradio.Checkbox(label=t("bench.new"), interactive=own)
            self._pairs = gradio.Textbox(
                label=t("bench.pairs"), placeholder=PAIRS_EXAMPLE, lines=4, max_length=4000, interactive=own
            )
            with gradio.Row():
                self._tool = gradio.Textbox(label=t("bench.with"), max_length=60, interactive=own)
                self._by = gradio.Textbox(label=t("bench.by"), max_length=60, interactive=own)
            self._insist = gradio.Checkbox(label=t("bench.insist"), interactive=own)
            self._keep = gradio.Button(t("bench.keep"), variant="primary", interactive=own)
            self._tables = gradio.File(
                label=t("bench.import"), file_count="multiple", type="filepath", file_types=[".csv"], height=110,
                interactive=own, visible=own, elem_classes="tables",
            )  # fmt: skip
            self._outcome = html()

    def _tie(self, laid_out: Any) -> None:
        self._find.change(self.find, self._find, self._families, **_QUIET)
        chosen = self._families.family(self.show, None, [self._id, self._family], **_QUIET)
        chosen.then(None, None, None, js=_TO_FAMILY)
        entry = [self._id, self._new, self._pairs, self._by, self._tool, self._insist]
        changed = [self._outcome, self._families, self._family, self._pairs, self._new]
        self._keep.click(self.keep, [*entry, self._find], changed, **_QUIET)
        self._tables.upload(self.take_tables, [self._tables, self._find], [self._tables, *changed[:3]], **_QUIET)
        self._check.click(self.check, None, self._gaps, **_QUIET)
        laid_out.load(self.come_back, None, [self._head, self._families], **_QUIET)

    # --- what happens ---------------------------------------------------------------------------------
    def come_back(self, request: gradio.Request) -> tuple[str, str]:
        """The page was opened."""
        if self._desk.shop.url is not None:
            self._desk.shop.read_again()  # it may have been changed at the command line
        return header(self._t, "shop", user_of(request), self._desk.has_logins), self.find("")

    def find(self, wanted: str) -> str:
        """Families that hold a text."""
        return families_panel(self._t, self._desk.shop.prepared.reference, wanted or "")

    def show(self, event: gradio.EventData) -> tuple[str, str]:
        """One family was chosen."""
        data = event._data if isinstance(event._data, dict) else {}
        family_id = str(data.get("family", ""))[:100]
        return family_id, self._family_panel(family_id)

    def keep(
        self, family_id: str, is_new: bool, pairs: str, by: str, tool: str, insist: bool, find: str
    ) -> tuple[Any, ...]:
        """Something was typed at the bench."""
        url = self._desk.shop.url
        lines = tuple(line.strip() for line in (pairs or "").splitlines() if line.strip())
        if url is None or not lines or len(lines) > MOST_PAIRS:
            return (said(self._t("bench.nothing"), "warning"), KEEP(), KEEP(), KEEP(), KEEP())
        who, what = (by or "").strip(), (tool or "").strip()
        entry = BenchEntry(family_id.strip(), lines, bool(is_new), who, what, bool(insist))
        try:
            agreed = record_entry(url, entry)
        except BenchRefused as refused:
            return (self._refusal(refused), KEEP(), KEEP(), KEEP(), KEEP())
        self._desk.shop.read_again()
        done = panel(paragraph(self._t("bench.kept", name=entry.family_id)), agreement_part(self._t, agreed))
        return done, self.find(find), self._family_panel(entry.family_id), "", False

    def take_tables(self, uploads: list[str] | None, find: str) -> tuple[Any, ...]:
        """Tables came."""
        url, t = self._desk.shop.url, self._t
        if url is None:
            return None, said(t("bench.nothing"), "warning"), KEEP(), KEEP()
        try:
            change, notes = read_tables(url, [self._desk.uploaded(upload) for upload in uploads or []])
        except BenchRefused as refused:
            return None, self._refusal(refused), KEEP(), KEEP()
        self._desk.shop.read_again()
        kinds = (("families", change.families), ("kits", change.kits), ("measurements", change.measurements))
        lines = [t("bench.changed", kind=kind, added=c.added, changed=c.changed, same=c.unchanged) for kind, c in kinds]
        return None, panel(bullets(text(line) for line in (*lines, *map(t.sentence, notes)))), self.find(find), ""

    def check(self) -> str:
        """What photos can not tell apart yet."""
        return gaps_panel(self._t, self._desk.shop.prepared.reference)

    def _family_panel(self, family_id: str) -> str:
        shop = self._desk.shop
        if shop.url is None:
            return family_panel(self._t, shop.prepared.reference, family_id, ())
        with open_store(shop.url) as store:
            return family_panel(self._t, shop.prepared.reference, family_id, readings_of(store, family_id))

    def _refusal(self, refused: BenchRefused) -> str:
        reasons = str(refused).splitlines()[:30]
        return panel(
            paragraph(self._t("bench.refused"), "warning"),
            bullets(text(self._t.sentence(reason)) for reason in reasons),
        )
