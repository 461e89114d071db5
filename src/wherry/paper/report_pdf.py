"""A report as PDF, for A4."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from wherry.paper import typeset

BODY: Final = """\
#set page(paper: "a4", margin: (x: 16mm, top: 15mm, bottom: 17mm), footer: context [
  #set text(size: 7.5pt)
  #data.kind_title #h(1fr) head #raw(data.head) #h(1fr)
  page #counter(page).display() of #counter(page).final().first()
])
#set text(size: 9pt)
= #data.title
#block(stroke: 1.2pt + black, inset: 6pt)[*#data.kind_title*]
#data.kind_sentence

== Summary
#for each in data.summary [- #each]
#caution(data.cautions)

== What this report is made from
#table(columns: (auto, 1fr), ..data.sources.map(each => (strong(each.at(0)), raw(each.at(1)))).flatten())

#for part in data.tables [
  == #part.title
  #if part.note != "" [#part.note]
  #if part.rows.len() == 0 [None.] else [
    #set text(size: 7.5pt)
    #table(
      columns: part.widths.map(each => if each == 0 { auto } else { each * 1fr }),
      align: part.heads.map(each => if each.is_number { right } else { left }),
      table.header(..part.heads.map(each => strong(each.text))),
      ..part.rows.flatten().map(each => if each == "NOT kept" [#underline(strong(each))] else [#each]))
  ]
]

== Plots
#if data.plots.len() == 0 [No minute of the run is in the record.]
#for each in data.plots [
  #block(breakable: false)[
    #emph(each.at(0))
    #image(bytes(each.at(1)), format: "svg", width: 100%)
  ]
]

== What was not tested
#if data.not_tested.len() == 0 [Nothing is known to be missing.]
#for each in data.not_tested [- #each]

== Tolerances
#if data.tolerances.len() == 0 [None: no rule is bent, and what is read back must be equal.]
#for each in data.tolerances [- #each]

#block(breakable: false)[
  == Signed
  #table(columns: (1fr, 1fr, 1fr), rows: 14mm, align: bottom + left,
    [For the owner], [Signature], [Date], [For the installer], [Signature], [Date])
]
"""
LONG: Final = ("criterion", "wanted", "seen", "event", "value", "taken from", "put to", "from -> to", "step")
"""Columns that share what is left of the width; the others take what they need."""


def pdf(document: Mapping[str, Any], head: str) -> bytes:
    """The paper. ``document`` is what ``report_pages.pages`` makes."""
    tables = [{**each, "widths": [int(head["text"] in LONG) for head in each["heads"]]} for each in document["tables"]]
    return typeset.pdf(BODY, {**document, "tables": tables, "head": head[:24]})
