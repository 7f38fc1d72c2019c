"""A report as one HTML file: no script, no outside resource, pictures inside, fit for phone and printer."""

import base64
from html import escape

from identify.report.blocks import (
    Blanks,
    Block,
    Bullets,
    Column,
    Letter,
    Paragraph,
    Pictures,
    ReportContent,
    Section,
    Table,
)
from identify.wording import tied

CONTENT_STYLE = """
p { margin: .4rem 0; }
h2 { font-size: 1.1rem; margin: 2rem 0 .5rem; color: var(--accent); break-after: avoid;
     border-bottom: 1px solid var(--line); }
.made, .muted, figcaption { color: var(--soft); font-size: .9rem; }
.warning { color: var(--warn); font-weight: 600; }
.demo { border: 2px solid var(--warn); color: var(--warn); padding: .5rem .8rem; font-weight: 600; }
.headline { background: var(--ground); border-left: 6px solid var(--accent); padding: .7rem 1rem; }
.demo, .headline { margin: 1rem 0; }
.headline p:first-child { font-size: 1.2rem; font-weight: 700; }
.table { overflow-x: auto; contain: inline-size; }
table { border-collapse: collapse; width: 100%; font-size: .93rem; }
th, td { text-align: left; padding: .35rem .6rem .35rem 0; vertical-align: top; }
th, td { border-bottom: 1px solid var(--line); }
th { color: var(--soft); font-weight: 600; }
.right { text-align: right; font-variant-numeric: tabular-nums; }
.whole { white-space: nowrap; }
tr.strong td { font-weight: 700; }
.pictures { display: grid; gap: 1rem;
            grid-template-columns: repeat(auto-fit, minmax(min(100%, 20rem), 1fr)); }
figure { margin: 0; break-inside: avoid; }
img { max-width: 100%; max-height: 34rem; width: auto; height: auto; display: block; }
li { margin: .25rem 0; }
.letter { white-space: pre-wrap; background: var(--ground); border: 1px dashed var(--soft); font: inherit;
          padding: .8rem 1rem; margin: .5rem 0; }
.blank { display: grid; grid-template-columns: 2fr 2fr 1fr; gap: 1rem; align-items: end; min-height: 2.6rem; }
.blank span + span { border-bottom: 1px solid var(--ink); color: var(--soft); font-size: .8rem; }
@media screen and (max-width: 34rem) {
  .wide thead { display: none; }
  .wide tr { display: block; border-bottom: 2px solid var(--line); padding: .3rem 0; }
  .wide td { display: flex; justify-content: space-between; gap: 1rem; border: 0; padding: .1rem 0; }
  .wide td { text-align: right; }
  .wide td::before { content: attr(data-label); color: var(--soft); text-align: left; }
}
"""
"""Style of sections, shared with the web app."""

COLORS = """--ink: #1e2228; --soft: #5b6470; --line: #d4d9df; --ground: #f4f5f7; --accent: #17507c;
--warn: #8a3b00;"""

_PAGE_STYLE = f"""
:root {{ {COLORS} }}
* {{ box-sizing: border-box; }}
body {{ font: 16px/1.5 system-ui, "Segoe UI", Roboto, Helvetica, Arial, sans-serif; color: var(--ink);
       margin: 0; background: #fff; overflow-wrap: break-word; }}
main {{ max-width: 60rem; margin: 0 auto; padding: 1.25rem 1rem 3rem; }}
header {{ display: flex; flex-wrap: wrap; justify-content: space-between; align-items: baseline;
         gap: .25rem 1rem; border-bottom: 3px solid var(--accent); }}
h1 {{ font-size: 1.5rem; margin: 0 0 .3rem; }}
{CONTENT_STYLE}
footer {{ margin-top: 2.5rem; border-top: 1px solid var(--line); color: var(--soft); font-size: .85rem; }}
@media print {{
  body {{ font-size: 10.5pt; }}
  main {{ padding: 0; max-width: none; }}
  tr, .headline, .letter {{ break-inside: avoid; }}
  @page {{ margin: 16mm; }}
}}
"""

