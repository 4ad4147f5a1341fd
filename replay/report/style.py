"""The looks of a report: one style sheet, black on white, for screen and paper. Pure.

Words are set in a serif, what was measured in a sans with figures of one width. It is the only
style that a report may have: its digest stands in the document's policy, and whatever a name or a
note may hold, no other style and no script at all is obeyed.
"""

import base64
import hashlib
from enum import StrEnum
from typing import Final

__all__ = ["Paper", "content_policy", "style_sheet"]


class Paper(StrEnum):
    """What a report is printed on."""

    A4 = "a4"
    LETTER = "letter"


_PAGE: Final = {Paper.A4: "A4", Paper.LETTER: "letter"}
_WORDS_FONT: Final = (
    '"Iowan Old Style", Charter, "Source Serif 4", Cambria, "Noto Serif", "Liberation Serif", serif'
)
_FIGURES_FONT: Final = (
    '-apple-system, "Segoe UI", Roboto, "Noto Sans", "Liberation Sans", Arial, sans-serif'
)
_STYLE: Final = """
@page { size: %(page)s; margin: 14mm 15mm 16mm; @bottom-left { content: "%(foot)s"; %(small)s }
  @bottom-right { content: counter(page) " of " counter(pages); %(small)s } }
* { box-sizing: border-box; }
html { color: #000; background: #fff; font: 10pt/1.35 %(figures)s;
  font-variant-numeric: tabular-nums lining-nums; -webkit-print-color-adjust: exact;
  print-color-adjust: exact; }
body { max-width: 186mm; margin: 0 auto; padding: 8mm 5mm; overflow-wrap: break-word; }
h1, h2, h3, h4, .what, .answer, .words { font-family: %(words)s; font-weight: normal; }
h1, h2, h3, h4 { break-after: avoid; }
h1 { font-size: 25pt; line-height: 1.1; margin: 0; }
h2 { font-size: 17pt; line-height: 1.15; margin: 8mm 0 2mm; padding-bottom: 1.2mm;
  border-bottom: 1.6pt solid #000; }
h3, h2.part { font-size: 12.5pt; margin: 5mm 0 1.2mm; padding-bottom: .8mm;
  border-bottom: .7pt solid #000; }
h4 { font-size: 10.5pt; margin: 3.5mm 0 1mm; }
p { margin: 0 0 1.6mm; }
small, .small { font-size: 8.5pt; color: #333; }
header { display: flex; justify-content: space-between; align-items: flex-end; gap: 8mm;
  border-bottom: 2pt solid #000; padding-bottom: 2mm; margin-bottom: 3.5mm; }
header .end { text-align: right; flex: none; }
header .kind { font: 13pt %(words)s; }
.answer { font-size: 15pt; line-height: 1.3; margin: 0 0 2.5mm; }
.answer b { font-family: %(figures)s; font-size: .9em; }
.answer .of { font-family: %(figures)s; font-size: .72em; color: #333; white-space: nowrap; }
ul, ol { margin: 0 0 2mm; padding-left: 5mm; }
li { padding: .25mm 0; overflow-wrap: anywhere; } dd { overflow-wrap: anywhere; }
table { border-collapse: collapse; width: 100%%; margin: 0 0 3mm; }
caption { text-align: left; font-size: 8.5pt; color: #333; padding-bottom: 1mm; }
th { text-align: left; font-weight: normal; font-size: 8.5pt; color: #333; vertical-align: bottom;
  padding: .6mm 2mm .8mm 0; border-bottom: .9pt solid #000; }
tbody th { color: #000; vertical-align: top; border-bottom: .5pt solid #bbb; }
td { vertical-align: top; padding: .9mm 2mm .9mm 0; border-bottom: .5pt solid #bbb; }
td, tbody th { font-size: 9pt; }
thead { display: table-header-group; }
tr { break-inside: avoid; }
caption, thead, tbody tr:first-child { break-after: avoid; }
tbody tr:nth-child(n + 3):last-child { break-before: avoid; }
.sign { break-inside: avoid; }
td.n, th.n { text-align: right; white-space: nowrap; }
.sheet { table-layout: fixed; }
.sheet td, .sheet tbody th { padding: 1.4mm 1.5mm; vertical-align: middle; font-size: 9pt; }

.sheet thead th { padding-left: 1.5mm; padding-right: 1.5mm; }
.sheet td:first-child, .sheet th:first-child { padding-left: 0; }
.sheet tbody .what { font-size: 11pt; line-height: 1.15; }
.sheet .what { width: 21%%; } .sheet .n { width: 14.5%%; } .sheet .measured { width: 21.5%%; }
.sheet td small { white-space: nowrap; }
.sheet thead .what { font-family: %(figures)s; }
.sheet .note { width: 5.5%%; text-align: right; padding-right: 0; }
.what small { display: block; font-family: %(figures)s; font-size: 8pt; }
.sheet td.plumb, .sheet th.plumb { position: relative; padding: 0; width: 14%%; }
.plumb svg { position: absolute; left: 0; top: 0; width: 100%%; height: 100%%; }
th.plumb .scale { display: flex; justify-content: space-between;
  font-size: 7.5pt; padding-bottom: .8mm; }
.sheet thead th.plumb { padding: 0; }
.others small { display: block; } .others td small { display: inline; }
.others th:first-child { width: 30%%; } .others td:nth-child(2) { width: 32%%; }
.verdicts tbody th { min-width: 26mm; } .verdicts small { white-space: nowrap; }
.sim { display: block; }
.verdict svg, .verdicts svg { width: 9pt; height: 9pt; margin-right: 1.4mm; vertical-align: -1pt; }
.pair { display: grid; grid-template-columns: 1fr 1fr; gap: 0 9mm; font-size: 8.5pt; }
.pair h3:first-child, .pair h2:first-child { margin-top: 1mm; }
dl { display: grid; grid-template-columns: max-content 1fr; gap: .4mm 4mm; margin: 0 0 2mm; }
dt { color: #333; } dd { margin: 0; }
.sign { display: grid; grid-template-columns: 1fr 1fr; gap: 8mm; margin-top: 14mm; }
.sign span { border-top: .8pt solid #000; padding-top: .8mm; font-size: 8.5pt; color: #333; }
figure { margin: 2mm 0 3mm; break-inside: avoid; }
figure svg { width: 100%%; height: auto; display: block; }
figcaption { font-size: 8.5pt; color: #333; }
svg text { font-family: %(figures)s; }
.photographs { display: grid; grid-template-columns: 1fr 1fr; gap: 2mm 6mm; align-items: start; }
.photographs figure { margin: 0 0 2mm; }
.photographs img { display: block; max-width: 100%%; max-height: 105mm; margin-bottom: 1mm; }
.photographs figcaption { overflow-wrap: anywhere; }
.page { break-before: page; }
.page > h2:first-child { margin-top: 0; }
.free td, .free th { overflow-wrap: anywhere; }
.caution { border: 1.2pt solid #000; padding: 1.5mm 2.5mm; margin: 0 0 3mm; }
.caution p:last-child { margin: 0; }
code { font: 8pt monospace; } .id { font: 8pt monospace; overflow-wrap: anywhere; }
@media print { body { padding: 0; max-width: none; } }
@media screen and (max-width: 760px) { .pair, .sign, .photographs { grid-template-columns: 1fr; }
  .wide { overflow-x: auto; } header { display: block; } header .end { text-align: left; } }
"""
_SMALL: Final = f"font: 8pt {_FIGURES_FONT}; color: #333;"


def style_sheet(paper: Paper, program: str) -> str:
    """Return the style sheet; `program` stands at the foot of each page."""
    foot = "".join(one for one in program if one.isalnum() or one in " .+-")
    return _STYLE % {
        "page": _PAGE[paper],
        "foot": foot,
        "small": _SMALL,
        "words": _WORDS_FONT,
        "figures": _FIGURES_FONT,
    }


def content_policy(style: str) -> str:
    """Return the content security policy: this style, nothing fetched, no script, no form.

    A picture may be part of the file, and come from nowhere else.
    """
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    return (
        f"default-src 'none'; style-src 'sha256-{digest}'; img-src data:; script-src 'none'; "
        "base-uri 'none'; form-action 'none'"
    )