_POLICY = "default-src 'none'; img-src data:; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'"


def html_report(content: ReportContent) -> bytes:
    """The whole page, UTF-8."""
    page = f"""<!DOCTYPE html>
<html lang="{content.language}">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="{_POLICY}">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{_text(content.title)}</title>
<style>{_PAGE_STYLE}</style>
</head>
<body>
<main>
<header><h1>{_text(content.title)}</h1><span class="made">{_text(content.made)}</span></header>
{html_body(content)}
<footer><p>{_text(content.footer)}</p></footer>
</main>
</body>
</html>
"""
    return page.encode("utf-8", errors="replace")


def html_body(content: ReportContent, on_screen_only: bool = False) -> str:
    """Headline, demo note and sections as an HTML fragment."""
    headline = "\n".join(f"<p>{_text(line)}</p>" for line in content.headline)
    demo = f'<p class="demo">{_text(content.demo_note)}</p>\n' if content.demo_note else ""
    shown = [section for section in content.sections if section.on_screen or not on_screen_only]
    sections = "\n".join(html_section(section) for section in shown)
    return f'<div class="headline">\n{headline}\n</div>\n{demo}{sections}'


def html_section(section: Section) -> str:
    """One section as an HTML fragment."""
    blocks = "\n".join(_block(block) for block in section.blocks)
    return f"<section>\n<h2>{_text(section.title)}</h2>\n{blocks}\n</section>"


def _block(block: Block) -> str:
    match block:
        case Paragraph(text, tone):
            return f'<p class="{tone}">{_text(text)}</p>'
        case Bullets(items, numbered):
            tag = "ol" if numbered else "ul"
            return f"<{tag}>{''.join(f'<li>{_text(item)}</li>' for item in items)}</{tag}>"
        case Table():
            return _table(block)
        case Pictures():
            return _pictures(block)
        case Letter(lines):
            return f'<pre class="letter">{_text(chr(10).join(lines))}</pre>'
        case Blanks():
            to_fill = f"<span>{_text(block.name)}</span><span>{_text(block.date)}</span>"
            rows = (f'<div class="blank"><span>{_text(label)}</span>{to_fill}</div>' for label in block.labels)
            return "".join(rows)


def _table(table: Table) -> str:
    classes = [_column_class(column) for column in table.columns]
    head = "".join(
        f'<th scope="col"{kind}>{_text(column.title)}</th>' for kind, column in zip(classes, table.columns, strict=True)
    )
    wide = ' class="wide"' if len(table.columns) > 4 else ""
    rows = []
    for number, row in enumerate(table.rows):
        cells = "".join(
            f'<td{kind} data-label="{_text(column.title)}">{_text(cell)}</td>'
            for kind, column, cell in zip(classes, table.columns, row, strict=True)
        )
        strong = ' class="strong"' if number in table.strong_rows else ""
        rows.append(f"<tr{strong}>{cells}</tr>")
    body = f"<thead><tr>{head}</tr></thead><tbody>{''.join(rows)}</tbody>"
    return f'<div class="table"><table{wide}>{body}</table></div>'


def _column_class(column: Column) -> str:
    names = [name for name, wanted in (("right", column.align == "right"), ("whole", column.whole)) if wanted]
    return f' class="{" ".join(names)}"' if names else ""


def _pictures(block: Pictures) -> str:
    figures = []
    for picture in block.pictures:
        data = base64.b64encode(picture.jpeg).decode("ascii")
        figures.append(
            f'<figure><img src="data:image/jpeg;base64,{data}" width="{picture.width_px}" '
            f'height="{picture.height_px}" alt="{_text(picture.caption)}">'
            f"<figcaption>{_text(picture.caption)}</figcaption></figure>"
        )
    return f'<div class="pictures">{"".join(figures)}</div>'


def _text(text: str) -> str:
    """Escaped for HTML text and quoted attributes; control characters, which HTML forbids, are dropped."""
    allowed = (c for c in text if c in "\n\t" or (ord(c) >= 32 and not 127 <= ord(c) < 160))
    return escape(tied("".join(allowed)), quote=True)
